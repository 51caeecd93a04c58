/**
 * The ruler of dates beside the proofs: months above, one line a proof from its day to its end, a plumb line at today.
 * Drawn row by row in per cent of the column, so that a row may be as high as its words. Pure.
 */
import { html, px } from "../markup.js";
import { bar } from "../proving.js";

const at = (share) => `${px(share * 100)}%`;
const grid = (ruler) => html`${ruler.months.map((month) => html`<line class="w hair" x1="${at(month.at)}" x2="${at(month.at)}" y1="0" y2="100%"/>`)}<line class="plumb" x1="${at(ruler.today)}" x2="${at(ruler.today)}" y1="0" y2="100%"/>`;
const cell = (inside) => html`<svg class="dates" width="100%" height="100%" aria-hidden="true">${inside}</svg>`;

/** Names of months over their lines. */
export const drawMonths = (ruler) => html`<svg class="months" width="100%" height="18" aria-hidden="true">${ruler.months.map((month) => html`<text class="cap middle" x="${at(month.at)}" y="13">${month.words}</text>`)}</svg>`;

/** A row without a proof of its own: the lines go through. */
export const drawThrough = (ruler) => cell(grid(ruler));

const tick = (share, kind = "") => html`<svg x="${at(share)}" y="50%" overflow="visible"><path class="w ${kind}" d="M0 -6V6"/></svg>`;
const LINES = { holds: "volt", ended: "dots", void: "unknown" };

/** One proof's line. */
export function drawBar(step, ruler) {
  const one = bar(step, ruler);
  if (!one) return drawThrough(ruler);
  const line = one.to === null ? "" : html`<line class="w ${LINES[one.kind]}" x1="${at(one.from)}" x2="${at(one.to)}" y1="50%" y2="50%"/>${one.kind === "void" ? "" : tick(one.to)}`;
  const start = one.kind === "failed" ? html`<svg x="${at(one.from)}" y="50%" overflow="visible"><path class="m-trip" d="M-2.6 -6.5h5.2l3.9 3.9v5.2l-3.9 3.9h-5.2l-3.9-3.9v-5.2z"/></svg>` : one.kind === "holds" ? html`<circle class="spot" cx="${at(one.from)}" cy="50%" r="4"/>` : "";
  return cell(html`${grid(ruler)}${line}${start}`);
}

/** Where the plumb line ends: a bob, and which day it is. */
export const drawBob = (ruler, words) => html`<svg class="bobs" width="100%" height="34" aria-hidden="true"><line class="plumb" x1="${at(ruler.today)}" x2="${at(ruler.today)}" y1="0" y2="8"/><svg x="${at(ruler.today)}" overflow="visible"><path class="bob" d="M-5 5H5L0 14z"/><text class="small strong ${
  ruler.today < 0.14 ? "" : ruler.today > 0.86 ? "end" : "middle"}" x="${ruler.today < 0.14 ? -6 : ruler.today > 0.86 ? 6 : 0}" y="29">${words}</text></svg></svg>`;
