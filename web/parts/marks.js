/** The six marks, 20 x 20, told apart by shape alone, and the open contact on the stop key. Pure. */
import { html } from "../markup.js";

const SHAPES = {
  trip: html`<path class="m-trip" d="M6.2 0.5h7.6l5.7 5.7v7.6l-5.7 5.7h-7.6l-5.7-5.7v-7.6z"/>
    <path class="m-trip-line" d="M3.5 12.6h4l5.4-5.2M13.4 12.6h3.2"/>`,
  alarm: html`<path class="m-warn" d="M10 1.5L19 18H1z"/><path class="m-warn-line" d="M10 7.2v5M10 14.2v1.9"/>`,
  todo: html`<circle class="m-must" cx="10" cy="10" r="9.5"/><path class="m-must-line" d="M10 4.8v6.4M10 13.4v2"/>`,
  faulted: html`<path class="m-warn" d="M10 0.8L19.2 10 10 19.2 0.8 10z"/><path class="m-warn-line" d="M6.8 6.8l6.4 6.4M13.2 6.8l-6.4 6.4"/>`,
  stale: html`<path class="m-stale" d="M10 1L19 10 10 19 1 10z"/><path class="m-stale-line" d="M10 5.6V10l3.2 1.6"/>`,
  notallowed: html`<circle class="m-not" cx="10" cy="10" r="8.8"/><path class="m-not" d="M3.8 3.8l12.4 12.4"/>`,
  unconfirmed: html`<path class="m-diamond" d="M10 1L19 10 10 19 1 10z"/>`,
};

/** One mark as an image of its own. The word stands beside it, so it is silent to a screen reader. */
export const mark = (kind, size = 20) =>
  html`<svg class="mark" width="${size}" height="${size}" viewBox="0 0 20 20" aria-hidden="true">${SHAPES[kind]}</svg>`;

/** A mark inside another drawing, its centre at x, y. */
export const markAt = (kind, x, y, size = 18) =>
  html`<g transform="translate(${x - size / 2} ${y - size / 2}) scale(${size / 20})">${SHAPES[kind]}</g>`;

/** The disc with a step's number. */
export const numbered = (number) =>
  html`<svg class="mark" width="20" height="20" viewBox="0 0 20 20" aria-hidden="true"><circle class="m-must" cx="10"
    cy="10" r="10"/><text class="m-must-text" x="10" y="14.6">${number}</text></svg>`;

/** What pressing "Stop heating" does: it opens the circuit. */
export const stopIcon = html`<svg class="stop-icon" width="42" height="20" viewBox="0 0 42 20" aria-hidden="true"
  fill="none" stroke="currentColor" stroke-width="2.2"><path d="M1 14h9M10 14L29 2.5M32 14h9M32 9v10"/><circle cx="10"
  cy="14" r="2.6" fill="currentColor" stroke="none"/></svg>`;

export const MARKS = Object.keys(SHAPES);
