/**
 * What Now says beside the circuit when somebody has something to do or to know: a start that waits, a check-in that is due,
 * that one may leave, that messages fail, that a circuit is asked for too much. Pure.
 */
import { html } from "../markup.js";
import { capital, clock, day, together, wait } from "../text.js";
import { ACTIVE } from "../heat.js";
import { mark } from "./marks.js";

const sameDay = (a, b) => new Date(a / 1000).toDateString() === new Date(b / 1000).toDateString();
const at = (us, nowUs) => (sameDay(us, nowUs) ? clock(us) : `${day(us)} ${clock(us)}`);

/** What a start waits for: the controller's own words where it has some. */
const WAITS = {
  clock: () => "The start waits until this computer’s clock is synchronised: a named time means nothing before.",
  time: (now) => `It starts at ${at(now.pending.at_utc_us, now.utc_us)}, in ${wait(now.pending.at_utc_us - now.utc_us)}.`,
  board: () => "The start waits for the board to take the enable.",
  arm: (now) => {
    const left = Number.isFinite(now.pending.seconds_left) ? `, ${wait(now.pending.seconds_left * 1e6)} left` : "";
    return `The start waits for the arm button at the chamber${left}.${now.chamber.simulated ? " In the demo it is pressed by itself." : " Press it at the chamber, with the door shut."}`;
  },
};

/** One sentence for the head while a start waits. */
export function waitWords(now) {
  const { pending } = now;
  const kind = pending.waits_for ?? "arm";
  const own = kind === "arm" || (kind === "time" && pending.at_utc_us) || !pending.words; // these two count down
  return (own ? WAITS[kind]?.(now) : together(pending.words)) ?? "";
}

/** In a word or three, for heads and title blocks. */
export const waitsShort = (pending) => ({ arm: "waits for arming", clock: "waits for its clock", time: `starts ${pending.at_utc_us ? clock(pending.at_utc_us) : "later"}`, board: "waits for the board" }[pending.waits_for ?? "arm"]);

function pendingNotice(now) {
  if (!now.pending) return null;
  const waits = now.pending.waits_for ?? "arm";
  const named = now.pending.at_utc_us && waits !== "time" ? `It is to start ${at(now.pending.at_utc_us, now.utc_us)}.` : "";
  const armed = now.armed_until_utc_us ? `The arm button was pressed; that holds until ${at(now.armed_until_utc_us, now.utc_us)}.` : "";
  return { tone: waits === "arm" ? "must" : "", mark: waits === "arm" ? "todo" : "", bold: named || armed || "One press starts one run.", more: [named && armed, "Stop heating takes the start back."].filter(Boolean).join(" "), keys: [{ word: "Take this start back", act: "stop-heating" }] };
}

/** Below a quarter of its time a check-in is what somebody must do now. */
const DUE = 0.25;

function checkIn(now) {
  const due = now.check_in;
  if (!due || !ACTIVE.has(now.run?.state)) return null;
  const page = /page/u.test(due.by);
  const near = due.left_us <= due.every_us * DUE;
  const before = `${wait(due.left_us)} left, until ${clock(now.utc_us + due.left_us)}`;
  return { tone: near ? "must" : "", mark: near ? "todo" : "", bold: page ? `Say that you watch: ${before}.` : `Press the button at the chamber: ${before}.`,
    more: `${page ? "Here, or by the button at the chamber." : "Only the button at the chamber counts."} Asked every ${wait(due.every_us)}; when it is missed, the heat goes off and the run waits.`, keys: page ? [{ word: "I am here", act: "check-in" }] : [] };
}

function leave(now) {
  const { leave: may } = now;
  if (!may || now.pending) return null;
  if (may.may) return { tone: "", mark: "", bold: "You may leave.", more: together(may.words), keys: [] };
  const when = may.in_us === null || may.in_us === undefined ? "" : ` At the earliest in ${wait(may.in_us)}, at ${clock(now.utc_us + may.in_us)}.`;
  return { tone: "", mark: "", bold: "Stay for now.", more: `${together(may.words)}${when}`, keys: [] };
}

function messages(now) {
  const { messages: state } = now;
  if (state?.state === "failing") return { tone: "warn", mark: "alarm", bold: "Messages don’t reach anybody.", more: `${capital(together(state.words))}`, link: ["#/messages", "Who is told"] };
  const alone = now.run?.level === "unattended" && ACTIVE.has(now.run.state);
  return state?.state === "unknown" && alone ? { tone: "", mark: "stale", bold: "Whether messages leave is not known.", more: together(state.words), link: ["#/messages", "Who is told"] } : null;
}

const clocks = (now) => (now.clock_synced === false && (now.pending?.at_utc_us || now.pending?.waits_for === "clock")
  ? { tone: "warn", mark: "alarm", bold: "This computer’s clock is not synchronised.", more: "A start at a named time waits until it is. Look at the network it takes its time from.", keys: [] } : null);

/** "Circuit kitchen: 3,200 W together" of each circuit that is asked for too much. */
export const overloads = ({ circuits = [], chambers = [] }) => [circuits].flat().filter((one) => one.over).map((one) => {
  const names = one.chambers.map((at) => chambers.find((row) => row.at === at)?.now?.name ?? at);
  return { words: one.words || `${names.join(" and ")} together take up to ${one.sum_w}\u00a0W; circuit ${one.name} carries ${one.max_w}\u00a0W. Run them one after the other, or on different circuits.` };
});

/** Every notice that stands now, the gravest first. `over` is what `overloads` says of the circuits. */
export function presentNotices(now, over = []) {
  return [messages(now), clocks(now), ...over.map((one) => ({ tone: "warn", mark: "alarm", bold: "One circuit is asked for too much.", more: one.words })), pendingNotice(now), checkIn(now), leave(now)].filter(Boolean);
}

export const drawNotices = (notices) => (notices.length ? html`<div class="notices">${notices.map((one) => html`<section class="notice ${one.tone}"><p>${one.mark ? mark(one.mark, 20) : ""}<span><b>${one.bold}</b> ${one.more ?? ""} ${
  one.link ? html`<a href="${one.link[0]}">${one.link[1]}</a>` : ""}</span></p>${(one.keys ?? []).map((key) => html`<button type="button" class="key ${one.tone === "must" ? "must" : ""}" data-do="${key.act}">${key.word}</button>`)}</section>`)}</div>` : "");
