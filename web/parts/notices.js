/**
 * What Now says beside the circuit when somebody has something to do or to know: a start that waits, a check-in that is due,
 * that one may leave, that messages fail, that a circuit is asked for too much. Pure.
 */
import { html } from "../markup.js";
import { capital, clock, day, levelWords, together, wait } from "../text.js";
import { ACTIVE, heatOff } from "../heat.js";
import { mark } from "./marks.js";
import { may, notYours } from "./rights.js";

const sameDay = (a, b) => new Date(a / 1000).toDateString() === new Date(b / 1000).toDateString();
const at = (us, nowUs) => (sameDay(us, nowUs) ? clock(us) : `${day(us, nowUs)} ${clock(us)}`);

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

/** What waits, from when, and till when by its plan; `plan` is {name, duration_us} where it could be had. */
function pendingNotice(now, plan) {
  const { pending } = now;
  if (!pending) return null;
  const waits = pending.waits_for ?? "arm";
  const name = pending.schedule ? `${pending.schedule}, ${levelWords(pending.level)}.` : "";
  const named = pending.at_utc_us && waits !== "time" ? `It is to start ${at(pending.at_utc_us, now.utc_us)}.` : "";
  const begins = Math.max(pending.at_utc_us ?? 0, now.utc_us);
  const ends = plan && plan.name === pending.schedule ? `By its plan it ends ${at(begins + plan.duration_us, now.utc_us)} at the earliest.` : "";
  const armed = now.armed_until_utc_us ? `The arm button was pressed; that holds until ${at(now.armed_until_utc_us, now.utc_us)}.` : "";
  const said = [name, named, armed, ends].filter(Boolean);
  return { tone: waits === "arm" ? "must" : "", mark: waits === "arm" ? "todo" : "", bold: said[0] ?? "One press starts one run.", more: [...said.slice(1), "Stop heating takes the start back."].join(" "), keys: [{ word: "Take this start back", act: "stop-heating" }] };
}

/** A start that came to nothing is told until the next one, or nobody would know why the chamber is cold in the morning. */
function lapsed(now) {
  const { lapsed: it } = now;
  if (!it || now.pending || ACTIVE.has(now.run?.state)) return null;
  const what = it.at_utc_us ? `The start named for ${at(it.at_utc_us, now.utc_us)} came to nothing` : "The start came to nothing";
  return { tone: "must", mark: "todo", bold: `${what}, at ${at(it.utc_us, now.utc_us)}.`, more: `${together(it.reason)} No heat was given for it.`, link: ["#/schedules", "Start again"], keys: [] };
}

/** The cause has gone and the heat still waits: going on is what there is to do. While an alarm stands, its own keys offer it. */
function goOn(now) {
  if (!now.run?.heat_withheld || !now.possible.includes("restart") || now.latches.length || now.alarms.some((alarm) => /unacknowledged/u.test(alarm.state))) return null;
  return { tone: "must", mark: "todo", bold: "The heat waits until you say go on.", more: "Look at the chamber first; the run goes on where it stood.", keys: [{ word: "Go on", act: "run", value: "restart", need: "restart" }] };
}

/** Below a quarter of its time a check-in is what somebody must do now. */
const DUE = 0.25;

function checkIn(now) {
  const due = now.check_in;
  if (!due || !ACTIVE.has(now.run?.state)) return null;
  const page = /page/u.test(due.by);
  const keys = page ? [{ word: "I am here", act: "check-in", need: "check_in" }] : [];
  if (due.left_us <= 0) return missed(now, page, keys);
  const near = due.left_us <= due.every_us * DUE;
  const before = `${wait(due.left_us)} left, until ${clock(now.utc_us + due.left_us)}`;
  return { tone: near ? "must" : "", mark: near ? "todo" : "", bold: page ? `Say that you watch: ${before}.` : `Press the button at the chamber: ${before}.`,
    more: `${page ? "Here, or by the button at the chamber." : "Only the button at the chamber counts."} Asked every ${wait(due.every_us)}; when it is missed, the heat goes off and the run waits.`, keys };
}

/** Its time has run out: what became of the heat, and the way back. */
function missed(now, page, keys) {
  const heat = !now.run.heat_withheld ? "The heat goes off now" : heatOff(now) ? "The heat is off" : "The heat was told to go off";
  return { tone: "must", mark: "todo", bold: page ? "A check-in was missed." : "The button at the chamber was not pressed in time.", keys,
    more: `${heat}, and the run waits. Look at the chamber, ${page ? "then say that you are here and press Go on." : "press the button there, then press Go on."}` };
}

/**
 * Advice about leaving, for the line under the head's sentence: that costs no height. Null where there is none to give; while
 * an alarm or a hold keeps somebody here, it stands as a notice.
 */
export function leaveWords(now) {
  const { leave: advice } = now;
  if (!advice || now.pending) return null;
  if (advice.may) return { bold: "You may leave.", more: "This is advice: nothing here checks who is near.", stays: false };
  if (!advice.in_us) return null;
  return { bold: "Stay for now.", more: `${together(advice.words)} At the earliest in ${wait(advice.in_us)}, at ${clock(now.utc_us + advice.in_us)}.`, stays: true };
}

function leave(now) {
  const { leave: advice } = now;
  return !advice || now.pending || leaveWords(now) ? null : { tone: "", mark: "", bold: "Stay for now.", more: together(advice.words), keys: [] };
}

/** Messages fail: which ways, in the messenger's own words, "Channel NAME fails: what its provider answered; Receiver NAME fails: …". That others work is not known here. */
export function failingWords(words) {
  const found = [...words.matchAll(/(?:^|; )(?:Channel|Receiver) (.{1,40}?) fails: /gu)];
  if (found[0]?.index !== 0) return { bold: "Messages fail.", more: capital(together(words)) };
  const ways = found.map((one, place) => [`“${one[1]}”`, together(words.slice(one.index + one[0].length, found[place + 1]?.index))]);
  if (ways.length === 1) return { bold: `${ways[0][0]} is not told:`, more: ways[0][1] };
  const names = ways.map(([name]) => name);
  return { bold: `${names.slice(0, -1).join(", ")} and ${names.at(-1)} are not told.`, more: ways.map(([name, said]) => `${name}: ${said}`).join("; ") };
}

function messages(now) {
  const { messages: state } = now;
  if (state?.state === "failing") return { tone: "warn", mark: "alarm", ...failingWords(state.words), link: ["#/messages", "Who is told"] };
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
export function presentNotices(now, over = [], plan = null) {
  return [messages(now), clocks(now), ...over.map((one) => ({ tone: "warn", mark: "alarm", bold: "One circuit is asked for too much.", more: one.words })), lapsed(now), pendingNotice(now, plan), goOn(now), checkIn(now), leave(now)].filter(Boolean);
}

/** Keys are shown to those who may press them; to the others, whose they are. */
export const drawNotices = (notices, me = null) => (notices.length ? html`<div class="notices">${notices.map((one) => html`<section class="notice ${one.tone}"><p>${one.mark ? mark(one.mark, 20) : ""}<span><b>${one.bold}</b> ${one.more ?? ""} ${
  one.link ? html`<a href="${one.link[0]}">${one.link[1]}</a>` : ""}</span></p>${(one.keys ?? []).map((key) => (key.need && !may(me, key.need) ? notYours(key.word, key.need)
    : html`<button type="button" class="key ${one.tone === "must" ? "must" : ""}" data-do="${key.act}" data-value="${key.value ?? ""}">${key.word}</button>`))}</section>`)}</div>` : "");
