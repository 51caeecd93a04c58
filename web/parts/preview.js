/** A schedule as a curve: the whole drawing for the editor, a small one for lists. Pure. */
import { html, px } from "../markup.js";
import { wait } from "../text.js";
import { degreeMarks, linear, path } from "./scales.js";

const H = 3600e6;
const HOURS = [0.5, 1, 2, 4, 8, 12, 24];

/** Corners [[us, m°C], …] with axes in hours and degrees; `band` m°C of each stretch is drawn around it. */
export function drawPreview(curve, { width, height = 260, unit, segments = [] }) {
  if (curve.length < 2) return "";
  const left = 46;
  const bottom = height - 30;
  const marks = degreeMarks(Math.min(20000, ...curve.map(([, mc]) => mc)), Math.max(...curve.map(([, mc]) => mc)) + 5000, unit, 5);
  const y = linear(marks.lowMc, marks.highMc, bottom - 8, 34);
  const x = linear(0, curve.at(-1)[0], left + 6, width - 8);
  const step = (HOURS.find((hours) => curve.at(-1)[0] / (hours * H) <= width / 70) ?? 48) * H;
  const hours = Array.from({ length: Math.floor(curve.at(-1)[0] / step) + 1 }, (_, index) => index * step);
  const zones = stretches(curve, segments).map(({ points, bandMc }) =>
    `${path([...points.map(([us, mc]) => [x(us), y(mc + bandMc)]), ...points.map(([us, mc]) => [x(us), y(mc - bandMc)]).reverse()])}Z`);
  return html`<svg class="preview" width="${width}" height="${height}" viewBox="0 0 ${width} ${height}" role="img" aria-label="Planned curve, ${wait(curve.at(-1)[0])} long">
    <defs><pattern id="hatch-preview" width="8" height="8" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><path class="hatch-line" d="M0 0V8"/></pattern></defs>
    ${zones.map((area) => html`<path class="zone" d="${area}"/><path fill="url(#hatch-preview)" d="${area}"/>`)}
    <path class="axis" d="M${left - 8} ${px(y(marks.highMc))}V${px(y(marks.lowMc))}M${left} ${bottom}H${width - 4}"/>
    <text class="tick end" x="${left - 22}" y="14">°${unit}</text>
    ${marks.named.map(({ mc, word }) => html`<path class="axis" d="M${left - 18} ${px(y(mc))}H${left - 8}"/><text class="tick end" x="${left - 22}" y="${px(y(mc) + 5)}">${word}</text>`)}
    ${hours.map((us) => html`<path class="axis" d="M${px(x(us))} ${bottom}v7"/><text class="tick middle" x="${px(x(us))}" y="${bottom + 22}">${Number((us / H).toFixed(1))}${us ? "" : " h"}</text>`)}
    <path class="part" d="${path(curve.map(([us, mc]) => [x(us), y(mc)]))}"/></svg>`;
}

/** The curve cut at its segments' ends, each with its band. */
function stretches(curve, segments) {
  const found = [];
  let from = 0;
  segments.forEach((segment, index) => {
    const to = curve.findIndex(([, mc], at) => at > from && Math.abs(mc - segment.target_c * 1000) < 1 && (segment.kind !== "soak" || Math.abs(curve[at - 1][1] - mc) < 1));
    if (to < 0 || !Number.isFinite(segment.band_c)) return;
    found.push({ index, points: curve.slice(from, to + 1), bandMc: segment.band_c * 1000 });
    from = to;
  });
  return found;
}

/** A thumbnail for a list: the shape alone, 96 x 28. */
export function drawShape(segments) {
  const points = [[0, 25]];
  for (const segment of segments) {
    const [at, from] = points.at(-1);
    if (segment.kind === "soak") points.push([at, segment.target_c], [at + segment.soak_h, segment.target_c]);
    else points.push([at + Math.abs(segment.target_c - from) / (segment.rate_c_per_h || 1), segment.target_c]);
  }
  const x = linear(0, points.at(-1)[0] || 1, 2, 94);
  const y = linear(20, Math.max(40, ...points.map(([, c]) => c)), 26, 3);
  return html`<svg width="96" height="28" viewBox="0 0 96 28" aria-hidden="true"><path class="axis" d="M0 27.5H96"/><path class="w" d="${path(points.map(([h, c]) => [x(h), y(c)]))}"/></svg>`;
}
