/** Before a start: what would run, what this chamber may do and why, how closely somebody will watch; then the key. */
import { html } from "../markup.js";
import { Refused } from "../link.js";
import { THIN, clock, day, degrees, difference, hours, levelWords, wait, warmShort, simulatedWords, LEVELS } from "../text.js";
import { drawPreview } from "../parts/preview.js";
import { titleBlock } from "../parts/titleblock.js";
import { mark } from "../parts/marks.js";
import { unreadable, notAllowed, loading } from "../parts/trouble.js";
import { armWords } from "./now.js";

const NEEDS = {
  at_the_chamber: "Somebody stays beside it and presses its button every 15 min.",
  in_the_building: "Somebody is awake in the building and says so every 60 min, here or at the chamber.",
  unattended: "Nobody watches. It needs a press of the arm button at the chamber, door shut, heat off.",
};

const SHOWN_WITHIN_MS = 3000;

export async function enter({ store, ask, signal }, id) {
  store.hold("starting", { id });
  try {
    const stored = await ask(`/schedules/${id}`, { signal });
    const preview = await ask("/schedules/preview", { body: stored.schedule, signal });
    const fromUtcUs = Number.isInteger(store.now?.air_mc) ? store.utcNow() : null;
    store.hold("starting", { id, stored, preview, fromUtcUs, key: crypto.randomUUID?.() ?? `start-${Date.now()}`, level: null });
  } catch (error) {
    if (error instanceof Refused) store.hold("starting", { id, error: error.message });
  }
}

/** The levels this chamber may run at, by name, closest watch first. */
export function allowedLevels(now, facts) {
  const all = Object.keys(LEVELS);
  const most = Object.values(LEVELS).indexOf(now.chamber.may_do);
  return (facts?.levels ?? all.filter((_, index) => index <= most)).filter((level) => level !== "measure_only");
}

/** Why no start is possible now, or "". */
export function hindrance(now, preview) {
  if (!now) return "Nothing has been heard from the controller yet.";
  if (now.latches.length) return "A trip is latched. A maintainer clears it first.";
  if (now.pending) return "Another start waits for the arm button already.";
  if (now.run && !now.possible.includes("start")) return now.possible.includes("reset") ? `Run ${now.run.id} has ended but still lies on the sheet. Put it away on Now, then start.` : `Run ${now.run.id} is on.`;
  if (preview?.cannot_start?.length) return `It is too hot for this chamber: ${preview.cannot_start[0].value}, where ${preview.cannot_start[0].allowed} is allowed. ${preview.cannot_start[0].advice}`;
  const open = now.permit.contacts.find((one) => !one.closed && one.name !== "armed");
  if (open) return `Nothing can start now. ${open.why}`;
  if (!now.possible.includes("start")) return `This chamber may ${now.chamber.may_do}. ${now.chamber.may_do_why}`;
  return "";
}

export async function start(context, form) {
  const { store, ask } = context;
  const held = store.held.starting;
  const level = new FormData(form).get("level");
  store.hold("starting", { ...held, sending: true, refused: null });
  try {
    const answer = await ask("/runs", { body: { schedule_id: held.id, revision: held.stored.revision, level }, headers: { "Idempotency-Key": held.key } });
    store.hold("starting", { ...held, sending: false, answer });
    await shownBy(store, answer.run_id);
    if (!context.signal.aborted) context.go("#/now"); // what comes next, the arm button and then the run, stands there
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    store.hold("starting", { ...held, sending: false, refused: error, key: crypto.randomUUID?.() ?? `start-${Date.now()}` });
  }
}

/** Until a snapshot tells of the start, so that Now does not begin with "Nothing runs"; not for ever. */
function shownBy(store, runId) {
  const shown = () => Boolean(store.now?.pending) || store.now?.run?.id === runId;
  if (shown()) return Promise.resolve();
  return new Promise((resolve) => {
    const done = () => {
      store.removeEventListener("changed", look);
      clearTimeout(late);
      resolve();
    };
    const look = () => { if (shown()) done(); };
    const late = setTimeout(done, SHOWN_WITHIN_MS);
    store.addEventListener("changed", look);
  });
}

export const acts = {
  "start-put-away": ({ ask }) => ask("/runs/current/reset", { body: {}, headers: { "Idempotency-Key": `reset-${Date.now()}` } }).catch(() => {}),
};

function levels(now, facts) {
  const allowed = allowedLevels(now, facts);
  const chosen = allowed.at(-1);
  return html`<fieldset class="levels"><legend>How closely will somebody watch?</legend>${Object.keys(NEEDS).map((level) => {
    const may = allowed.includes(level);
    return html`<label class="${may ? "" : "off"}"><input type="radio" name="level" value="${level}" ${level === chosen ? html`checked` : ""} ${may ? "" : html`disabled`}><span><b>${
      levelWords(level)}</b><span class="detail">${may ? NEEDS[level] : html`${mark("notallowed", 14)} This chamber may run ${now.chamber.may_do} at most.`}</span></span></label>`;
  })}</fieldset>`;
}

/** The run's own limit; for a schedule that the chamber can't follow, by how much it is too hot instead of a limit that no run gets. */
export function limitOfRun(hottestMc, limits, unit) {
  const overMc = hottestMc + limits.run_margin_mc - limits.ceiling_mc;
  if (overMc <= 0) return `${warmShort(hottestMc + limits.run_margin_mc, unit)} on every sensor, in the board too`;
  return `none: too hot by ${difference(overMc, unit)}${THIN}${degrees(unit)}. This chamber’s limit is ${warmShort(limits.ceiling_mc, unit)}, and a run keeps ${difference(limits.run_margin_mc, unit)}${THIN}${degrees(unit)} below it`;
}

