/** What is watched during a step: contacts of one line that close as things are seen; what only a person knows is asked. Pure. */
import { html } from "../markup.js";
import { together } from "../text.js";
import { contact } from "../sheets/before_leaving.js";
import { mark } from "./marks.js";

const ask = (row, mine) => (mine ? html`<span class="keys"><button type="button" class="key must" data-do="prove-yes" data-value="${row.id}">Yes<span class="unseen">: ${row.words}</span></button><button type="button" class="key" data-do="prove-no" data-value="${row.id}">No<span class="unseen">: ${row.words}</span></button></span>`
  : html`<span class="todo">${mark("todo", 20)}asks</span>`);
const SAYS = {
  seen: () => html`<span class="says-seen">seen</span>`,
  waiting: () => html`<span class="says-waiting">waiting</span>`,
  failed: () => html`<span class="says-failed">${mark("trip", 16)}failed</span>`,
  asks: ask,
};

function drawRow(row, fed, mine) {
  const closed = row.state === "seen";
  return html`<li class="contact-row ${fed && closed ? "live" : ""}" data-key="watch-${row.id}"><div class="fixed">${contact({ closed, fed, live: fed && closed })}<span class="row-words"><b>${together(row.words)}</b></span>${SAYS[row.state]?.(row, mine) ?? row.state}</div></li>`;
}

/** `mine`: whether the one who looks may answer. */
export function drawWatched(list, mine) {
  const open = list.findIndex((row) => row.state !== "seen");
  return html`<ul class="line watched">${list.map((row, index) => drawRow(row, open < 0 || index <= open, mine))}</ul>`;
}
