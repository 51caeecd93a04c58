/** Notes on a run: what people wrote, when; one's own can be taken away. A part of a run's sheet. */
import { html } from "../markup.js";
import { Refused } from "../link.js";
import { capital, clock, day } from "../text.js";
import { whoWords } from "../parts/events.js";
import { may, refusedWords, send } from "../parts/forms.js";

const LONGEST = 2000;
const path = (id) => `/runs/${encodeURIComponent(id)}/notes`;

export async function load({ store, ask, signal }, id) {
  try {
    const { notes } = await ask(path(id), { signal });
    store.hold("notes", { id, list: notes });
  } catch (error) {
    if (error instanceof Refused) store.hold("notes", { id, error: error.message });
  }
}

/** A form was sent. */
export async function add(context, form) {
  const { id } = context.store.held.notes;
  const text = form.elements.text.value.trim();
  if (!text || !(await send(context, "note", path(id), { body: { text } }))) return;
  form.reset();
  await load(context, id);
}

export const acts = {
  "drop-note": async (context, key) => {
    const { id } = context.store.held.notes;
    if (await send(context, "note", `${path(id)}/${key.dataset.value}`, { method: "DELETE", body: {} })) await load(context, id);
  },
};

/** One's own can be taken away; a maintainer may take away anybody's. The api says which. */
export const isOwn = (note, me) => note.yours ?? (Boolean(me?.name) && note.by === me.name);

export function draw(state) {
  const { notes, note } = state.held;
  if (!notes) return "";
  const list = notes.list ?? [];
  return html`<section class="notes"><h2>Notes</h2>${notes.error ? html`<p class="said">The notes can’t be read. ${notes.error}</p>` : ""}${list.length ? html`<ul class="list">${list.map((one) => html`<li data-key="note-${one.id}"><p class="kept">${one.text}</p><p class="said">${capital(whoWords(one.by))}, ${day(one.utc_us)} ${clock(one.utc_us)} ${
    isOwn(one, state.me) ? html`<button type="button" class="plain" data-do="drop-note" data-value="${one.id}">Take it away<span class="unseen"> ${one.text.slice(0, 40)}</span></button>` : ""}</p></li>`)}</ul>` : notes.error ? "" : html`<p class="said">None yet.</p>`}${state.me && !may(state.me, "write_notes") ? html`<p class="said">Operators write notes.</p>` : html`<form
    data-form="note"><label for="note-text">Add a note</label><textarea id="note-text" name="text" rows="2" maxlength="${LONGEST}"></textarea>${refusedWords(note)}<button type="submit" class="key" ${note?.sending ? html`disabled` : ""}>Keep it</button></form>`}</section>`;
}
