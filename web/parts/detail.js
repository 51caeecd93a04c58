/**
 * Detail A: the last 90 min around the plan, ten times larger than the plan beside it, in a circle. The plan is drawn
 * level: a slope ten times larger would be a wall, and what counts is how far each reading was from it. Pure.
 */
import { html, px } from "../markup.js";
import { temperature } from "../text.js";
import { linear, planAt, path } from "./scales.js";
import { channelPath, surePath } from "./plan.js";

const WINDOW_US = 90 * 60e6;
const TIMES = 10;

/** `perMc` is the plan's own scale in px a m°C; the detail's is ten times that, exactly. */
export function presentDetail(view, trace, perMc) {
  const fromUs = Math.max(view.run.started_utc_us, view.nowUs - WINDOW_US); // nothing from before the run
  const seen = trace.columns(fromUs, view.nowUs, 240);
  const last = seen.filter((point) => point.part ?? point.control).at(-1);
  const span = view.spans.find(({ fromUs, toUs }) => view.nowUs >= fromUs && view.nowUs <= toUs) ?? view.spans.at(-1);
  const target = planAt(view.plan, view.nowUs) ?? (last ? (last.part ?? last.control)[2] : 0);
  const points = seen.map((point) => levelled(point, target - (planAt(view.plan, point.utc_us) ?? target)));
  return { points, target, band: span?.segment.band_mc ?? 0, perMc: Math.abs(perMc) * TIMES, sureMc: view.sureMc, nowUs: view.nowUs, fromUs,
    joinedUs: view.joinedUs, unit: view.unit, going: view.going };
}

const levelled = (point, byMc) => ({ ...point, ...Object.fromEntries(["control", "part"].filter((name) => point[name]).map((name) => [name, point[name].map((mc) => mc + byMc)])) });

/** A circle of radius r with room at its right for three degree words. */
export function drawDetail(view, { size = 256 }) {
  const r = size / 2;
  const c = { x: r + 2, y: r + 24 };
  const nowX = c.x + r * 0.44;
  const x = linear(view.nowUs - WINDOW_US, view.nowUs, c.x - r, nowX);
  const y = (mc) => c.y - (mc - view.target) * view.perMc;
  const width = size + 44;
  const endUs = view.nowUs + (c.x + r - nowX) / x.factor;
  const band = (side) => [view.fromUs, endUs].map((us) => [x(us), y(view.target + side * view.band)]);
  const area = `${path([...band(1), ...band(-1).reverse()])}Z`;
  const sure = view.sureMc ? surePath(view, x, y) : "";
  return html`<svg class="detail" width="${width}" height="${size + 28}" viewBox="0 0 ${width} ${size + 28}" role="img"
    aria-label="Detail A: the last 90 min about the plan, ten times larger">
    <text class="lead" x="2" y="13">A</text><text class="cap small" x="20" y="13">last 90 min about the plan, ten times larger</text>
    <clipPath id="lens"><circle cx="${c.x}" cy="${c.y}" r="${r}"/></clipPath>
    <g clip-path="url(#lens)"><path class="zone" d="${area}"/><path class="zone-hatch" fill="url(#hatch)" d="${area}"/><path class="zone-edge" d="${path(band(1))}${path(band(-1))}"/>
      ${sure ? html`<path class="sure" d="${sure}"/>` : ""}
      <path class="air" d="${channelPath(view.points, "control", view.joinedUs, x, y)}"/><path class="part" d="${channelPath(view.points, "part", view.joinedUs, x, y)}"/>
      ${view.going ? html`<path class="forecast" d="${path([view.nowUs, endUs].map((us) => [x(us), y(view.target)]))}"/>` : ""}
      <path class="plumb" d="M${px(nowX)} ${c.y - r}V${c.y + r}"/></g>
    ${names(view, x, y, c, r)}
    <circle class="lens" cx="${c.x}" cy="${c.y}" r="${r}"/>
    ${[1, 0, -1].map((side) => degreeWord(view, side, y, c, r))}
  </svg>`;
}

function degreeWord(view, side, y, c, r) {
  const at = y(view.target + side * view.band);
  const inside = Math.abs(at - c.y);
  if (inside > r - 4) return "";
  const from = c.x + Math.sqrt(r * r - inside * inside);
  return html`<path class="leader" d="M${px(from)} ${px(at)}H${c.x + r + 8}"/><text class="small ${side ? "strong" : ""}" x="${c.x + r + 12}"
    y="${px(at + 4.5)}">${temperature(view.target + side * view.band, view.unit, 0)}</text>`;
}

/** Names above and below, kept apart when the lines lie close together. */
function names(view, x, y, c, r) {
  const near = view.points.filter((point) => point.control && x(point.utc_us) < c.x - r * 0.25).at(-1);
  if (!near) return "";
  const at = x(near.utc_us);
  const inside = (value) => Math.max(c.y - r * 0.8, Math.min(c.y + r * 0.86, value));
  const air = y(near.control[1]);
  const part = near.part ? y(near.part[0]) : null;
  const airUp = part === null || air <= part;
  const airY = inside(air + (airUp ? -12 : 22));
  const partY = part === null ? 0 : inside(part + (airUp ? 24 : -14));
  if (Math.abs(airY - partY) < 16) return ""; // too steep or too near the edge to be told apart: the plan names them
  return html`<text class="small paper end" x="${px(at)}" y="${px(airY)}">air</text>${part === null ? "" : html`<text class="small strong paper end" x="${px(at)}"
    y="${px(partY)}">part</text>`}`;
}
