/**
 * What the sheet Proofs says of a step, its dates and its values, in words and numbers. Pure; nothing here draws.
 *
 * The controller judges. What a page may decide is how to say it, and whether what was typed is a number at all.
 */
import { capital, clock, day, many, together, uncapital, wait } from "./text.js";

const DAY_US = 86400e6;
const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];

/** A date without its weekday: "30 Oct", with its year where that is not this one. */
export function date(utcUs, nowUs = Date.now() * 1000) {
  const at = new Date(utcUs / 1000);
  const year = at.getFullYear() === new Date(nowUs / 1000).getFullYear() ? "" : ` ${at.getFullYear()}`;
  return `${at.getDate()} ${MONTHS[at.getMonth()]}${year}`;
}

/** Mark and tone of a state; the words come with it, so that neither colour nor shape stands alone. */
const STATES = {
  done: { mark: "", tone: "" },
  ending: { mark: "", tone: "ending" },
  ended: { mark: "alarm", tone: "warned" },
  failed: { mark: "trip", tone: "bad" },
  void: { mark: "stale", tone: "void" },
  to_do: { mark: "todo", tone: "undone" },
  doing: { mark: "", tone: "ending" },
  not_for_this_chamber: { mark: "notallowed", tone: "not" },
};

/** {mark, tone, words} of a step or of one sensor's part of it; words stand where the date of its end does. */
export function standing(row, nowUs) {
  const later = ["to_do", "void"].includes(row.state) && row.blocked_by?.length; // another step comes first: nothing is asked of anybody here yet
  const known = later ? { mark: "", tone: "later" } : STATES[row.state] ?? { mark: "unconfirmed", tone: "" };
  const until = row.valid_until_utc_us;
  const words = {
    done: until ? date(until, nowUs) : "holds",
    ending: until ? `ends ${date(until, nowUs)}` : "ends soon",
    ended: until ? `ended ${date(until, nowUs)}` : "ended",
    failed: "failed",
    void: later ? "waits for others" : "void",
    to_do: row.half ? (row.half === "seen" ? "half done, values lack" : "half done, still to be seen") : "not done yet",
    doing: "being done",
    not_for_this_chamber: "not for this chamber",
  }[row.state] ?? "not known";
  return { ...known, words };
}

/** Who did a step, and when; "" where nobody did. */
export function doneWords(row, nowUs) {
  if (!row.done_utc_us || row.state === "doing") return "";
  const at = `${day(row.done_utc_us, nowUs)} ${clock(row.done_utc_us)}`;
  return /^invented/u.test(row.by) ? `${capital(row.by)}, ${at}.` : `Done ${row.by ? `by ${together(row.by)}, ` : ""}${at}.`;
}

/** A whole sentence about how a step stands, for its own page. */
export function standingWords(row, nowUs) {
  const left = row.switchings_left ? `, or after ${row.switchings_left.toLocaleString("en-GB")} more switchings` : "";
  const until = row.valid_until_utc_us ? date(row.valid_until_utc_us, nowUs) : "";
  return {
    done: until ? `It holds until ${until}${left}.` : "It holds.",
    ending: until ? `It holds until ${until}${left}: soon it has to be done again.` : "It ends soon.",
    ended: until ? `It ended ${until}. Do it again.` : "It ended. Do it again.",
    failed: "It failed, and is stored as that.",
    void: row.blocked_by?.length && row.state_words ? `It waits; it ${row.state_words}.` : `It holds no more: ${row.state_words || "something changed since"}.`,
    to_do: row.each?.some(holds) ? "It is done in part." : row.state_words && row.state_words !== "not shown yet" && !row.half ? `It is not done yet: ${row.state_words}.` : row.half ? "It is half done." : "It was never done.",
    doing: "It is being done.",
    not_for_this_chamber: "It is not for this chamber: what it would prove is not fitted.",
  }[row.state] ?? "How it stands is not known.";
}

