/** What proofs mean for a run that is on: nothing any more. Pure. */
import { html } from "../markup.js";
import { ACTIVE } from "../heat.js";

/** `step`: the page of this step, whose own run says enough. */
export function keepsWords(now, step = "") {
  const run = now?.run;
  if (!run || !(ACTIVE.has(run.state) || run.state === "aborting") || (step && run.trial === step)) return "";
  return html`<p class="said">Run ${run.id} is on. It keeps what it began with; what is proven or changed here counts from the next start.</p>`;
}
