/** Sheet 6, Proofs: what this chamber may do, the next step, every proof with its dates, and what a change would void. */
import { html } from "../markup.js";
import { Refused, linkTo } from "../link.js";
import { clock, together, wait } from "../text.js";
import { changeWords, holds, wayWords } from "../proving.js";
import { drawTable } from "../parts/prooftable.js";
import { keepsWords } from "../parts/runkeeps.js";
import { chamberWords, titleBlock } from "../parts/titleblock.js";
import { may, refusedWords, send } from "../parts/forms.js";
import { notYours } from "../parts/rights.js";
import { loading, unreadable } from "../parts/trouble.js";
import { mark } from "../parts/marks.js";
import { styled } from "../parts/styled.js";
import * as prover from "./prove.js";

const AGAIN_MS = 15000;

export async function load({ store, ask, signal }) {
  try {
    store.hold("proofs", await ask("/proofs", { signal }));
  } catch (error) {
    if (error instanceof Refused) store.hold("proofs", { ...store.held.proofs, error });
  }
}

/** What of a snapshot means that the guide has to be read again: a step that goes on or ended, a run that begins or ends. */
const news = ({ now }) => JSON.stringify([now?.commissioning && [now.commissioning.step, now.commissioning.outcome, now.commissioning.list?.map((one) => one.state)], now?.run?.id, now?.run?.state, now?.run?.trial, now?.chamber?.may_do]);

/** Read the guide now, on news, and every so often: another page may prove too. */
function follow(context) {
  const { store, signal } = context;
  let known = news(store);
  store.addEventListener("changed", () => {
    const fresh = news(store);
    if (fresh === known) return;
    known = fresh;
    load(context);
  }, { signal });
  const again = setInterval(() => { if (document.visibilityState !== "hidden") load(context); }, AGAIN_MS);
  signal.addEventListener("abort", () => clearInterval(again), { once: true });
  return load(context);
}

/** The one thing to do, as one outlined key; or what is being done. */
function nextKey(guide, me, doing) {
  if (!may(me, "prove")) return html`<div class="next">${notYours("Proving", "prove")}</div>`;
  const going = doing && !doing.outcome && guide.steps.find((step) => step.id === doing.step);
  if (going) return html`<div class="next"><span class="caption">being done now</span><a class="key" href="#/proofs/${going.id}">${going.title}</a></div>`;
  if (!guide.next) return "";
  const step = guide.steps.find((one) => one.id === guide.next.step);
  return html`<div class="next"><span class="caption">next, about ${wait(guide.next.minutes * 60e6)}${step ? `, ${wayWords(step.way)}` : ""}</span><a class="key" href="#/proofs/${guide.next.step}">${guide.next.title}</a></div>`;
}

// ---- something changed ----------------------------------------------------------------------------------------------

async function change(context, form) {
  const { store } = context;
  const chosen = store.held.changed ?? {};
  if (!chosen.id) return;
  const answer = await send(context, "change_sent", "/proofs/changed", { body: { change: chosen.id, sensor: form.elements.sensor?.value ?? "", note: form.elements.note.value.trim() } });
  if (!answer) return;
  store.hold("changed", { done: answer });
  form.reset();
  await load(context);
}

/** Sensors as the guide knows them, from any step that hangs on them. */
export const sensorsOf = (guide) => [...new Map(guide.steps.flatMap((step) => step.each).filter((one) => one.sensor).map((one) => [one.sensor, one.label])).entries()];

function drawVoids(guide, chosen) {
  const one = guide.changes.find((row) => row.id === chosen.id);
  if (!one) return "";
  const { lost, words } = changeWords(one, guide.steps);
  return html`<div class="voids"><p>${one.why} <b>${words}</b></p>${lost.length ? html`<ul>${lost.map((step) => html`<li>${step.title}</li>`)}</ul>` : ""}</div>`;
}

