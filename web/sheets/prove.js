/**
 * One step of commissioning, by the hand: why, what to do, what to type, what is seen meanwhile, and what came of it.
 *
 * Nothing is kept here but what is being typed: where a step stands comes from the server each time, so a page that was
 * closed goes on where it was.
 */
import { html } from "../markup.js";
import { Refused } from "../link.js";
import { clock, day, together, wait, warm } from "../text.js";
import { doneWords, halfWords, hindrance, holds, opensOrMains, read, standing, standingWords, triedWords, wayWords } from "../proving.js";
import { ACTIVE } from "../heat.js";
import { keepsWords } from "../parts/runkeeps.js";
import { armWords } from "./now.js";
import { drawFields } from "../parts/provefields.js";
import { drawWatched } from "../parts/watchlist.js";
import { drawFilling, leftWords, startProof } from "../parts/filling.js";
import { drawSpots, drawSurvey, surveyWords } from "../parts/surveyplan.js";
import { titleBlock } from "../parts/titleblock.js";
import { may, refusedWords, send } from "../parts/forms.js";
import { notYours } from "../parts/rights.js";
import { trouble, unreadable } from "../parts/trouble.js";
import { mark, numbered } from "../parts/marks.js";

/** What was typed and not yet stored, by step and sensor; it outlives redraws and a look at another sheet. */
const drafts = new Map();
const newKey = () => crypto.randomUUID?.() ?? `trial-${Date.now()}`;
const stepOf = (store) => store.route.rest[0] ?? "";

/** What was chosen on this step: which sensor, which place; and what its last sending came to. */
const chosenOf = (held, step) => (held.proving?.step === step.id ? held.proving : { step: step.id });

/** The sensor or place that is meant: the chosen one, else the first that does not hold. Empty where the step hangs on none, or on all together. */
export function about(step, chosen) {
  const names = step.each.map((one) => one.sensor ?? one.spot);
  if (step.each.some((one) => one.spot) && chosen.about) return { sensor: "", spot: chosen.about }; // one more place than the usual five
  const together_ = step.way === "watched"; // all sensors at once, unless one is chosen
  const id = names.includes(chosen.about) || (together_ && !chosen.about) ? chosen.about ?? "" : names[Math.max(0, step.each.findIndex((one) => !holds(one)))] ?? "";
  return step.each.some((one) => "spot" in one && one.spot) ? { sensor: "", spot: id } : { sensor: id, spot: "" };
}

/** How often something was stored here: the fields of before are not the next ones. */
let stored = 0;
/** A temperature that was typed in one unit is none in the other. */
const draftKey = (step, meant, unit) => [step.id, meant.sensor + meant.spot, step.fields.some((field) => field.unit === "°C") ? unit : ""].join("/");
const draftOf = (step, meant, unit) => drafts.get(draftKey(step, meant, unit)) ?? {};

export function enter(context) {
  const { store, root, signal } = context;
  store.hold("proving", null);
  store.hold("proving_sent", null);
  for (const kind of ["input", "change"]) root.addEventListener(kind, ({ target }) => typed(store, target), { signal });
}

function typed(store, target) {
  const step = store.held.proofs?.steps?.find((one) => one.id === stepOf(store));
  if (!step || !target.form?.dataset.form?.startsWith("prove")) return;
  const chosen = chosenOf(store.held, step);
  if (target.name === "about") return store.hold("proving", { step: step.id, about: target.value });
  const key = draftKey(step, about(step, chosen), store.unit);
  drafts.set(key, { ...drafts.get(key), [target.name]: target.value });
  const wrong = chosen.wrong?.filter((row) => row.field !== target.name);
  return store.hold("proving", { ...chosen, wrong, again: false, said: null }); // another value is another question
}

/** Values: sent as they are; a second, deliberate press stores what is out of range as failed. */
async function give(context, step, sure) {
  const { store } = context;
  const chosen = chosenOf(store.held, step);
  const meant = about(step, chosen);
  const { values, wrong } = read(step.fields, draftOf(step, meant, store.unit), store.unit);
  if (wrong.length) return store.hold("proving", { ...chosen, wrong, again: false, said: null });
  const answer = await send(context, "proving_sent", `/proofs/${step.id}/values`, { body: { values, ...meant, sure } });
  if (answer) outcome(store, step, chosen, answer, meant);
  return null;
}

