/** Before you leave: the checklist and what the machine knows, as contacts of one line; and what a refused start lacks. Pure. */

const NUMBERS = ["No", "One", "Two", "Three", "Four", "Five", "Six", "Seven", "Eight", "Nine", "Ten"];

/** "Two contacts are open." */
export const openWords = (count) => (count === 0 ? "The line is whole." : `${NUMBERS[count] ?? count} ${count === 1 ? "contact is" : "contacts are"} open.`);

/**
 * Rows of the line. `leaving` is the answer of GET /leaving; `answers` are the ids that a person has closed. A row is
 * {id, kind: "machine" | "person", words, detail, closed, says, how, fed, live}:
 * `fed` as long as the line above is whole, `live` while it is whole down to this row's foot.
 */
export function presentLeaving(leaving, answers) {
  const machine = (leaving.machine ?? []).map((one) => ({ id: one.id, kind: "machine", words: one.words, closed: one.done, says: one.done ? "known" : "to do", detail: String(one.detail ?? "").replace(/\b0 h ago/u, "less than an hour ago"), how: one.done ? "" : one.how }));
  const person = (leaving.checklist ?? []).map((one) => ({ id: one.id, kind: "person", words: one.words, closed: answers.has(one.id), says: answers.has(one.id) ? "yes" : "to do", detail: one.why, how: "" }));
  let live = true;
  const shown = machine.filter((row) => row.id !== "armed" || row.closed); // arming comes after the start was asked, at the chamber
  const rows = [...shown, ...person].map((row) => {
    const fed = live;
    live = live && row.closed;
    return { ...row, fed, live };
  });
  const open = rows.filter((row) => !row.closed);
  return { rows, open, whole: open.length === 0, sentence: openWords(open.length) };
}

/** What the start key says under its word: what is to do, by name. */
export function todoWords(open) {
  if (!open.length) return "";
  const names = open.map((row) => nameOf(row.id));
  const shown = names.slice(0, 2).join("; ");
  return `${(NUMBERS[open.length] ?? String(open.length)).toLowerCase()} to do: ${shown}${names.length > 2 ? " and more" : ""}`;
}

/** A row's name in a word or three: its words are a whole sentence. */
const nameOf = (id) => String(id).split(".").at(-1).replaceAll("_", " ");

/** A refused start as rows: what is missing, what was found, how to get it. */
export function missing(refused) {
  return (refused?.mistakes ?? []).map((one) => ({ id: one.field, words: nameOf(one.field), found: one.value ?? "", needed: one.allowed ?? "", how: one.advice ?? "" }));
}

/** The body of POST /runs. */
export function startBody({ scheduleId, revision, level, answers, atUtcUs }) {
  return { schedule_id: scheduleId, revision, level, ...(atUtcUs ? { at_utc_us: atUtcUs } : {}), ...(level === "unattended" ? { leaving: { answers: [...answers] } } : {}) };
}

const NAMES = { title: "", normal: "What normal looks like", wall_switch: "The wall switch", switch_off: "How to switch off", do: "What to do", dont: "What not to do", small: "Beside this card", cautions: "Cautions", worry: "Worry if", who: "Whom to call" };

/** The card's words, whatever they are called, as {heading, lines}; text is one line, a list is several. */
export function presentCard(card, origin = "") {
  const whole = (line) => line.replace(/(^|\s)\/stop\b/gu, `$1${origin}/stop`);
  const kept = (line) => !/_{3,}/u.test(line); // a blank has its own place, with room to write
  return Object.entries(card ?? {}).filter(([key, value]) => key !== "title" && value && value.length).map(([key, value]) => ({
    heading: NAMES[key] ?? key[0].toUpperCase() + key.slice(1).replaceAll("_", " "), lines: [value].flat().map(String).filter(kept).map(whole) }));
}
