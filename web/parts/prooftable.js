/** All proofs as one table: found, done, its line on the ruler of dates, valid until; two lines a row on a phone. Pure. */
import { html } from "../markup.js";
import { capital, together, wait } from "../text.js";
import { PARTS, comparable, date, monthRuler, partWords, standing } from "../proving.js";
import { drawBar, drawBob, drawMonths, drawThrough } from "./proofruler.js";
import { mark } from "./marks.js";

/** From this width on, px, there is room for the ruler; from the next on for every second month's name. */
const [RULED, ROOMY] = [930, 1100];

const found = (step) => together(step.found);
const minutes = (step) => (step.found || step.state !== "to_do" ? "" : html` <span class="caption">about ${wait(step.minutes * 60e6)}</span>`);
const when = (step, nowUs) => (step.state === "not_for_this_chamber" ? "" : step.done_utc_us ? date(step.done_utc_us, nowUs) : "never");

function drawRow(step, ruler, nowUs) {
  const it = standing(step, nowUs);
  return html`<tr class="proof ${it.tone}" data-key="proof-${step.id}"><th scope="row"><span class="named">${it.mark ? mark(it.mark, 18) : ""}<a href="#/proofs/${step.id}">${step.title}</a>${minutes(step)}</span></th><td class="layer">${step.layer}</td><td class="found">${found(step)}</td><td class="when">${when(step, nowUs)}</td>${
    ruler ? html`<td class="bar">${drawBar(step, ruler)}</td>` : ""}<td class="num until">${it.words}</td></tr>`;
}

/** Rows under their parts, `width` px wide: the ruler only where there is room, and dates to compare. */
export function drawTable({ parts, steps }, width, nowUs) {
  const ruler = width >= RULED && comparable(steps) ? monthRuler(steps, nowUs, width < ROOMY ? 5 : 9) : null;
  const through = ruler ? html`<td class="bar">${drawThrough(ruler)}</td>` : "";
  return html`<table class="proofs ${ruler ? "ruled" : ""}"><thead><tr><th scope="col">proof</th><th scope="col" class="layer">layer</th><th scope="col" class="found">found</th><th scope="col" class="when">done</th>${ruler ? html`<td class="bar">${drawMonths(ruler)}</td>` : ""}<th scope="col" class="num until">valid until</th></tr></thead>${parts.map((part) =>
    html`<tbody data-key="part-${part.part}"><tr class="part"><th scope="rowgroup" colspan="4">${PARTS[part.part] ?? capital(part.part)}</th>${through}<td class="num until">${partWords(part)}</td></tr>${steps.filter((step) => step.part === part.part).map((step) => drawRow(step, ruler, nowUs))}</tbody>`)}${
    ruler ? html`<tfoot><tr><td colspan="4"></td><td class="bar">${drawBob(ruler, `today, ${date(nowUs, nowUs)}`)}</td><td></td></tr></tfoot>` : ""}</table>`;
}