const HALF = { seen: "What had to be seen is there; its values still lack, and count once they are stored here.", typed: "Its values are kept; what has to be seen still lacks." };
/** Which half of a step waits for the other; "" for none. */
export const halfWords = (row) => HALF[row.half] ?? "";

/** How a step ended last without a proof, as long as nothing newer was stored; "" for nothing. */
export function triedWords(row, nowUs) {
  const last = row.last_try;
  if (last?.outcome !== "ended" || row.done_utc_us >= last.utc_us) return "";
  return `Tried ${day(last.utc_us, nowUs)} ${clock(last.utc_us)}: ${uncapital(together(last.words))}`;
}

/** Whether a step opens the case or touches mains: then local rules come first. */
export const opensOrMains = (step) => /\bcase\b|mains|\bunplug the|\bunplugged/iu.test(`${step.caution} ${step.do.join(" ")}`);

const HOLDS = new Set(["done", "ending"]);
export const holds = (row) => HOLDS.has(row.state);

/** How a step is done, beside its minutes. */
export const wayWords = (way) => ({ heated: "stay beside it", watched: "heat off", typed: "values to type" }[way] ?? "");

/** What a part of the sequence unlocks. */
export const PARTS = { core: "Core: unlocks the attended levels", rest: "The rest: before it is left alone" };

/** "54 min of a person, 12 min left", or that nothing is left. */
export const partWords = (part) => (part.left_minutes === part.minutes ? `${wait(part.minutes * 60e6)} in all` : part.done ? `${wait(part.minutes * 60e6)}, all done` : `${wait((part.minutes - part.left_minutes) * 60e6)} done, ${wait(part.left_minutes * 60e6)} left`);

/** What one change would void and cost, said before it is pressed. Only what holds now can be voided. */
export function changeWords(change, steps) {
  const named = change.steps.map((id) => steps.find((step) => step.id === id)).filter((step) => step && step.state !== "not_for_this_chamber");
  const lost = named.filter(holds);
  return { lost, minutes: change.minutes, words: lost.length ? `It voids ${many(lost.length, "proof")}; doing them again takes about ${wait(change.minutes * 60e6)} of yours. What rests on them waits meanwhile.` : "It voids nothing that holds now; it is noted all the same." };
}

// ---- the date ruler -------------------------------------------------------------------------------------------------

/** Whether bars say more than the column of dates: only once there is more than one date to compare. */
export const comparable = (steps) => new Set(steps.filter((step) => step.valid_until_utc_us).map((step) => Math.floor(step.valid_until_utc_us / DAY_US))).size > 1;

/** So far the ruler goes back and ahead at most: what lies outside ends at its edge, and its date stands beside it. */
const [BEFORE_DAYS, AFTER_DAYS] = [90, 420];

/** A ruler of months round all dates: {fromUs, toUs, at(us) -> 0..1, months: [{us, words}]}, at most `most` months named. */
export function monthRuler(steps, nowUs, most = 8) {
  const dates = steps.flatMap((step) => [step.done_utc_us, step.valid_until_utc_us]).filter(Boolean);
  const from = new Date(Math.max(Math.min(nowUs, ...dates), nowUs - BEFORE_DAYS * DAY_US) / 1000);
  const to = new Date(Math.min(Math.max(nowUs, ...dates), nowUs + AFTER_DAYS * DAY_US) / 1000);
  const first = new Date(from.getFullYear(), from.getMonth() - 1, 1);
  const count = (to.getFullYear() - first.getFullYear()) * 12 + to.getMonth() - first.getMonth() + 2;
  const every = [1, 2, 3, 4, 6, 12].find((step) => count / step <= most) ?? 12;
  const last = new Date(first.getFullYear(), first.getMonth() + count, 1);
  const [fromUs, toUs] = [first.getTime() * 1000, last.getTime() * 1000];
  const at = (us) => Math.min(1, Math.max(0, (us - fromUs) / (toUs - fromUs)));
  const months = [];
  for (let index = 1; index < count; index += every) {
    const month = new Date(first.getFullYear(), first.getMonth() + index, 1);
    months.push({ us: month.getTime() * 1000, at: at(month.getTime() * 1000), words: MONTHS[month.getMonth()] });
  }
  return { fromUs, toUs, at, months, today: at(nowUs) };
}

