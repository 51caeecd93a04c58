/** Before a start: what would run, what this chamber may do and why, how closely somebody will watch; then the key. */
import { html } from "../markup.js";
import { Refused } from "../link.js";
import { ROOM_MC, THIN, clock, day, degrees, difference, hours, levelWords, wait, warmShort, simulatedWords, LEVELS } from "../text.js";
import { drawPreview } from "../parts/preview.js";
import { titleBlock } from "../parts/titleblock.js";
import { mark } from "../parts/marks.js";
import { unreadable, notAllowed, loading } from "../parts/trouble.js";
import { may, notYours } from "../parts/rights.js";
import { armWords } from "./now.js";
import { previewAt } from "../starttimes.js";
import { presentLeaving, startBody, todoWords } from "../leaving.js";
import * as before from "./before_leaving.js";

const NEEDS = {
  at_the_chamber: "Somebody stays beside it and presses its button every 15 min; when that is missed, the heat goes off.",
  in_the_building: "Somebody is awake in the building and says so every 60 min, here or at the chamber; when that is missed, the heat goes off.",
  unattended: "Nobody is asked to check in. It needs every contact under “Before you leave” closed, and a press of the arm button at the chamber, door shut, heat off.",
};

const SHOWN_WITHIN_MS = 3000;

export async function enter(context, id) {
  const { store, ask, signal, root } = context;
  const kept = store.held.starting?.id === id && !store.held.starting.answer ? store.held.starting : {}; // answers given before a look at another sheet
  store.hold("starting", { id, answers: kept.answers ?? new Set(), level: kept.level, when: kept.when, time: kept.time });
  before.follow(context);
  for (const kind of ["change", "input"]) root.addEventListener(kind, (event) => typed(store, event.target, root), { signal });
  try {
    const stored = await ask(`/schedules/${id}`, { signal });
    const preview = await ask("/schedules/preview", { body: stored.schedule, signal });
    const fromUtcUs = Number.isInteger(store.now?.air_mc) ? store.utcNow() : null;
    const cooled = preview.from_mc > ROOM_MC ? await ask(`/schedules/preview?from_c=${ROOM_MC / 1000}`, { body: stored.schedule, signal }) : null; // what a later start begins from
    store.hold("starting", { ...store.held.starting, stored, preview, cooled, fromUtcUs, key: newKey() });
  } catch (error) {
    if (error instanceof Refused) store.hold("starting", { id, error: error.message });
  }
}

const newKey = () => crypto.randomUUID?.() ?? `start-${Date.now()}`;

/** What a person chose or answered; it is another start then, so it has another key. */
function typed(store, target, root) {
  const change = before.changed(store.held.starting, target, root);
  if (!change) return;
  const { refused } = store.held.starting;
  store.hold("starting", { ...store.held.starting, ...change, key: newKey(), refused: change.answers ? refused : null }); // what is missing stays to be read while it is done
}

/** The levels this chamber may run at, by name, closest watch first. */
export function allowedLevels(now, facts) {
  const all = Object.keys(LEVELS);
  const most = Object.values(LEVELS).indexOf(now.chamber.may_do);
  return (facts?.levels ?? all.filter((_, index) => index <= most)).filter((level) => level !== "measure_only");
}

/** Why no start is possible now, or "". */
export function hindrance(now, preview, me = null) {
  if (!now) return "Nothing has been heard from the controller yet.";
  if (!may(me, "start")) return "Starting a run is for an operator. You may look, stop the heat and acknowledge.";
  if (now.latches.length) return "A trip is latched. A maintainer clears it first.";
  if (now.pending) return "Another start waits already.";
  if (now.run && !now.possible.includes("start")) return now.possible.includes("reset") ? `Run ${now.run.id} has ended but still lies on the sheet. Put it away on Now, then start.` : `Run ${now.run.id} is on.`;
  if (preview?.cannot_start?.length) return `It is too hot for this chamber: ${preview.cannot_start[0].value}, where ${preview.cannot_start[0].allowed} is allowed. ${preview.cannot_start[0].advice}`;
  const open = now.permit.contacts.find((one) => !one.closed && one.name !== "armed");
  if (open) return `Nothing can start now. ${open.why}`;
  if (!now.possible.includes("start")) return `This chamber may ${now.chamber.may_do}. ${now.chamber.may_do_why}`;
  return "";
}