/** What the shortest time is counted from: the list's is from a room's temperature, this one from the air's. */
function fromWords({ preview, fromUtcUs }, unit) {
  return `from ${warmShort(preview.from_mc, unit)}${fromUtcUs ? `, the air at ${clock(fromUtcUs)}` : ""}`;
}

/** Its segments' longest times together, or the chamber's longest run where that is shorter: past it the run trips. */
export const longestWords = (longestUs, runMaxUs = Infinity) => (runMaxUs < longestUs ? `at most ${hours(runMaxUs)}, the longest that this chamber may run` : `at most ${hours(longestUs)}`);

function summary(held, now, unit) {
  const { stored, preview } = held;
  const end = now ? now.utc_us + preview.duration_us : null;
  return html`<table class="rows summary"><tbody>
    <tr><th scope="row">Hottest set point</th><td>${warmShort(stored.hottest_mc, unit)}, of the ${stored.schedule.temperature_of}</td></tr>
    ${now && held.limits ? html`<tr><th scope="row">Limit of this run</th><td>${limitOfRun(stored.hottest_mc, held.limits, unit)}</td></tr>` : ""}
    <tr><th scope="row">Takes at least</th><td>${wait(preview.duration_us)} ${fromWords(held, unit)}, ${longestWords(stored.longest_us, held.limits?.run_max_us)}</td></tr>
    ${end ? html`<tr><th scope="row">Ends</th><td>not before ${day(end)} ${clock(end)}</td></tr>` : ""}
    <tr><th scope="row">After a power cut</th><td>${stored.schedule.resume === "never" ? "heat stays off until a person decides" : "a short one may be gone over"}</td></tr>
    <tr><th scope="row">What is kept</th><td>every reading, with a copy of schedule and chamber file</td></tr></tbody></table>`;
}

/** After the press, until Now is shown: accepted, or waiting for the arm button. What the run does then stands on Now alone. */
function progress(held, now) {
  if (now?.pending) return html`<div class="go must">${mark("todo", 28)}<p><b>${armWords(now)}</b> One press starts one run. Stop heating takes the start back.</p></div>`;
  if (held.answer) return html`<div class="go"><p><b>Accepted.</b> ${held.answer.detail}</p><a class="key" href="#/now">Watch it on Now</a></div>`;
  return "";
}

function startKey(held, now, why) {
  const going = progress(held, now);
  if (going) return going;
  const refused = held.refused ? notAllowed("Refused.", `${held.refused.message} ${held.refused.mistakes.map((one) => `${one.field}: ${one.advice}`).join(" ")}`) : "";
  const off = Boolean(why) || held.sending;
  return html`${refused}<button type="submit" class="startkey" ${off ? html`aria-disabled="true" disabled` : ""}><b>${held.sending ? "Asking the controller" : now ? `Start heating, ${clock(now.utc_us)}` : "Start heating"}</b><span>${
    why || (now?.chamber.simulated ? "then the simulated chamber presses its arm button by itself" : "then press the arm button at the chamber")}</span></button>${
    now?.possible.includes("reset") && now.run ? html`<button type="button" class="key" data-do="start-put-away">Put run ${now.run.id} away</button>` : ""}`;
}

export function render(state) {
  const held = state.held.starting;
  const { now, unit } = state;
  if (held?.error) return unreadable("This schedule can’t be read.", held.error, html`<a href="#/schedules">All schedules</a>`);
  if (!held?.stored || !now) return loading("Reading the schedule.");
  const facts = state.held.chamber;
  const why = hindrance(now, held.preview);
  const simulated = simulatedWords(now);
  const width = state.layout.kind === "wide" ? Math.floor(state.layout.width * 0.5) - 20 : state.layout.width;
  return html`<div class="sheet-head"><p class="kicker"><a href="#/schedules">Schedules</a>, before a start</p><h1 tabindex="-1">${held.answer ? "The start was accepted." : now.pending ? "A start waits for the arm button." : why ? "It can’t start now." : `Ready to run ${held.stored.schedule.name}.`}</h1><p class="lead">${
    simulated ? html`<span class="simulated">${simulated}.</span> ` : ""}This chamber may run <b>${now.chamber.may_do}</b>. ${now.chamber.may_do_why} ${now.chamber.next_thing ? `Next: ${now.chamber.next_thing}` : ""}</p></div>
    ${state.held.unsaved?.[held.id] ? html`<p>${mark("alarm", 16)} <b>Changes to it are not stored.</b> This starts revision ${held.stored.revision} without them. <a href="#/schedules/${held.id}">Store or drop them first</a></p>` : ""}
    <form data-form="start" class="editor"><div>${levels(now, facts)}${startKey(held, now, why)}</div><div>${drawPreview(held.preview.curve, { width, height: 220, unit, segments: held.stored.schedule.segments })}${
    summary({ ...held, limits: facts?.limits }, now, unit)}</div></form>
    ${titleBlock([[{ label: `Schedule ${held.id}`, value: held.stored.schedule.name, wide: true }, { label: "Revision", value: held.stored.revision }]], { now, dataMs: state.ageMs() })}`;
}