function outcome(store, step, chosen, answer, meant) {
  const again = answer.outcome === "again";
  if (!again && ["passed", "failed"].includes(answer.outcome)) {
    drafts.delete(draftKey(step, meant, store.unit));
    stored += 1;
  }
  store.hold("proving", { step: step.id, about: again ? chosen.about : undefined, said: { outcome: answer.outcome, words: answer.words }, wrong: again ? answer.wrong : [], again });
}

/** Ask for something about the step that is shown, and read the guide anew. */
const act = (load, what) => async (context, key) => {
  const { store } = context;
  const step = store.held.proofs?.steps?.find((one) => one.id === stepOf(store));
  if (!step) return;
  await what(context, step, key);
  await load(context);
};

async function plain(context, step, path, body) {
  const chosen = chosenOf(context.store.held, step);
  const answer = await send(context, "proving_sent", path, { body });
  if (answer) outcome(context.store, step, chosen, answer, about(step, chosen));
}

/** A step that heats: a run of its own, by the same way as every run. */
async function trial(context, step) {
  const { store, ask } = context;
  const chosen = chosenOf(store.held, step);
  const { spot } = about(step, chosen);
  store.hold("proving", { ...chosen, starting: true, refused: null });
  try {
    const answer = await ask("/runs", { body: { trial: step.id, level: "at_the_chamber", ...(step.id === "survey" ? { spot } : {}) }, headers: { "Idempotency-Key": chosen.key ?? newKey() } });
    store.hold("proving", { ...chosen, key: newKey(), started: answer });
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    store.hold("proving", { ...chosen, key: newKey(), refused: error });
  }
}

export const acts = (load) => ({
  "prove-begin": act(load, (context, step) => plain(context, step, `/proofs/${step.id}/begin`, about(step, chosenOf(context.store.held, step)))),
  "prove-cancel": act(load, (context, step) => plain(context, step, "/proofs/cancel", {})),
  "prove-yes": act(load, (context, step, key) => plain(context, step, `/proofs/${step.id}/confirm`, { seen: key.dataset.value, yes: true })),
  "prove-no": act(load, (context, step, key) => plain(context, step, `/proofs/${step.id}/confirm`, { seen: key.dataset.value, yes: false })),
  "prove-start": act(load, trial),
  "prove-failed": act(load, (context, step) => give(context, step, true)),
  "prove-put-away": act(load, ({ ask }) => ask("/runs/current/reset", { body: {}, headers: { "Idempotency-Key": newKey() } }).catch(() => {})),
  "prove-values": act(load, (context, step) => give(context, step, false)),
});

/** The form's own way: its key is pressed, or Enter in a field. */
export function submitted(context, form) {
  if (form.dataset.form === "prove") form.querySelector("[data-do=prove-values]")?.click();
}

// ---- what is drawn ---------------------------------------------------------------------------------------------------

const drawSeen = (seen, unit) => (seen?.length ? html`<table class="facts seen-now"><tbody>${seen.map((one) => html`<tr><th scope="row">${one.label}</th><td class="num value">${one.mc === null ? "no value" : warm(one.mc, unit)}</td></tr>`)}</tbody></table>` : "");

/** What is going on: the ruler that fills, the list, the sensors. */
function drawDoing(doing, state, step, mine) {
  const nowUs = state.utcNow();
  return html`<section class="doing" aria-label="What is seen now"><h2>What is seen now</h2>${drawFilling((step.way === "heated" && startProof(state.now)) || { head: step.way === "heated" ? "Heat may be on." : "Watching.", words: together(doing.words), share: doing.share, left: leftWords(doing.left_us, nowUs) })}${doing.list?.length ? drawWatched(doing.list, mine) : ""}${drawSeen(doing.seen, state.unit)}${
    mine && step.way !== "heated" ? html`<p class="under"><button type="button" class="key" data-do="prove-cancel">Cancel</button> <span class="caption">Nothing is stored then. You may also close this page: it goes on, and is shown again here.</span></p>` : ""}</section>`;
}