function drawChanged(guide, state) {
  if (!may(state.me, "prove")) return "";
  const chosen = state.held.changed ?? {};
  const sent = state.held.change_sent;
  const one = guide.changes.find((row) => row.id === chosen.id);
  const voided = chosen.done?.voided.length;
  return html`<section class="something"><h2>Something changed</h2>${keepsWords(state.now)}<p class="said">A proof is true of what was proven. Say here what is another thing now: first it is shown what that voids.</p><form data-form="changed" class="narrow"><div class="field"><label for="change">What changed</label><select id="change" name="change"><option value="">Choose</option>${guide.changes.map((row) =>
    html`<option value="${row.id}" ${row.id === chosen.id ? html`selected` : ""}>${row.words}</option>`)}</select></div><div role="status">${one ? drawVoids(guide, chosen) : ""}</div>${one?.of_sensor ? html`<div class="field"><label for="changed-sensor">Which sensor</label><select id="changed-sensor" name="sensor">${sensorsOf(guide).map(([id, label]) => html`<option value="${id}">${label}</option>`)}</select></div>` : ""}<div class="field ${one ? "" : "unseen-field"}"><label
    for="changed-note">Note, if you like</label><input id="changed-note" name="note" maxlength="200" autocomplete="off" ${one ? "" : html`disabled`}></div>${refusedWords(sent)}<button type="submit" class="key" ${one && !sent?.sending ? "" : html`disabled`}>It changed: void what hangs on it</button></form>${
    chosen.done ? html`<p role="status">${mark("todo", 16)} ${voided ? html`<b>${voided === 1 ? "One proof holds" : `${voided} proofs hold`} no more.</b> Doing ${voided === 1 ? "it" : "them"} again takes about ${wait(chosen.done.minutes * 60e6)}.` : "It is noted. No proof hung on it."}</p>` : ""}</section>`;
}

const drawBundle = (state) => (may(state.me, "prove") ? html`<section><h2>Take it along</h2><p class="said">The chamber as one file: chamber file, proofs, model and survey; no accounts and no channels. It opens on another computer with the same board; proofs of the place are made anew there.</p><p class="links"><a href="${linkTo("/chamber/bundle")}" download>Keep the chamber as a file</a></p></section>` : "");

const block = (guide, state) => {
  const wanted = guide.steps.filter((step) => step.state !== "not_for_this_chamber");
  return titleBlock([[{ label: "Chamber", value: chamberWords(state.now) || "not known", wide: true }, { label: "Board", value: guide.board }, { label: "It may run", value: guide.may_do }, { label: "Proofs hold", value: `${wanted.filter(holds).length} of ${wanted.length}` }, { label: "Read at", value: clock(state.utcNow()) }],
    ...(guide.next_thing ? [[{ label: "Next to buy or prove", value: together(guide.next_thing), wide: true }]] : [])], { now: state.now, dataMs: state.ageMs() });
};

function renderAll(guide, state) {
  const nowUs = state.utcNow();
  const doing = state.now?.commissioning ?? guide.doing;
  return html`<div class="sheet-head proofs-head"><div><p class="kicker">${guide.invented ? html`<span class="simulated">SIMULATED.</span> All proofs on this sheet are invented.` : ""}</p><h1 tabindex="-1">${guide.sentence}</h1><p class="lead">${together(guide.lead)}</p><p class="said">${together(guide.why)}</p></div>${nextKey(guide, state.me, doing)}</div>${
    guide.error ? html`<p class="said" role="status">${mark("stale", 16)} Not read anew: ${guide.error.message}</p>` : ""}${drawTable(guide, state.layout.width, nowUs)}<div class="two">${drawChanged(guide, state)}${drawBundle(state)}</div>${block(guide, state)}`;
}

export const sheet = {
  number: 6,
  name: "Proofs",
  enter(context) {
    styled("rooms");
    styled("proofs");
    const { root, signal, store } = context;
    store.hold("changed", {});
    prover.enter(context);
    root.addEventListener("submit", (event) => {
      event.preventDefault();
      if (event.target.dataset.form === "changed") change(context, event.target);
      else prover.submitted(context, event.target, event.submitter);
    }, { signal });
    root.addEventListener("change", ({ target }) => { if (target.id === "change") store.hold("changed", { id: target.value }); }, { signal });
    return follow(context);
  },
  acts: prover.acts(load),
  render(state) {
    const guide = state.held.proofs;
    if (guide?.error && !guide.steps) return unreadable("The proofs can’t be read.", `${guide.error.message} ${guide.error.advice} Nothing heats for want of this sheet.`);
    if (!guide) return loading("Reading the proofs.");
    return state.route.rest[0] ? prover.render(guide, state, block) : renderAll(guide, state);
  },
};
