/** Events in sentences, in order. One table from kind to words; an unknown kind shows its name and fields. Pure. */
import { html } from "../markup.js";
import { AT_HOME, SOMEBODY, clock, clockSeconds, difference, levelWords, wait, warmShort, counted, day, many, together, uncapital } from "../text.js";

const f = (event) => event.fields ?? {};
const guardWords = (id) => String(id).replaceAll("_", " ");

/** Who did it; the machine's own names in words. */
export const whoWords = (by) => (by === "local_stop" ? "the local stop at the chamber" : by === AT_HOME ? SOMEBODY : by?.startsWith("trip: ") ? `the trip: ${guardWords(by.slice(6))}` : by ?? "");
const by = (fields) => (fields.by ? `, by ${whoWords(fields.by)}` : "");

/** Somebody pressed the stop at the chamber: the one command that comes without a request. */
const isLocalStop = (event) => event.kind === "run_state" && f(event).by === "local_stop" && f(event).cause === "stop_heating";

/** Lines that could not be read were never rows: nothing is missing for them. Everything else under this kind is missing. */
const BAD_LINES = /^bad lines(?:, the last: (.+))?$/u;
const GAPS = [
  [/^bad answers(?:, the last: (.+))?$/u, (x, [, last]) => `${many(x.count, "request")} to the module had no good answer${last ? `, the last: ${last}` : ""}`],
  [BAD_LINES, (x, [, last]) => `${many(x.count, "line")} from the board could not be read${last ? `, the last: ${last}` : ""}`],
  [/^reports not looked at$/u, (x) => `gap: ${many(x.count, "report")} of the board ${x.count === 1 ? "was" : "were"} not looked at`],
  [/^ticks that could not be written$/u, (x) => `gap: ${many(x.count, "tick")} could not be written`],
  [/(?:)/u, (x) => `gap: ${x.what}`],
];

function gapWords(x) {
  const [pattern, words] = GAPS.find(([one]) => one.test(x.what));
  return words(x, pattern.exec(x.what));
}

/** Whether something is missing in the record. */
export const isGap = (event) => event.kind === "gap" && !BAD_LINES.test(f(event).what);
const ASKED = { start: "start", hold: "hold", restart: "go on", cool_down: "cool down", stop_heating: "stop heating", reset: "reset", acknowledge: "acknowledge",
  clear: "clear", tighten: "tighten a limit", check_in: "check in", prove: "proving", changed: "voiding proofs", bundle: "the chamber as a file" };

/** The ids that were agreed to before leaving; the record has them in one text. */
export const answersOf = (fields) => [fields.answers ?? ""].flat().join(" ").split(" ").filter(Boolean);

const HOUR_US = 3600e6;
const arrivedWords = (x) => (!x.channel ? "no test message had arrived" : `a test message over ${x.channel} had arrived ${x.arrived_age_us < HOUR_US ? "less than an hour" : wait(x.arrived_age_us)} before`);

const OFF = "the heat was told to go off";
/** Why the heat was withheld, where the guard's own name is no word for a household. */
const BECAUSE = { check_in_overdue: "nobody checked in in time", door: "the door is open" };
const because = (x) => BECAUSE[x.by] ?? guardWords(x.by);
const SETTLED = { held: "the schedule stands still", running: "the run goes on where it stood", aborted: "the run is over, aborted" };

/** What a move of the run means to people: its cause -> sentence. State names of the record stand in no sentence. */
const MOVED = {
  start: (x) => `the run begins${by(x)}`,
  hold: (x) => `the schedule is held${by(x)}`,
  restart: (x) => `the run is to go on${by(x)}`,
  cool_down: (x) => `the run ends early and cools down${by(x)}`,
  stop_heating: (x) => `${OFF} and the run ends${by(x)}`,
  reset: (x) => `the run was put away${by(x)}`,
  settled: (x) => SETTLED[x.after],
  done: (x) => (x.after === "complete" ? "the run is complete" : "it has cooled down early, the run is over"),
  failed: () => "the schedule could not be followed, so the run cools down",
  interlock: (x) => (x.after === "stopped" ? `${OFF} and the run is over: ${because(x)}` : `${OFF} and the schedule waits: ${because(x)}`),
  trip: (x) => `${OFF} and the run ends${by(x)}`,
};