const goesOn = (run) => ACTIVE.has(run.state) || run.state === "aborting";

/** The run that has ended and still lies on the sheet, where whoever looks may put it away; else null. */
const lying = (state) => (may(state.me, "prove") && state.now?.run && !goesOn(state.now.run) && state.now.possible.includes("reset") ? state.now.run : null);
const putAway = (run) => (run ? html`<p><button type="button" class="key" data-do="prove-put-away">Put run ${run.id} away</button></p>` : "");

/** A run of this step's own: waiting for the arm button, in its start proof, on, or over. */
function drawRun(step, state, doing, mine) {
  const { now } = state;
  if (now?.pending) return html`<div class="go must">${mark("todo", 28)}<p><b>${armWords(now)}</b> One press starts one run. Stop heating takes the start back.</p></div>`;
  const run = now?.run;
  if (run?.trial !== step.id) return "";
  const proof = startProof(now);
  if (proof) return doing ? "" : drawFilling(proof);
  if (!goesOn(run)) return html`<p class="said">Run ${run.id} is over. ${together(run.end)}</p>`;
  return doing ? "" : html`<p class="said">Run ${run.id} is on. Stay beside it; Stop heating ends it at any time.</p>`;
}

function startKey(step, state, chosen) {
  const { now } = state;
  const mine = may(state.me, "prove");
  const going = now?.run?.trial === step.id && goesOn(now.run);
  if (going || now?.pending) return "";
  if (lying(state)) return chosen.refused ? trouble("Refused.", chosen.refused.message) : ""; // it is put away first
  const why = hindrance(now, step, mine);
  const arms = now?.chamber.simulated ? "then the simulated chamber presses its arm button by itself" : "then press the arm button at the chamber, door shut";
  return html`${chosen.refused ? trouble("Refused.", `${chosen.refused.message} ${chosen.refused.mistakes.map((one) => one.advice).join(" ")}`) : ""}<button type="button" class="startkey" data-do="prove-start" ${why || chosen.starting ? html`aria-disabled="true" disabled` : ""}><b>${chosen.starting ? "Asking the controller" : "Start, and stay beside it"}</b><span>${why || arms}</span></button>`;
}

const eachWords = (one, nowUs) => [one.found && together(one.found), one.done_utc_us && `${day(one.done_utc_us, nowUs)} ${clock(one.done_utc_us)}`].filter(Boolean).join(", ");

/** Sensors or places, each with how it stands; where one is meant, they are chosen here. */
function drawEach(step, meant, state, mine) {
  if (!step.each.length) return "";
  const nowUs = state.utcNow();
  const places = step.each.some((one) => one.spot);
  const all = step.way === "watched" ? [["", step.id === "sensor_identity" ? "The next that is not known" : "All of them together", ""]] : [];
  const { spots } = state.held.proofs;
  const rows = places ? spots.map((spot, index) => [spot.id, `${index + 1}. ${spot.words}`, step.each.find((one) => one.spot === spot.id)]) : [...all, ...step.each.map((one) => [one.sensor, one.label || one.sensor, one])];
  const id = meant.sensor || meant.spot;
  const line = ([value, label, one]) => {
    const it = one ? standing(one, nowUs) : null;
    const words = html`<span><b>${label}</b>${it ? html`<span class="detail ${it.tone}">${it.mark ? mark(it.mark, 14) : ""}${it.words === "not done yet" ? it.words : [it.words, eachWords(one, nowUs)].filter(Boolean).join(", ")}${one.advice ? `. ${together(one.advice)}` : ""}</span>` : places ? html`<span class="detail">one more, for a larger chamber</span>` : ""}</span>`;
    return mine && step.state !== "not_for_this_chamber" && (step.each.length > 1 || !all.length) ? html`<label data-key="about-${value}-${stored}"><input type="radio" name="about" value="${value}" ${value === id ? html`checked` : ""}>${words}</label>` : one ? html`<div class="one-of" data-key="about-${value}">${words}</div>` : "";
  };
  const list = html`<fieldset class="levels each"><legend>${places ? "Which place is the travelling sensor at?" : "Which sensor?"}</legend>${rows.map(line)}</fieldset>`;
  return html`<form data-form="prove-about" class="${places ? "with-plan" : ""}">${places ? drawSpots(spots, step.each, id) : ""}${list}</form>`;
}

