/** Sheet 4, Record: every run there was, and one of them opened. */
import { html } from "../markup.js";
import { Refused } from "../link.js";
import { fromTo, levelWords, many, together, wait } from "../text.js";
import { titleBlock } from "../parts/titleblock.js";
import { trouble } from "../parts/trouble.js";
import { mark } from "../parts/marks.js";
import * as run from "./run.js";

const PAGE = 50;

async function load({ store, ask, signal }, before = null) {
  try {
    const answer = await ask(`/runs?limit=${PAGE}${before ? `&before=${encodeURIComponent(before)}` : ""}`, { signal });
    const known = before ? store.held.runs.list : [];
    store.hold("runs", { list: [...known, ...answer.runs], more: answer.runs.length === PAGE });
  } catch (error) {
    if (error instanceof Refused) store.hold("runs", { list: store.held.runs?.list ?? [], error: error.message });
  }
}

const OPEN = new Set(["running", "holding", "held", "restarting", "stopping", "aborting"]);

/** The word of a run's state: one that stopped being written in the middle is cut short, whatever it was in. */
export const stateWord = (row) => (!row.going && (row.cut || OPEN.has(row.state)) ? "cut short" : row.state);

/** How a run ended, in words; a run that goes on says so. */
export function endWords(row) {
  if (row.going) return row.state === "running" ? "is on" : `is on, ${row.state}`;
  if (row.cut || OPEN.has(row.state)) return row.end ? `cut short: ${row.end}` : "cut short: the controller ended in it"; // nobody was left to write its end
  return row.end ? `${row.state}: ${row.end}` : row.state;
}

function drawRow(row) {
  const bad = row.state === "aborted" || stateWord(row) === "cut short";
  return html`<tr data-key="run-${row.id}"><th scope="row"><a href="#/record/${row.id}">Run ${row.id}</a>, ${row.name}</th><td>${fromTo(row.started_utc_us, row.ended_utc_us)}</td><td class="num">${
    row.ended_utc_us ? wait(row.ended_utc_us - row.started_utc_us) : ""}</td><td>${bad ? mark("trip", 14) : ""}${together(endWords(row))}</td><td>${levelWords(row.level)}</td><td>${row.simulated ? "SIMULATED" : ""}</td></tr>`;
}

function drawList(state) {
  const held = state.held.runs;
  if (!held) return html`<p class="loading-line">Reading the record.</p>`;
  if (held.error && !held.list.length) return trouble("The record can’t be read.", `${held.error} Live values and Stop heating do not need it.`);
  if (!held.list.length) return html`<svg width="300" height="90" viewBox="0 0 300 90" aria-hidden="true"><path class="ghost" d="M20 4V80H290"/><path class="ghost" d="M30 74L90 20H200L270 64"/></svg><p><b>No run yet.</b> <a href="#/schedules">Choose a schedule and start the first</a></p>`;
  return html`<table class="rows"><thead><tr><th scope="col">Run</th><th scope="col">When</th><th scope="col" class="num">Took</th><th scope="col">How it ended</th><th scope="col">Watched</th><th
    scope="col"><span class="unseen">Data</span></th></tr></thead><tbody>${held.list.map(drawRow)}</tbody></table>${held.more ? html`<button type="button" class="key" data-do="older">Older runs</button>` : ""}`;
}

/** What may be said of the record as a whole: nothing good while it fails. */
const kept = (now) => (now?.record?.failing ? `The record fails now: ${now.record.failing}.` : "Each run keeps its readings, and who did what.");

export const sheet = {
  number: 4,
  name: "Record",
  enter(context) {
    const [id] = context.store.route.rest;
    if (id) return run.enter(context, id);
    const again = setInterval(() => load(context), 15000); // the record lags by as much
    context.signal.addEventListener("abort", () => clearInterval(again), { once: true });
    return load(context);
  },
  after(context) {
    if (context.store.route.rest[0]) run.after(context);
  },
  acts: { ...run.acts, older: (context) => load(context, context.store.held.runs.list.at(-1).id) },
  render(state) {
    if (state.route.rest[0]) return run.render(state);
    const list = state.held.runs?.list ?? [];
    const ended = list.filter((row) => !row.going);
    const bad = ended.filter((row) => row.state === "aborted" || stateWord(row) === "cut short").length;
    return html`<div class="sheet-head"><h1 tabindex="-1">${list.length ? `${many(list.length, "run")} in the record.` : "Record."}</h1><p class="lead">${
      list.length ? (bad ? `${many(bad, "run")} ended with the heat cut off; each says why.` : "None was cut off.") : ""} ${kept(state.now)}</p></div>${drawList(state)}
      ${titleBlock([[{ label: "Sheet", value: "Record", wide: true }, { label: "Runs shown", value: list.length }]], { now: state.now, dataMs: state.ageMs() })}`;
  },
};
