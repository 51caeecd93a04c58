/** Sheet 3, Schedules: the list, and which of its views is open: edit, start, import. */
import { html } from "../markup.js";
import { Refused, linkTo } from "../link.js";
import { ROOM_MC, clock, day, many, wait, warmShort } from "../text.js";
import { titleBlock } from "../parts/titleblock.js";
import { drawShape } from "../parts/preview.js";
import { mark } from "../parts/marks.js";
import { may, notYours } from "../parts/rights.js";
import { trouble } from "../parts/trouble.js";
import * as editor from "./schedule_edit.js";
import * as starter from "./schedule_start.js";

/** Read the list anew; a failure stands on the sheet, with what still works. */
export async function loadList({ store, ask, signal }) {
  try {
    const { schedules, set_aside: aside = [] } = await ask("/schedules", { signal });
    store.hold("schedules", { list: schedules, aside });
  } catch (error) {
    if (error instanceof Refused) store.hold("schedules", { error: error.message });
  }
}

function drawList(state) {
  const held = state.held.schedules;
  if (!held) return html`<p class="loading-line">Reading the schedules.</p>`;
  if (held.error) return trouble("The schedules can’t be read.", `${held.error} A run that is on goes on without them.`);
  if (!held.list.length) return html`<p><b>No schedule yet.</b> <a href="#/schedules/new">Make the first one</a></p>`;
  return html`<table class="rows schedules"><thead><tr><th scope="col">Schedule</th><th scope="col">Shape</th><th scope="col" class="num">Hottest</th><th
    scope="col" class="num">At least</th><th scope="col">Changed</th><th scope="col"><span class="unseen">Keys</span></th></tr></thead><tbody>${held.list.map((row) => html`<tr data-key="schedule-${row.id}"><th
    scope="row"><a href="#/schedules/${row.id}">${row.schedule.name}</a>${row.schedule.note ? html`<span class="note">${row.schedule.note}</span>` : ""}</th><td class="shape">${drawShape(row.schedule.segments)}</td><td class="num">${
    warmShort(row.hottest_mc, state.unit)}</td><td class="num">${wait(row.shortest_us)} <span class="caption">from ${warmShort(ROOM_MC, state.unit)}</span></td><td><span>rev ${row.revision}</span>, ${day(row.changed_utc_us)}</td><td class="keys">${may(state.me, "start") ? html`<a
    class="key" href="#/schedules/${row.id}/start">Start…</a>` : notYours("Start", "start")}</td></tr>`)}</tbody></table>`;
}

function drawImport(state) {
  const held = state.held.imported;
  return html`<details class="import"><summary>Bring in a schedule from its text file</summary><form data-form="import"><label for="import-file">Text file</label><input
    id="import-file" name="file" type="file" accept=".txt,.json,text/plain,application/json"><label for="import-text">or its text</label><textarea id="import-text" name="text"
    rows="7" spellcheck="false" aria-describedby="import-trouble"></textarea><button type="submit" class="key">Bring it in</button></form><div id="import-trouble" role="status">${
    held?.mistakes?.length ? html`<p>${mark("faulted", 16)} <b>${many(held.mistakes.length, "mistake")}.</b> Nothing was stored.</p><ul class="mistakes">${held.mistakes.map((one) =>
      html`<li><b>${one.field}</b> is ${one.value}; allowed is ${one.allowed}. ${one.advice}</li>`)}</ul>` : held?.error ? html`<p>${mark("faulted", 16)} ${held.error}</p>` : ""}</div></details>`;
}

async function bringIn(context, form) {
  const { store, ask, go } = context;
  const file = form.elements.file.files[0];
  const text = file ? await file.text() : form.elements.text.value;
  try {
    const made = await ask("/schedules/import", { body: { text } });
    store.hold("imported", null);
    await loadList(context);
    go(`#/schedules/${made.id}`);
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    store.hold("imported", { error: error.message, mistakes: error.mistakes });
  }
}

const view = (state) => {
  const [id, part] = state.route.rest;
  return !id ? "list" : part === "start" ? "start" : "edit";
};

export const sheet = {
  number: 3,
  name: "Schedules",
  enter(context) {
    const { store, signal, root } = context;
    const [id] = store.route.rest;
    loadList(context);
    if (view(store) === "edit") editor.enter(context, id);
    if (view(store) === "start") starter.enter(context, Number(id));
    root.addEventListener("submit", (event) => {
      event.preventDefault();
      if (event.target.dataset.form === "import") bringIn(context, event.target);
      if (event.target.dataset.form === "schedule") editor.save(context);
      if (event.target.dataset.form === "start") starter.start(context, event.target);
    }, { signal });
    window.addEventListener("beforeunload", (event) => {
      if (editor.anyUnsaved(store)) event.preventDefault();
    }, { signal });
    root.addEventListener("input", (event) => {
      if (event.target.closest("[data-form=schedule]")) editor.typed(context, event.target);
    }, { signal });
  },
  acts: { ...editor.acts, ...starter.acts },
  render(state) {
    if (view(state) === "edit") return editor.render(state);
    if (view(state) === "start") return starter.render(state);
    const count = state.held.schedules?.list?.length;
    const hottest = Math.max(0, ...(state.held.schedules?.list ?? []).map((row) => row.hottest_mc));
    return html`<div class="sheet-head"><h1 tabindex="-1">${count === undefined ? "Schedules." : `${many(count, "schedule")} to choose from.`}</h1><p class="lead">${
      count ? `The hottest goes to ${warmShort(hottest, state.unit)}. A schedule’s temperature means the part or the air, as it says; its clock counts only time in band.` : ""}</p></div>
      ${state.held.schedules?.aside?.length ? html`<p>${mark("alarm", 16)} <b>Schedules of before are not in this list.</b> Their file could not be read and was kept in the data folder as ${state.held.schedules.aside.join(", ")}. Bring them in again from text files, or mend that file; take it away to end this word.</p>` : ""}${drawList(state)}${may(state.me, "edit_schedules") ? html`<div class="under"><a class="key" href="#/schedules/new">Make a new schedule</a></div>${drawImport(state)}` : html`<p class="under">${notYours("Making and changing schedules", "edit_schedules")}</p>`}
      ${titleBlock([[{ label: "Sheet", value: "Schedules", wide: true }, { label: "Stored", value: count ?? "not known" }, { label: "Read at", value: clock(state.utcNow()) }]], { now: state.now, dataMs: state.ageMs() })}`;
  },
};

export const textLink = (id) => linkTo(`/schedules/${id}/text`);