/** The level that was chosen, or the highest that this chamber may run at. */
export const levelOf = (held, now, facts) => {
  const allowed = allowedLevels(now, facts);
  return allowed.includes(held.level) ? held.level : allowed.at(-1);
};

export async function start(context) {
  const { store, ask } = context;
  const held = store.held.starting;
  const at = before.chosenStart(held, store.utcNow());
  const body = startBody({ scheduleId: held.id, revision: held.stored.revision, level: levelOf(held, store.now, store.held.chamber), answers: held.answers, atUtcUs: at?.utcUs });
  store.hold("starting", { ...held, sending: true, refused: null });
  try {
    const answer = await ask("/runs", { body, headers: { "Idempotency-Key": held.key } });
    store.hold("starting", { ...held, sending: false, answer });
    await shownBy(store, answer.run_id);
    if (!context.signal.aborted) context.go("#/now"); // what comes next, the arm button and then the run, stands there
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    store.hold("starting", { ...store.held.starting, sending: false, refused: error, key: newKey() });
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

function levels(held, now, facts) {
  const allowed = allowedLevels(now, facts);
  const chosen = levelOf(held, now, facts);
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

/** What the shortest time is counted from: the list's is from a room's temperature, this one from the air's; a later start's from a room's where the air is warmer now. */
function fromWords({ cooled, fromUtcUs }, preview, unit) {
  return `from ${warmShort(preview.from_mc, unit)}${preview === cooled ? ", a room’s temperature" : fromUtcUs ? `, the air at ${clock(fromUtcUs)}` : ""}`;
}

/** Its segments' longest times together, or the chamber's longest run where that is shorter: past it the run trips. */
export const longestWords = (longestUs, runMaxUs = Infinity) => (runMaxUs < longestUs ? `at most ${hours(runMaxUs)}, the longest that this chamber may run` : `at most ${hours(longestUs)}`);

function summary(held, preview, now, unit, at) {
  const { stored } = held;
  const end = now ? (at ?? now.utc_us) + preview.duration_us : null;
  return html`<table class="rows summary"><tbody>
    <tr><th scope="row">Hottest set point</th><td>${warmShort(stored.hottest_mc, unit)}, of the ${stored.schedule.temperature_of}</td></tr>
    ${now && held.limits ? html`<tr><th scope="row">Limit of this run</th><td>${limitOfRun(stored.hottest_mc, held.limits, unit)}</td></tr>` : ""}
    <tr><th scope="row">Takes at least</th><td>${wait(preview.duration_us)} ${fromWords(held, preview, unit)}, ${longestWords(stored.longest_us, held.limits?.run_max_us)}</td></tr>
    ${end ? html`<tr><th scope="row">Ends</th><td>not before ${day(end)} ${clock(end)}</td></tr>` : ""}
    <tr><th scope="row">After a power cut</th><td>${stored.schedule.resume === "never" ? "heat stays off until a person decides" : "a short one may be gone over"}</td></tr>
    <tr><th scope="row">What is kept</th><td>every reading, with a copy of schedule and chamber file</td></tr></tbody></table>`;
}

/** After the press, until Now is shown: accepted, or waiting for the arm button. What the run does then stands on Now alone. */
function progress(held, now) {
  if (now?.pending) return html`<div class="go must">${mark("todo", 28)}<p><b>${armWords(now)}</b> One press starts one run. Stop heating takes the start back.</p><a class="key" href="#/now">Watch it on Now</a></div>`;
  if (held.answer) return html`<div class="go"><p><b>Accepted.</b> ${held.answer.detail}</p><a class="key" href="#/now">Watch it on Now</a></div>`;
  return "";
}

/** Why it was refused: for a start that nobody would watch row by row, else in a sentence. */
function refusedWords(held) {
  if (!held.refused) return "";
  if (held.refused.code === "not_ready_to_leave") return before.drawMissing(held.refused);
  return notAllowed("Refused.", `${held.refused.message} ${held.refused.mistakes.map((one) => `${one.field}: ${one.advice}`).join(" ")}`);
}

/** What stands in the way on this very sheet: a contact that is open, or a time that can't be meant. */
function lacking(level, held, leaving, at) {
  if (at && at.utcUs === null) return at.words;
  if (level !== "unattended" || !leaving) return level === "unattended" ? "The checklist is not read yet." : "";
  return leaving.error ? "" : todoWords(presentLeaving(leaving, held.answers).open);
}

function startKey(held, state, why, level, at) {
  const { now } = state;
  const going = progress(held, now);
  if (going) return going;
  const { leaving } = state.held;
  const missing = why || lacking(level, held, leaving, at);
  const off = Boolean(missing) || held.sending;
  const then = now?.chamber.simulated ? "then the simulated chamber presses its arm button by itself" : "then press the arm button at the chamber";
  return html`${refusedWords(held)}<button type="submit" class="startkey" ${off ? html`aria-disabled="true" disabled` : ""}><b>${held.sending ? "Asking the controller" : at?.utcUs ? `Start heating at ${clock(at.utcUs)}, ${day(at.utcUs)}` : now ? `Start heating, ${clock(now.utc_us)}` : "Start heating"}</b><span>${
    missing || then}</span></button>${
    now?.possible.includes("reset") && now.run ? html`<button type="button" class="key" data-do="start-put-away">Put run ${now.run.id} away</button>` : ""}`;
}

export function render(state) {
  const held = state.held.starting;
  const { now, unit } = state;
  if (state.route.rest[2] === "card") return before.renderCard(state);
  if (held?.error) return unreadable("This schedule can’t be read.", held.error, html`<a href="#/schedules">All schedules</a>`);
  if (!held?.stored || !now) return loading("Reading the schedule.");
  const facts = state.held.chamber;
  const why = hindrance(now, held.preview, state.me);
  const simulated = simulatedWords(now);
  const width = state.layout.kind === "wide" ? Math.floor(state.layout.width * 0.5) - 20 : state.layout.width;
  const level = levelOf(held, now, facts);
  const at = before.chosenStart(held, state.utcNow());
  const yours = may(state.me, "start");
  const alone = yours && level === "unattended";
  const key = startKey(held, state, why, level, at);
  const preview = previewAt(held, at?.utcUs ?? null, state.utcNow());
  const plan = html`${drawPreview(preview.curve, { width, height: 220, unit, segments: held.stored.schedule.segments })}${summary({ ...held, limits: facts?.limits }, preview, now, unit, at?.utcUs)}`;
  return html`<div class="sheet-head"><p class="kicker"><a href="#/schedules">Schedules</a>, before a start</p><h1 tabindex="-1">${held.answer ? "The start was accepted." : now.pending ? "A start waits already." : why ? "It can’t start now." : `Ready to run ${held.stored.schedule.name}.`}</h1><p class="lead">${why && !held.answer && !now.pending ? html`<b>${why}</b> ` : ""}${
    simulated ? html`<span class="simulated">${simulated}.</span> ` : ""}This chamber may run <b>${now.chamber.may_do}</b>. ${now.chamber.may_do_why} ${now.chamber.next_thing ? `Next: ${now.chamber.next_thing}` : ""}</p></div>
    ${state.held.unsaved?.[held.id] ? html`<p>${mark("alarm", 16)} <b>Changes to it are not stored.</b> This starts revision ${held.stored.revision} without them. <a href="#/schedules/${held.id}">Store or drop them first</a></p>` : ""}
    <form data-form="start" class="editor" novalidate><div>${yours ? html`${levels(held, now, facts)}${before.drawTimes(held, state.utcNow(), now.clock_synced, unit)}${alone ? plan : key}` : html`<p>${notYours("Starting a run", "start")} <a href="#/people">Who you are</a></p>`}</div><div>${
    alone ? html`${before.drawLine(state.held.leaving, held.answers, state.held.links)}<div class="key-on-line">${key}</div><p class="links"><a href="#/schedules/${held.id}/start/card">The card for the household</a></p>` : plan}</div></form>
    ${titleBlock([[{ label: `Schedule ${held.id}`, value: held.stored.schedule.name, wide: true }, { label: "Revision", value: held.stored.revision }]], { now, dataMs: state.ageMs() })}`;
}