/** What is drawn in a row of the ruler: a line from done to its end; dashed where it holds no more, and stopping before today. */
export function bar(step, ruler) {
  if (!step.done_utc_us || step.state === "not_for_this_chamber") return null;
  const from = ruler.at(step.done_utc_us);
  if (step.state === "failed") return { from, to: null, kind: "failed" };
  if (step.state === "ended") return { from, to: Math.max(from, Math.min(ruler.at(step.valid_until_utc_us ?? step.done_utc_us), ruler.today - 0.006)), kind: "ended" };
  if (step.state === "void") return { from, to: ruler.today, kind: "void" };
  return { from, to: step.valid_until_utc_us ? ruler.at(step.valid_until_utc_us) : null, kind: "holds" };
}

// ---- starting ---------------------------------------------------------------------------------------------------------

/** Why a proof that heats can't start now, or "". */
export function hindrance(now, step, mine) {
  if (!now) return "Nothing has been heard from the controller yet.";
  if (!mine) return "Proving is for a maintainer.";
  const trip = now.latches.find((latch) => latch.guard !== "not_commissioned");
  if (trip) return "A trip is latched. A maintainer clears it first, on the sheet Alarms.";
  if (now.pending) return now.pending.trial === step.id ? "" : "A start waits already.";
  if (now.run && !now.possible.includes("start")) return now.possible.includes("reset") ? `Run ${now.run.id} has ended but still lies on the sheet. Put it away first.` : `Run ${now.run.id} is on.`;
  if (step.blocked_by.length) return "Other steps come first; this sheet names them.";
  const open = now.permit.contacts.find((one) => !one.closed && !["armed", "no_trip"].includes(one.name));
  return open ? `Nothing can start now. ${open.why}` : "";
}

// ---- values ---------------------------------------------------------------------------------------------------------

const shown = (value) => String(Number(Number(value).toFixed(2))).replace("-", "\u2212");
const grouped = (value) => (Math.abs(value) >= 1000 ? Number(value).toLocaleString("en-GB") : shown(value));

/** A field as this page asks it: °C are typed in the unit that is shown. */
export function asked(field, unit) {
  if (field.unit !== "°C" || unit !== "F") return field;
  return { ...field, unit: "°F", low: field.low * 1.8 + 32, high: field.high * 1.8 + 32 };
}

/** "0 to 0.5 Ω". */
export const rangeWords = (field) => `${grouped(field.low)} to ${grouped(field.high)}${field.unit ? `\u00a0${field.unit}` : ""}`;

/** What was typed as a number: both decimal marks count, and the proper minus; null where it is none. */
export function number(text) {
  const plain = String(text ?? "").trim().replace(/[\u2212\u2013]/gu, "-").replace(",", ".");
  return /^[+-]?(?:\d+\.?\d*|\.\d+)$/u.test(plain) ? Number(plain) : null;
}

/** {values, wrong}: what is sent, or what no controller has to be asked about. */
export function read(fields, typed, unit) {
  const values = {};
  const wrong = [];
  for (const field of fields) {
    const text = typed[field.key] ?? "";
    if (text === "") wrong.push({ field: field.key, value: "", advice: field.choices.length ? "Choose one." : "Type what you found." });
    else if (field.choices.length) values[field.key] = text;
    else if (number(text) === null) wrong.push({ field: field.key, value: text, advice: "Type a number in digits, such as 0.3." });
    else values[field.key] = asked(field, unit) === field ? number(text) : Math.round(((number(text) - 32) / 1.8) * 100) / 100;
  }
  return { values, wrong };
}

/** A value out of range, said at its field: what may be, and what is likely wrong. */
export function wrongWords(row, field, unit) {
  const range = field && !field.choices.length ? `Allowed is ${rangeWords(asked(field, unit))}. ` : "";
  return row.value === "" || row.allowed === undefined ? row.advice : `${range}${row.advice}`;
}