function drawSaid(chosen, step, guide) {
  const { said } = chosen;
  if (!said || (said.outcome === "watching" && step.way === "watched") || !(said.words || ["passed", "failed"].includes(said.outcome))) return "";
  if (said.outcome === "again") return html`<div class="once-more" role="alert"><p>${mark("alarm", 18)} <b>Measure once more.</b> ${together(said.words)} What is out of range stands at its field; nothing is stored yet.</p></div>`;
  const kind = { failed: "trip", passed: "" }[said.outcome];
  const half = step.way === "heated" && step.fields.length > 0 && !holds(step);
  return html`<p class="outcome" role="status">${kind ? mark(kind, 18) : ""}<span><b>${{ passed: half ? "Seen. It counts once your values are stored, below." : "It passed.", failed: "Stored as failed.", ended: "Ended.", watching: "" }[said.outcome] ?? ""}</b> ${together(said.words)}</span></p>${said.outcome === "passed" && holds(step) ? nextLink(step, guide) : ""}`;
}

/** Where to go on: the next place or sensor of this step, or the next step. */
function nextLink(step, guide) {
  const next = guide.next && guide.steps.find((one) => one.id === guide.next.step);
  if (!next || next.id === step.id) return "";
  return html`<p class="links"><a href="#/proofs/${next.id}">Next: ${next.title}, about ${wait(next.minutes * 60e6)}</a></p>`;
}

function drawForm(step, meant, state, chosen) {
  const { fields } = step;
  if (!fields.length && step.way !== "typed") return "";
  const sent = state.held.proving_sent;
  const word = chosen.again ? "Check them once more" : fields.length ? "Store these values" : "Look whether it arrived";
  return html`<form data-form="prove" class="narrow values" novalidate>${fields.length ? html`<h2>${step.way === "typed" ? "What you found" : "What only you can tell"}</h2>` : ""}${drawFields(step, draftOf(step, meant, state.unit), chosen.wrong ?? [], state.unit, `${draftKey(step, meant, state.unit)}/${stored}`)}<span class="keys"><button type="button" class="key" data-do="prove-values" ${sent?.sending ? html`disabled` : ""}>${word}</button>${
    chosen.again ? html`<button type="button" class="key must" data-do="prove-failed">Store it as failed</button>` : ""}</span></form>`;
}

/** Everything that is pressed or typed, in the order of doing. */
function drawHands(step, guide, state, chosen, { doing, over }, mine) {
  const meant = about(step, chosen);
  if (!mine) return html`<p>${notYours("Proving", "prove")} <a href="#/people">Who you are</a></p>`;
  if (step.state === "not_for_this_chamber") return "";
  const busy = state.now?.commissioning && !state.now.commissioning.outcome;
  const begin = step.way === "watched" && !doing ? html`<button type="button" class="startkey" data-do="prove-begin" ${step.blocked_by.length || busy ? html`disabled` : ""}><b>Begin</b><span>${step.blocked_by.length ? "other steps come first" : busy ? "another step is being watched" : "heat stays off; nothing is stored before it ends"}</span></button>` : "";
  const heat = step.way === "heated" ? startKey(step, state, chosen) : "";
  const lies = step.way === "heated" ? lying(state) : null;
  return html`${putAway(lies)}${doing ? "" : drawEach(step, meant, state, mine)}${step.way === "watched" ? drawForm(step, meant, state, chosen) : ""}${refusedWords(state.held.proving_sent)}${doing && chosen.said?.outcome === "watching" ? "" : drawSaid(over && chosen.said?.outcome !== "again" ? { ...chosen, said: over, again: false } : chosen, step, guide)}${drawRun(step, state, doing, mine)}${begin}${heat}${step.way === "watched" ? "" : drawForm(step, meant, state, chosen)}`;
}