/** Where an alarm stands, by its names in ISA-18.2, which the sheet Alarms shows. */
const ALARM = { unacknowledged: "it stands, and nobody has said yet that they saw it", acknowledged: "it stands, and was seen", "returned-to-normal unacknowledged": "it stands no more, and nobody has said yet that they saw it",
  normal: "it is over", "latched unacknowledged": "it stays until it is cleared", "latched acknowledged": "it was seen, and stays until it is cleared" };

/** What each step of a start proof has shown; its number is the record's. */
const PROOF_STEPS = ["both switches open: the air\u2019s own course was seen", "contactor open, modulator on: no rise", "contactor closed, modulator off: no rise", "both closed: a rise was seen"];
const GRADE = { failed: "start proof failed", void: "start proof void, it shows nothing" };
const inTime = (us) => (Number.isFinite(us) ? `, in ${wait(us)}` : "");
const rose = (x) => (x.step === 3 && Number.isFinite(x.excess_mc) ? `, ${difference(x.excess_mc)}\u00a0°C above the air\u2019s own course` : "");

/** "ice point, sensor over temperature": which step of commissioning, and for what. */
const stepWords = (x) => `${guardWords(x.step)}${x.sensor ? `, sensor ${guardWords(x.sensor)}` : ""}${x.spot ? `, place ${guardWords(x.spot)}` : ""}`;
const WATCHED = { began: "is being watched", passed: "was seen", failed: "failed", ended: "ended without a proof" };
const voidedWords = (x) => (x.steps ? `these proofs hold no more: ${x.steps.split(" ").map(guardWords).join(", ")}` : "no proof hung on it");

/** kind -> sentence. */
const WORDS = {
  controller_started: (x) => `controller ${x.version ?? ""} began, heat off`,
  controller_stopped: (x) => `controller ended and switched the heat off: ${x.reason}`,
  board_found: (x) => `board ${x.board} answered`,
  board_refused: (x) => (x.board === x.expected ? `board ${x.board} refused: it says that it is ${x.simulated ? "simulated, the chamber file that it is real" : "real, the chamber file that it is simulated"}`
    : `board ${x.board} refused, expected ${x.expected}`),
  board_lost: (x) => `line to the board lost: ${String(x.reason).split(" [driver: ")[0]}`, // what the driver said stays in the record
  board_booted: () => "the board started anew",
  board_enabled: () => "the board took the enable",
  module_found: (x) => `module ${x.board} answered; on silence the heat ends by ${x.silence}`,
  module_refused: (x) => `module ${x.board} refused: ${x.reason}`,
  silence_proof: (x) => `timer relay ${x.passed ? "proven" : "not proven, so no heat"}: ${x.words}`,
  board_refuses: (x) => `the board refused a frame: ${x.words ?? x.code}`,
  not_a_board: (x) => `what is on the port is no board: ${x.reason}`,
  command_accepted: (x) => `${ASKED[x.ask] ?? x.ask} accepted${by(x)}${x.detail ? `: ${x.detail}` : ""}`,
  command_refused: (x) => `${ASKED[x.ask] ?? x.ask} refused${by(x)}: ${x.reason}`,
  arm_asked: () => "the start waits for the arm button",
  armed: () => "the arm button was pressed",
  arm_void: (x) => `the arming ended unused: ${x.reason}`,
  start_lapsed: (x) => `the start${x.at_utc_us ? ` named for ${clock(x.at_utc_us)}` : ""} came to nothing: ${uncapital(String(x.reason))}`,
  leaving: (x) => `before leaving, ${many(answersOf(x).length, "statement")} of the checklist ${answersOf(x).length === 1 ? "was" : "were"} agreed to; ${arrivedWords(x)}`,
  run_state: (x) => MOVED[x.cause]?.(x) ?? `${x.before} to ${x.after}${by(x)}`,
  segment: (x) => `segment ${Number(x.segment) + 1} begins: ${x.kind === "cool" ? "cooling" : x.kind} to ${warmShort(x.target_mc)}`,
  soak_counting: (x) => (x.counting ? `in band, the soak clock runs${x.counted_us ? ` from ${counted(x.counted_us)}` : ""}` : `the soak clock stops at ${counted(x.counted_us)}`),
  guard: (x) => `${guardWords(x.guard)} ${x.standing ? "began to stand" : "ceased to stand"}${x.detail ? `: ${x.detail}` : ""}`,
  tripped: (x) => `${guardWords(x.guard)}: ${x.first_out ? "first-out, " : ""}trip${x.detail ? `, ${x.detail}` : ""}`,
  cleared: (x) => `${guardWords(x.guard)} cleared${by(x)}`,
  alarm: (x) => `alarm ${guardWords(x.guard)}: ${ALARM[x.after] ?? x.after}${by(x)}`,
  reading: (x) => `${guardWords(x.role)} sensor: ${x.before} to ${x.after}`,
  heat_seen_off: (x) => `heat seen off ${wait(x.after_us) === `0\u00a0s` ? "at once" : `after ${(x.after_us / 1e6).toFixed(1)}\u00a0s`}`,
  limit_tightened: (x) => `limit ${guardWords(x.limit)} lowered from ${x.before} to ${x.after}${by(x)}`,
  gap: gapWords,
  record_failing: (x) => `the record fails: ${x.reason}`,
  record_working: (x) => `the record is written again, ${x.lost} lost`,
  start_named: (x) => `the start waits for ${clock(x.at_utc_us)}`,
  messages: (x) => (x.failing ? `messages cannot leave: ${x.failing}` : "messages leave again"),
  commissioned: (x) => `by the proofs that hold now it may run: ${levelWords(x.may_do)}`,
  proof_step: (x) => `${PROOF_STEPS[x.step] ?? `step ${x.step} of the start proof ended`}${rose(x)}${inTime(x.took_us)}`,
  start_proof: (x) => (x.grade === "passed" ? `both switches proven apart${inTime(x.took_us)}` : `${GRADE[x.grade] ?? x.grade}: ${uncapital(x.words)}`),
  proof: (x) => `${stepWords(x)}: ${x.passed ? "proven" : "stored as failed"}${x.found ? `, ${together(x.found)}` : ""}${by(x)}`,
  proofs_voided: (x) => `something changed (${guardWords(x.change)}${x.sensor ? `, sensor ${guardWords(x.sensor)}` : ""}), ${voidedWords(x)}${x.note ? `; noted: ${x.note}` : ""}${by(x)}`,
  proof_watch: (x) => `${stepWords(x)} ${WATCHED[x.outcome] ?? x.outcome}${by(x)}${x.words ? `: ${together(x.words)}` : ""}`,
  clock_stepped: (x) => `the wall clock jumped by ${(x.by_us / 1e6).toFixed(1)}\u00a0s`,
};

