/** A ruler that fills: how far something has come, in words, with the time left and its clock. Pure. */
import { html, px } from "../markup.js";
import { clock, clockSeconds, wait } from "../text.js";

const TENTHS = Array.from({ length: 11 }, (_, index) => index * 10);

/** `share` 0..1, or null where nobody knows; then the ruler is dashed and only the words count. */
export function drawFilling({ head, words, share, left = "" }) {
  const known = Number.isFinite(share);
  const percent = known ? Math.round(Math.min(1, Math.max(0, share)) * 100) : null;
  return html`<div class="filling"><p><b>${head}</b> ${words}</p><div role="progressbar" aria-label="${head}" aria-valuemin="0" aria-valuemax="100" ${known ? html`aria-valuenow="${percent}"` : ""}><svg width="100%" height="20" aria-hidden="true">${TENTHS.map((at) => html`<line class="w thin" x1="${at}%" x2="${at}%" y1="${at % 50 ? 7 : 4}" y2="14"/>`)}<line
    class="w ${known ? "thin" : "unknown"}" x1="0" x2="100%" y1="14" y2="14"/>${known ? html`<line class="w amp" x1="0" x2="${px(percent)}%" y1="14" y2="14"/>` : ""}</svg></div>${left ? html`<p class="caption">${left}</p>` : ""}</div>`;
}

/** Less than this is no time that anybody could use: nothing is counted down to nought. */
const SOON_US = 500e3;

/** "41 s left, until 14:03:20": a countdown always with its clock. */
export function leftWords(leftUs, nowUs) {
  if (leftUs === null || leftUs === undefined || leftUs < SOON_US) return "";
  return `${wait(leftUs)} left, until ${leftUs < 600e6 ? clockSeconds(nowUs + leftUs) : clock(nowUs + leftUs)}`;
}

/** The start proof of a run as a ruler shows it, or null. */
export function startProof(now) {
  const proof = now?.run?.proof;
  if (!proof) return null;
  return { head: `Start proof, step ${proof.step} of ${proof.of}.`, words: proof.words, share: proof.share, left: leftWords(proof.left_us, now.utc_us) };
}
