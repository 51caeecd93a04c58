/**
 * The survey: a small plan of the empty chamber with its places, and what was found there as dimensions. Pure.
 *
 * The chamber is drawn aslant, its front and its back; a place stands where its name says: lower or upper, front or back, left
 * or right, else in the middle.
 */
import { html, px } from "../markup.js";
import { degrees, difference, plusMinus, signed, warm, warmShort } from "../text.js";
import { holds } from "../proving.js";

const SIZE = { width: 250, height: 198 };
const FRONT = { x: 14, y: 58, width: 168, height: 118 };
const BACK = { dx: 54, dy: -44 };
const INSET = 0.16;

/** Where a place lies in the drawing, by the words of its id, such as "lower_front_left". */
export function placeOf(spot) {
  const named = new Set(spot.split("_"));
  const has = (word) => named.has(word);
  const depth = has("back") ? 1 - INSET : has("front") ? INSET : 0.5;
  const across = has("left") ? INSET : has("right") ? 1 - INSET : 0.5;
  const up = has("lower") ? 1 - INSET : has("upper") ? INSET : 0.5;
  return { x: FRONT.x + across * FRONT.width + depth * BACK.dx, y: FRONT.y + up * FRONT.height + depth * BACK.dy };
}

const box = html`<path class="w thin" d="M${FRONT.x + BACK.dx} ${FRONT.y + BACK.dy}V${FRONT.y + FRONT.height + BACK.dy}H${FRONT.x + FRONT.width + BACK.dx}M${FRONT.x} ${FRONT.y + FRONT.height}l${BACK.dx} ${BACK.dy}" stroke-dasharray="5 4"/><path class="w" d="M${FRONT.x} ${FRONT.y}h${FRONT.width}v${FRONT.height}h${-FRONT.width}zM${FRONT.x} ${
  FRONT.y}l${BACK.dx} ${BACK.dy}h${FRONT.width}v${FRONT.height}l${-BACK.dx} ${-BACK.dy}M${FRONT.x + FRONT.width} ${FRONT.y}l${BACK.dx} ${BACK.dy}"/>`;

/** The plan with numbered balloons: solid where it is done, a must ring where it is chosen, hollow where it waits. */
export function drawSpots(spots, each, chosen) {
  return html`<svg class="spots" width="${SIZE.width}" height="${SIZE.height}" viewBox="0 0 ${SIZE.width} ${SIZE.height}" role="img" aria-label="Plan of the empty chamber with ${spots.length} places">${box}${spots.map((spot, index) => {
    const { x, y } = placeOf(spot.id);
    const done = each.some((one) => one.spot === spot.id && holds(one));
    return html`<circle class="${done ? "spot" : "balloon"}" cx="${px(x)}" cy="${px(y)}" r="10.5"/>${spot.id === chosen ? html`<circle class="chosen" cx="${px(x)}" cy="${px(y)}" r="14.5"/>` : ""}<text class="small mid middle ${done ? "on-spot" : ""}" x="${px(x)}" y="${px(y + 4.6)}">${index + 1}</text>`;
  })}<text class="small mute" x="${FRONT.x}" y="${SIZE.height - 2}">door side</text></svg>`;
}

const ROW = 30;

/** Every place's least, mean and most on one ruler, the set point as a plumb line, the spread as a dimension. */
export function drawSurvey(survey, spots, unit, width) {
  const low = Math.min(survey.set_mc, ...survey.spots.map((one) => one.least_mc));
  const high = Math.max(survey.set_mc, ...survey.spots.map((one) => one.most_mc));
  const [left, right] = [30, width - 74];
  const x = (mc) => left + ((mc - low) / (high - low || 1)) * (right - left);
  const bottom = 22 + survey.spots.length * ROW;
  const means = survey.spots.map((one) => one.mean_mc);
  const [least, most] = [Math.min(...means), Math.max(...means)];
  const number = (spot) => spots.findIndex((one) => one.id === spot) + 1;
  return html`<svg class="survey" width="${width}" height="${bottom + 44}" viewBox="0 0 ${width} ${bottom + 44}" role="img" aria-label="Places of the survey on one ruler, set ${warmShort(survey.set_mc, unit)}"><text class="small middle" x="${px(x(survey.set_mc))}" y="10">set ${warmShort(survey.set_mc, unit)}</text><path class="plumb" d="M${px(x(survey.set_mc))} 15V${bottom}"/>${survey.spots.map((one, index) => {
    const y = 22 + index * ROW + ROW / 2;
    return html`<circle class="balloon" cx="13" cy="${y}" r="10.5"/><text class="small mid middle" x="13" y="${y + 4.6}">${number(one.spot)}</text><path class="w thin" d="M${px(x(one.least_mc))} ${y}H${px(x(one.most_mc))}M${px(x(one.least_mc))} ${y - 4}v8M${px(x(one.most_mc))} ${y - 4}v8"/><circle class="spot" cx="${px(x(one.mean_mc))}" cy="${y}" r="4"/><text
      class="small end" x="${width}" y="${y + 4.6}">${warm(one.mean_mc, unit)}</text>`;
  })}<path class="dim-thin" d="M${px(x(least))} ${bottom - 4}V${bottom + 22}M${px(x(most))} ${bottom - 4}V${bottom + 22}"/><path class="dim" d="M${px(x(least))} ${bottom + 16}H${px(x(most))}M${px(x(least) - 4)} ${bottom + 20}l8 -8M${px(x(most) - 4)} ${bottom + 20}l8 -8"/><text class="small mid middle" x="${px((x(least) + x(most)) / 2)}" y="${bottom + 36}">${difference(most - least, unit)}\u00a0${degrees(unit)} from place to place</text></svg>`;
}

/** The result in words, and as a table that a screen reader reads: the drawing says the same. */
export function surveyWords(survey, spots, unit) {
  const named = (id) => spots.find((one) => one.id === id)?.words ?? id;
  return html`<p>Uniformity <b>${plusMinus(survey.uniformity_mc, unit)}</b>, stability <b>${plusMinus(survey.stability_mc, unit)}</b>, expanded uncertainty <b>${plusMinus(survey.expanded_mc, unit)}</b>, at ${warmShort(survey.set_mc, unit)}.</p><table class="fold"><thead><tr><th scope="col">Place</th><th scope="col" class="num">Mean</th><th scope="col" class="num">From set</th><th scope="col" class="num">Least to most</th></tr></thead><tbody>${survey.spots.map((one) =>
    html`<tr><th scope="row">${spots.findIndex((spot) => spot.id === one.spot) + 1}. ${named(one.spot)}</th><td class="num value" data-label="mean">${warm(one.mean_mc, unit)}</td><td class="num" data-label="from set">${signed(one.mean_mc - survey.set_mc, unit)}</td><td class="num" data-label="least to most">${warm(one.least_mc, unit)} to ${warm(one.most_mc, unit)}</td></tr>`)}</tbody></table>`;
}
