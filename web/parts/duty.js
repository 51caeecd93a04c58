/**
 * What a stored run was asked for, beside what it did: the set point as a thin chain line in the plan, and the duty as a low
 * strip under it, with a ruler of its own from 0 to 100 %. Pure.
 */
import { html, px } from "../markup.js";
import { percent, temperature, warm } from "../text.js";
import { linear, path } from "./scales.js";

const FULL_E4 = 10000;

/** Spans of a curve between two stamps, as [us, least, most] of one column; null where a gap or nothing known breaks it. */
export function spansOf(curve, name, fromUs, toUs) {
  const column = curve.columns[name];
  if (!column) return [];
  const found = [];
  curve.utc_us.forEach((us, index) => {
    if (us < fromUs || us > toUs) return;
    const broken = index && curve.gaps.some(([from]) => from >= curve.utc_us[index - 1] && from < us);
    if (broken) found.push(null);
    found.push(column.min[index] === null ? null : [us, column.min[index], column.max[index]]);
  });
  return found;
}

/** A line through the spans: least to most where they differ by more than a pixel. */
const lineOf = (spans, x, y) => path(spans.flatMap((span) => (span === null ? [null]
  : Math.abs(y(span[1]) - y(span[2])) > 1 ? [[x(span[0]), y(span[1])], [x(span[0]), y(span[2])]] : [[x(span[0]), y(span[2])]])));

/** The set point over the band, named on the line where it leaves most room: two thirds up the first stretch. */
export function drawSetPoint(curve, made, at) {
  const spans = spansOf(curve, "setpoint_mc", made.fromUs, made.toUs);
  const place = setPointName(spans, made, at);
  return place ? html`<path class="setpoint" d="${lineOf(spans, at.x, at.y)}"/><path class="leader" d="${place.leader}"/><text class="small paper" x="${px(place.x)}" y="${px(place.y)}">set point</text>` : "";
}

/** Where the line's name stands, as a box too, for whatever else has to find room; null where there is no line. */
function setPointName(spans, made, { x, y, top, bottom, width, left, phone }) {
  const known = spans.filter(Boolean);
  if (!known.length) return null;
  const ramp = made.spans[0] ?? { fromUs: made.fromUs, toUs: made.toUs };
  const at = known.find(([us]) => us >= ramp.fromUs + (ramp.toUs - ramp.fromUs) * 0.3) ?? known.at(-1);
  const [cx, cy] = [x(at[0]), y(at[2])];
  const [dx, dy] = phone ? [14, 30] : [26, 40]; // below the line, where the part's name does not come
  return { leader: `M${px(cx + 1)} ${px(cy + 1)}l${dx - 6} ${dy - 12}`, x: Math.min(Math.max(cx + dx, left + 4), width - 66), y: Math.min(Math.max(cy + dy, top + 12), bottom - 5) };
}

/** The box of the set point's name, in a list. */
export function setPointBox(curve, made, at) {
  const place = setPointName(spansOf(curve, "setpoint_mc", made.fromUs, made.toUs), made, at);
  return place ? [{ x: place.x, y: place.y - 11, width: 62, height: 14 }] : [];
}

/** The strip of the duty: asked as a line from least to most, its ruler, its name at the line. `at` are the plan's own edges. */
export function drawDuty(curve, made, { width, left, phone }) {
  const height = phone ? 58 : 64;
  const [top, bottom] = [12, height - 8];
  const x = linear(made.fromUs, made.toUs, left, width - (phone ? 4 : 2));
  const y = linear(0, FULL_E4, bottom, top);
  const spans = spansOf(curve, "duty_e4", made.fromUs, made.toUs);
  const known = spans.filter(Boolean);
  if (!known.length) return "";
  const most = Math.max(...known.map((span) => span[2]));
  const marks = [[0, "0"], [5000, "50"], [FULL_E4, "100"]];
  return html`<svg class="duty" width="${width}" height="${height}" viewBox="0 0 ${width} ${height}" role="img" aria-label="Duty that was asked for, from 0 to 100 %: at most ${percent(most)}.">
    <path class="axis" d="M${left - 8} ${top}V${bottom}M${left} ${bottom}H${width - 2}"/>
    ${marks.map(([e4, word]) => html`<path class="axis" d="M${left - (word === "50" ? 14 : 18)} ${px(y(e4))}H${left - 8}"/>${word === "50" ? "" : html`<text class="tick end" x="${left - 22}" y="${px(y(e4) + 5)}">${word}</text>`}`)}
    <text class="tick end" x="${left - 22}" y="${px((top + bottom) / 2 + 5)}">%</text>
    <path class="dutyline" d="${lineOf(spans, x, y)}"/>${nameOf(known, { x, y, width, left, top })}</svg>`;
}

/** "duty asked" over the widest stretch where the line lies low. */
function nameOf(known, { x, y, width, left, top }) {
  const room = 76;
  const high = (from) => Math.max(0, ...known.filter(([us]) => x(us) >= from - 4 && x(us) <= from + room).map((span) => span[2]));
  const places = [];
  for (let from = left + 6; from < width - room - 6; from += 12) places.push({ from, high: high(from) });
  const best = places.reduce((least, one) => (one.high < least.high ? one : least), places[0] ?? { from: left + 6, high: 0 });
  return html`<text class="small paper" x="${px(best.from)}" y="${px(Math.max(top + 10, y(best.high) - 5))}">duty asked</text>`;
}

const bare = (mc, unit) => temperature(mc, unit);

/** One column of a curve in words: "set point 105.0 °C", "air 104.2 to 105.1 °C", "duty asked 12 to 24 %". */
const READ = [["setpoint_mc", "set point"], ["control_mc", "air"], ["part_mc", "part"], ["duty_e4", "duty asked"], ["seen_e4", "seen"]];

/** What stands at one span of the curve, named as the lines are. */
export function readoutWords(curve, index, unit) {
  return READ.filter(([name]) => curve.columns[name] && curve.columns[name].min[index] !== null).map(([name, word]) => {
    const [least, most] = [curve.columns[name].min[index], curve.columns[name].max[index]];
    if (name.endsWith("_mc")) return `${word} ${bare(least, unit) === bare(most, unit) ? "" : `${bare(least, unit)} to `}${warm(most, unit)}`;
    return `${word} ${Math.round(least / 100) === Math.round(most / 100) ? "" : `${Math.round(least / 100)} to `}${percent(most)}`;
  }).join(", ");
}