/** `said`: the way on stands beside what has just passed. */
function drawStanding(step, nowUs, guide, { going, said, over, lies }) {
  const it = standing(step, nowUs);
  return html`<div class="standing-now ${it.tone}">${it.mark ? mark(it.mark, 20) : ""}<p><b>${standingWords(step, nowUs)}</b> ${doneWords(step, nowUs)} ${step.found && step.state !== "doing" ? html`Found: ${together(step.found)}. ` : ""}${step.advice ? html`<b>${together(step.advice)}</b>` : ""}${going ? "" : html` ${halfWords(step)} ${over ? "" : triedWords(step, nowUs)}`}</p></div>${holds(step) && !going && !said && !lies ? nextLink(step, guide) : ""}`;
}

const drawBlocked = (step, guide) => (step.blocked_by.length ? html`<div class="standing-now">${mark("notallowed", 20)}<p>First: ${step.blocked_by.map((id, index) => html`${index ? ", " : ""}<a href="#/proofs/${id}">${guide.steps.find((one) => one.id === id)?.title ?? id}</a>`)}.</p></div>` : "");

const BOUND = { chamber: "the chamber", sensor: "the sensor, wherever it is plugged in", place: "the place: moved, it is shown again" };

function drawSurveyPart(guide, state) {
  const { survey, spots } = guide;
  if (!survey) return "";
  const width = state.layout.kind === "phone" ? state.layout.width : Math.min(560, state.layout.width);
  return html`<section class="survey-part"><h2>What the survey found</h2>${drawSurvey(survey, spots, state.unit, width)}${surveyWords(survey, spots, state.unit)}</section>`;
}

export function render(guide, state, block) {
  const step = guide.steps.find((one) => one.id === state.route.rest[0]);
  const back = html`<a href="#/proofs">Proofs</a>`;
  if (!step) return html`${unreadable("There is no such step.", "Its name may be of another version.", back)}${block(guide, state)}`;
  const mine = may(state.me, "prove");
  const nowUs = state.utcNow();
  const live = state.now && "commissioning" in state.now ? state.now.commissioning : guide.doing;
  const doing = live?.step === step.id && !live.outcome ? live : null;
  const over = live?.step === step.id && live.outcome ? live : null;
  const chosen = chosenOf(state.held, step);
  const of = guide.steps.filter((one) => one.part === step.part);
  const simulated = guide.invented ? html`<span class="simulated">SIMULATED.</span> ` : "";
  return html`<div class="sheet-head"><p class="kicker">${simulated}${back}, ${step.part === "core" ? "core" : "the rest"}, step ${of.indexOf(step) + 1} of ${of.length}</p><h1 tabindex="-1">${step.title}</h1><p class="lead">${together(step.why)} <span class="about-minutes">About ${wait(step.minutes * 60e6)}${wayWords(step.way) ? `, ${wayWords(step.way)}` : ""}.</span></p></div>
    <div class="two prove"><div>${drawStanding(step, nowUs, guide, { going: doing ?? state.now?.pending ?? (state.now?.run?.trial === step.id && goesOn(state.now.run)), said: mine && (over ?? chosen.said)?.outcome === "passed", over, lies: step.way === "heated" && lying(state) })}${keepsWords(state.now, step.id)}${drawBlocked(step, guide)}${step.caution ? html`<div class="caution">${mark("alarm", 22)}<p><b>Caution.</b> ${together(step.caution)}${opensOrMains(step) ? " Local rules and a licensed electrician come before this page." : ""}</p></div>` : ""}<h2>Do this</h2><ol class="steps do">${step.do.map((words, index) => html`<li>${numbered(index + 1)}<span>${together(words)}</span></li>`)}</ol></div><div>${
      doing ? drawDoing(doing, state, step, mine) : ""}${drawHands(step, guide, state, chosen, { doing, over }, mine)}</div></div>${step.id === "survey" ? drawSurveyPart(guide, state) : ""}
    ${titleBlock([[{ label: "Step", value: step.title, wide: true }, { label: "Layer", value: step.layer }, { label: "Hazards", value: step.hazards }, { label: "Belongs to", value: BOUND[step.bound] ?? step.bound }]], { now: state.now, dataMs: state.ageMs() })}`;
}