/** Kinds that a person did or asked. */
const OF_PEOPLE = new Set(["command_accepted", "command_refused", "armed", "cleared", "limit_tightened", "leaving", "start_lapsed", "proof", "proofs_voided", "proof_watch"]);
/** Every run's own start proof is stored under the name of who started it; nobody did it. */
const isOwnProof = (event) => event.kind === "proof" && f(event).step === "start_proof";

export const isOfPeople = (event) => (OF_PEOPLE.has(event.kind) && !isOwnProof(event)) || isLocalStop(event);

/** One event as a sentence. */
export function eventWords(event) {
  if (isLocalStop(event)) return `local stop pressed at the chamber: ${OFF} and the run ends`;
  const words = WORDS[event.kind];
  return words ? words(f(event)) : `${guardWords(event.kind)} ${Object.entries(f(event)).map(([key, value]) => `${key} ${value}`).join(", ")}`;
}

/** Whether a kind has no sentence of its own. */
export const unworded = (kind) => !(kind in WORDS);

export const isFirstOut = (event) => event.kind === "tripped" && Boolean(f(event).first_out);

/** Rows with their clock; a new day is named once. `after` gives what stands behind an event's words. */
export function drawEvents(events, { tenths = true, after = () => "" } = {}) {
  let last = "";
  return html`<ol class="events">${events.map((event) => {
    const today = day(event.utc_us);
    const head = today === last ? "" : html`<li class="day">${today}</li>`;
    last = today;
    return html`${head}<li class="${isFirstOut(event) ? "bad" : ""}"><time>${clockSeconds(event.utc_us, tenths)}</time> <span>${eventWords(event)}${after(event)}</span></li>`;
  })}</ol>`;
}
