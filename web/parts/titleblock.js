/** The title block every sheet ends in: what, which revision, age of the data. Keys may stand in it. Pure. */
import { html } from "../markup.js";
import { oldWords, simulatedWords } from "../text.js";

/** Which chamber it is, and SIMULATED, on every sheet: a printed one has no other head. */
export const chamberWords = (now) => [now?.chamber?.name, simulatedWords(now)].filter(Boolean).join(", ");

/** Cells are {label, value, wide}; keys are {word, act, value}. Rows of cells, then of keys. */
export function titleBlock(rows, { now, dataMs, keys = [], data = true } = {}) {
  const chamber = chamberWords(now);
  const all = rows.map((cells, index) => (index === 0 && data ? [...cells, { label: "Data", value: dataMs === null ? "none yet" : oldWords(dataMs, now) }] : cells).filter(Boolean));
  if (chamber && !all.flat().some((cell) => [cell.label, cell.value].includes(chamber))) all.push([{ label: "Chamber", value: chamber, wide: true }]);
  return html`<section class="titleblock" aria-label="Title block">${all.map((cells, index) => html`<div class="cells">${cells.map((cell) =>
    html`<div class="cell ${cell.wide ? "wide" : ""}"><span class="caption">${cell.label}</span> <span class="what">${cell.value}</span></div>`)}${
    index === all.length - 1 && keys.length ? html`<div class="keys">${keys.map((key) => html`<button type="button" class="key" data-do="${key.act}"
      data-value="${key.value ?? ""}">${key.word}</button>`)}</div>` : ""}</div>`)}<p class="printed" data-printed></p></section>`;
}
