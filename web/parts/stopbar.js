/** The bar at the foot of every sheet: one key, three stations. Pure. */
import { html } from "../markup.js";
import { stopIcon } from "./marks.js";
import { gravest, heatOff } from "../heat.js";
import { untold } from "../stop.js";

/** " at the latest, by Anna": who it was has no room on a phone; that it may have been earlier has, and that nobody pressed. */
function drawMore(words) {
  if (words.startsWith(", by the trip")) return words;
  const [when, ...who] = words.split(", ");
  return html`${when}<span class="more">, ${who.join(", ")}</span>`;
}

/** Three stations on a line. */
export function drawStations(three) {
  return html`<ol class="stations" aria-label="Steps of stopping">${three.map((one, index) => {
    const shape = one.unconfirmed
      ? html`<path class="m-diamond" d="M9 0.5L17.5 9 9 17.5 0.5 9z"/>`
      : html`<circle class="station ${one.solid ? "solid" : ""}" cx="9" cy="9" r="6.2"/>`;
    return html`<li class="${index ? "" : "first"} ${one.unconfirmed ? "bad" : ""} ${one.plain ? "advice" : ""}"><svg width="18" height="18"
      viewBox="0 0 18 18" aria-hidden="true">${shape}</svg><span>${one.word}${one.time ? html` <b>${one.time}${one.more ? drawMore(one.more) : ""}</b>` : ""}</span></li>`;
  })}</ol>`;
}

/** What stands beside the stations. */
export function besides(now, stale, press) {
  if (cutOff(now, press)) return `The board is not heard${now?.board?.accepted ? ": whether it was told is not known" : ", so nothing can be told"}. In doubt, unplug the chamber.`;
  if (press.askedMs !== null && !press.accepted) return "Sent again until it is accepted.";
  if (stale) return "Sent apart from this page’s stream.";
  if (!now) return "Works before the first reading too.";
  if (now.still_on) return /^get out/u.test(gravest(now)?.urgency ?? "") ? "The heat is still on. Get out first." : "The heat is still on: cut the power.";
  if (!now.board?.present) return "The board is not heard. The button still works.";
  if (heatOff(now)) return now.latches?.length ? "Off already. The button still works." : "Heat is off. The button works all the same.";
  if (now.permit.given) return `One press. No question asked.${now.record?.failing ? "" : " The record is kept."}`;
  return "Not seen off. The button still works.";
}

/** A stop that nobody is known to carry out; where people have to get out, that is said first. */
const cutOff = (now, press) => untold(press, now) && !now?.still_on && !/^get out/u.test(gravest({ latches: [], ...now })?.urgency ?? "");

/**
 * Beside the stations: words, and where they are needed the way out, a plain form that works without stream and scripting.
 * It opens beside this page, which goes on sending.
 */
export function drawBesides({ now, stale, press, out, at, wayOut }) {
  const plain = html`<form method="post" action="/stop" target="_blank" class="wayout"><input type="hidden" name="at" value="${at}"><button class="plain">Stop on the plain page</button></form>`;
  if (out) return html`<span class="always">Signed out, this button is not accepted. A stop key needs no sign-in, nor does the chamber’s own computer where no proxy stands before the service. <a href="/stop">Stop heating there</a></span>`;
  if (cutOff(now, press)) return html`<span class="always bad">${besides(now, stale, press)}</span>`;
  return wayOut ? html`<span class="always">${besides(now, stale, press)} ${plain}</span>` : html`${besides(now, stale, press)}`;
}

/** The bar's inside; the key itself stands in the page's text and is never redrawn. */
export const stopKey = html`${stopIcon}<span>Stop heating</span>`;
