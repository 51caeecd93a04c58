/**
 * The plan against part and air. `presentPlan` turns a run and its trace into numbers and words; `drawPlan` draws them for
 * one width. The band, the plumb line, the dimensions and the words all come from the same numbers.
 */
import { html, px } from "../markup.js";
import { clock, clockSeconds, wait, warmShort, segmentWords } from "../text.js";
import { linear, hourMarks, degreeMarks, path, planAt } from "./scales.js";
import { STANDS_STILL } from "../heat.js";
import { Trace } from "./trace.js";
import { crossed, pieces, placeBeside } from "./place.js";
import { markAt } from "./marks.js";

/** Everything a drawing of a run needs. `nowUs` is null for a finished record. */
export function presentPlan({ run, trace, nowUs, dataUs, hotMc, unit, staleMs = null, trip = null, columns = 420 }) {
  const plan = [...run.plan, ...unfinished(run)].map(([us, mc]) => [run.started_utc_us + us, mc]);
  const planEnd = plan.length ? plan.at(-1)[0] : run.started_utc_us;
  const endUs = Math.max(planEnd, nowUs ?? 0, run.ended_utc_us ?? 0, run.started_utc_us + (nowUs === null && run.ended_utc_us ? 60e6 : 600e6));
  const span = endUs - run.started_utc_us;
  const fromUs = run.started_utc_us - span * 0.018;
  const toUs = endUs + span * 0.06;
  const points = trace.columns(run.started_utc_us - span * 0.01, nowUs ?? toUs, columns);
  const going = nowUs !== null && !run.end && !/^abort/u.test(run.state ?? "");
  const spans = segmentSpans(plan, run.segments, run.started_utc_us);
  return { fromUs, toUs, nowUs, dataUs, plan, spans, points, joinedUs: Trace.joinedUs(points), unit, staleMs, trip, run,
    limitMc: run.run_ceiling_mc, endedUs: run.shown_ended_us ?? null, hotMc, heat: heights(plan, run, points), sureMc: run.sure_mc ?? 0, going,
    next: going && run.next ? { ...run.next, atUs: run.next.utc_us ?? nowUs + run.next.in_us, after: STANDS_STILL.has(run.state) ? "it goes on" : run.next.after } : null,
    cool: going && !STANDS_STILL.has(run.state) && !run.next?.after ? coolsAt(plan, hotMc, nowUs) : null };
}

/** What an aborted run would still have done, so that the band it left stays on the sheet. */
export function unfinished(run) {
  if (!/^abort/u.test(run.state ?? "") || run.segment === undefined || !run.plan.length || run.plan.at(-1)[0] > run.elapsed_us + 60e6) return [];
  let [us, mc] = run.plan.at(-1);
  return run.segments.slice(run.segment).map((segment, index) => {
    if (segment.kind === "soak") us += Math.max(0, segment.soak_us - (index ? 0 : run.counted_us));
    else us += (Math.abs(segment.target_mc - mc) * 3600e6) / segment.rate_mc_per_h;
    mc = segment.target_mc;
    return [us, mc];
  });
}

function heights(plan, run, points) {
  const seen = points.flatMap((point) => [point.control, point.part].filter(Boolean).flatMap((one) => [one[0], one[1]]));
  const all = [...plan.map(([, mc]) => mc), ...seen, run.run_ceiling_mc ?? 0];
  return { low: Math.min(25000, ...all.filter((mc) => mc > 0)), high: Math.max(...all) + 4000 };
}

/** Which stretch of the plan belongs to which segment: [{segment, fromUs, toUs}], in order. */
export function segmentSpans(plan, segments, startUs) {
  const spans = [];
  let at = 0;
  let fromUs = startUs;
  for (let index = 1; index < plan.length && at < segments.length; index += 1) {
    const level = Math.abs(plan[index][1] - plan[index - 1][1]) < 1;
    const reaches = Math.abs(plan[index][1] - segments[at].target_mc) < 500;
    const goesOn = level && Math.abs((plan[index + 1]?.[1] ?? Infinity) - plan[index][1]) < 1; // a corner inside a soak: the plan is made anew from now
    const isEnd = index === plan.length - 1 && at === segments.length - 1; // cooling's set point goes past its target
    if ((!reaches && !isEnd) || goesOn || (segments[at].kind === "soak") !== level) continue;
    spans.push({ segment: segments[at], fromUs, toUs: plan[index][0] });
    fromUs = plan[index][0];
    at += 1;
  }
  return spans;
}

/** When the plan passes the touchable temperature on its way down, after now. */
function coolsAt(plan, hotMc, nowUs) {
  for (let index = 1; index < plan.length; index += 1) {
    const [[fromUs, fromMc], [toUs, toMc]] = [plan[index - 1], plan[index]];
    if (fromMc > hotMc && toMc <= hotMc && toUs > nowUs) {
      return { utc_us: fromUs + ((toUs - fromUs) * (fromMc - hotMc)) / (fromMc - toMc), mc: hotMc };
    }
  }
  return null;
}

/** Where the time begins in every drawing of a run. */
export const LEFT = 46;
const DETAIL_LEAST_US = 600e6;
const LEVEL_MC = 2000;
const TRIP_WORDS = 130;
const LIMIT_WORDS = 14;
const LETTER = 6.6;

/** The whole drawing, `width` x `height`. `phone` is drawn for the width, never shrunk. */
export function drawPlan(view, { width, height, phone = false, lens = false }) {
  const top = phone ? 42 : 44;
  const bottom = height - (phone ? 34 : 66);
  const marks = degreeMarks(view.heat.low, view.heat.high, view.unit, phone ? 5 : 6);
  const y = linear(marks.lowMc, marks.highMc, bottom - 12, top - 6);
  const x = linear(view.fromUs, view.toUs, LEFT, width - (phone ? 4 : 2));
  const at = { x, y, top, bottom, width, height, phone, left: LEFT };
  return html`<svg class="plan" width="${width}" height="${height}" viewBox="0 0 ${width} ${height}" role="img"
    aria-label="${planWords(view)}">
    <defs><pattern id="hatch" width="8" height="8" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><path class="hatch-line" d="M0 0V8"/></pattern><pattern
      id="unheard" width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(-45)"><path class="unheard-line" d="M0 0V5"/></pattern></defs>
    ${axes(view, marks, at)}${limitLine(view, at)}${zone(view, at)}${curves(view, at)}${forecast(view, at)}
    ${view.nowUs === null ? "" : plumb(view, at)}${coolMark(view, at)}${phone ? "" : segmentDims(view, at)}${curveNames(view, at)}
    ${lens ? lensMark(view, at) : ""}${tripMark(view, at)}${view.over?.(at) ?? ""}
  </svg>`;
}

/** The scale factors of a drawing, for the detail that enlarges it. */
export function planScale(view, { height, phone = false }) {
  const marks = degreeMarks(view.heat.low, view.heat.high, view.unit, phone ? 5 : 6);
  return linear(marks.lowMc, marks.highMc, height - (phone ? 34 : 66) - 12, (phone ? 42 : 44) - 6).factor;
}

function axes(view, marks, { x, y, bottom, width, left, phone, top }) {
  const hours = hourMarks(view.fromUs, view.toUs, phone ? 5 : Math.floor(width / 85));
  return html`<text class="tick end" x="${left - 20}" y="${top - 16}">°${view.unit}</text>
    <path class="axis" d="M${left - 8} ${px(y(marks.highMc))}V${px(y(marks.lowMc))}"/>
    ${marks.named.map(({ mc, word }) => html`<path class="axis" d="M${left - 18} ${px(y(mc))}H${left - 8}"/><text class="tick end"
      x="${left - 22}" y="${px(y(mc) + 5)}">${word}</text>`)}
    ${marks.small.map(({ mc, half }) => html`<path class="axis" d="M${left - (half ? 14 : 11)} ${px(y(mc))}H${left - 8}"/>`)}
    <path class="axis" d="M${left} ${bottom}H${width - 2}"/>
    ${hours.half.map((us) => html`<path class="axis" d="M${px(x(us))} ${bottom}v5"/>`)}
    ${hours.marks.map((us) => html`<path class="axis" d="M${px(x(us))} ${bottom}v9"/>${x(us) < left + 14 || x(us) > width - 14 ? "" : html`<text
      class="tick middle" x="${px(x(us))}" y="${bottom + 24}">${hours.fine ? clockSeconds(us) : clock(us)}</text>`}`)}`;
}

function limitLine(view, { x, y, width, left, phone }) {
  if (!view.limitMc) return "";
  const at = y(view.limitMc);
  let strokes = "";
  for (let from = left + 6; from < width - 8; from += phone ? 12 : 10) strokes += `M${from} ${px(at - 1)}l7 -7`;
  const { words, place } = limitWords(view, { x, y, width, left, phone });
  return html`<path class="limit-hatch" d="${strokes}"/><path class="limit" d="M${left} ${px(at)}H${width - 2}"/><text class="cap small paper"
    x="${px(place.x)}" y="${px(place.y)}">${words}</text>`;
}

function limitWords(view, at) {
  const words = `${at.phone ? "limit" : "air limit of this run"} ${warmShort(view.limitMc, view.unit)}`;
  return { words, place: limitPlace(view, at, words.length * LETTER) };
}

/** Under the limit where no curve comes near, at the left, at the right or between; else above its strokes. */
function limitPlace(view, { x, y, width, left }, room) {
  const at = y(view.limitMc);
  const lines = [...view.points.flatMap((point) => [point.control, point.part].filter(Boolean).map((one) => [x(point.utc_us), y(one[1])])),
    ...view.spans.flatMap((span) => [0, 0.25, 0.5, 0.75, 1].map((share) => span.fromUs + (span.toUs - span.fromUs) * share)
      .map((us) => [x(us), y((planAt(view.plan, us) ?? 0) + span.segment.band_mc)]))];
  const plumbX = view.nowUs === null ? -100 : x(view.nowUs);
  const clear = (from) => plumbX < from - 6 || plumbX > from + room + 6;
  const free = (from) => clear(from) && !lines.some(([px0, py0]) => px0 > from - 8 && px0 < from + room + 8 && py0 < at + 22);
  const places = [left + 8, width - room - 10, (left + width - room) / 2];
  const from = places.find(free);
  return from === undefined ? { x: places.find(clear) ?? places[0], y: at - 12 } : { x: from, y: at + 16 };
}

function zone(view, { x, y, bottom }) {
  const floor = bottom - 2;
  const shapes = view.spans.map(({ segment, fromUs, toUs }) => {
    const inside = [[fromUs, planAt(view.plan, fromUs)], ...view.plan.filter(([us]) => us > fromUs && us < toUs), [toUs, planAt(view.plan, toUs)]];
    const edge = (side) => inside.map(([us, mc]) => [x(us), Math.min(floor, y(mc + side * segment.band_mc))]);
    const [high, low] = [edge(1), edge(-1)];
    return { area: `${path([...high, ...low.reverse()])}Z`, edges: `${path(high)}${path(low)}` };
  });
  return html`${shapes.map(({ area, edges }) => html`<path class="zone" d="${area}"/><path class="zone-hatch" fill="url(#hatch)" d="${area}"/><path
    class="zone-edge" d="${edges}"/>`)}`;
}

/** One channel as a line through its last values, with its least and most where they differ by more than the line. */
export function channelPath(points, name, joinedUs, x, y) {
  const drawn = [];
  let before = null;
  for (const point of points) {
    const value = point[name];
    if (!value || (before !== null && point.utc_us - before > joinedUs)) drawn.push(null);
    if (!value) continue;
    const at = x(point.utc_us);
    if (Math.abs(y(value[0]) - y(value[1])) > 2.5) drawn.push([at, y(value[0])], [at, y(value[1])]);
    drawn.push([at, y(value[2])]);
    before = point.utc_us;
  }
  return path(drawn);
}

function curves(view, { x, y }) {
  if (view.bare) return "";
  const line = (name, kind) => html`<path class="${kind}" data-channel="${name}" d="${channelPath(view.points, name, view.joinedUs, x, y)}"/>`;
  return html`${line("control", "air")}${sureBand(view, x, y)}${line("part", "part")}`;
}

function sureBand(view, x, y) {
  if (!view.sureMc) return "";
  return html`<path class="sure" d="${surePath(view, x, y)}"/>`;
}

/** The grey of the part's uncertainty, one piece for each unbroken stretch. */
export function surePath({ points, sureMc, joinedUs }, x, y) {
  const pieces = [];
  for (const point of points.filter((one) => one.part)) {
    const piece = pieces.at(-1);
    if (piece && point.utc_us - piece.at(-1).utc_us <= joinedUs) piece.push(point);
    else pieces.push([point]);
  }
  const edge = (piece, side) => piece.map((point) => [x(point.utc_us), y(point.part[2] + side * sureMc)]);
  return pieces.filter((piece) => piece.length > 1).map((piece) => `${path([...edge(piece, 1), ...edge(piece, -1).reverse()])}Z`).join("");
}

function forecast(view, { x, y }) {
  if (!view.going || !view.plan.length) return "";
  const ahead = [[view.nowUs, planAt(view.plan, view.nowUs)], ...view.plan.filter(([us]) => us > view.nowUs)].filter(([, mc]) => mc !== null);
  return html`<path class="forecast" d="${path(ahead.map(([us, mc]) => [x(us), y(mc)]))}"/>`;
}

const COOL_WORDS = 150;

function coolSide(view, { x, width }) {
  const cx = x(view.cool.utc_us);
  return cx > width * 0.62 ? { anchor: "end", x: cx - 30, left: cx - 30 - COOL_WORDS } : { anchor: "", x: cx + 14, left: cx + 14 };
}

/** Where the plan passes what may be touched: a hollow circle with clock and wait. */
function coolMark(view, { x, y, phone, width }) {
  if (!view.going || !view.cool || phone) return "";
  const cx = x(view.cool.utc_us);
  const cy = y(view.cool.mc);
  const late = view.staleMs !== null;
  const side = coolSide(view, { x, width });
  return html`<circle class="ring" cx="${px(cx)}" cy="${px(cy)}" r="4.6"/><text class="small mid paper ${side.anchor}" x="${px(side.x)}"
    y="${px(cy + 9)}">under ${warmShort(view.cool.mc, view.unit)} ${clock(view.cool.utc_us)}</text><text class="cap small paper ${side.anchor}" x="${px(side.x)}"
    y="${px(cy + 26)}">${late ? "expected, not confirmed" : `in ${wait(view.cool.utc_us - view.nowUs)} by the plan`}</text>`;
}

function plumb(view, at) {
  const { x, top, bottom, phone, width } = at;
  const cx = x(view.nowUs);
  const anchor = cx > width - 46 ? "end" : cx < 60 ? "" : "middle";
  return html`${unheard(view, at)}<path class="plumb" d="M${px(cx)} ${top - 20}V${bottom}"/><path class="bob"
    d="M${px(cx - 4.6)} ${bottom - 3}h9.2l-4.6 13z"/><text class="strong ${anchor}" x="${px(cx)}" y="${top - 27}">${view.endedUs ? "ended" : "now"} ${clock(view.nowUs)}</text>${
    view.next && view.going ? nextStep(view, at, cx, phone) : ""}`;
}

/** From the last data to now nothing was heard: hatched, and the forecasts say that they are not confirmed. */
function unheard(view, { x, top, bottom }) {
  if (view.staleMs === null) return "";
  const to = x(view.nowUs);
  const from = Math.min(x(view.dataUs), to - 7);
  return html`<rect fill="url(#unheard)" x="${px(from)}" y="${top}" width="${px(to - from)}" height="${bottom - top}"/><text
    class="small mid paper end" x="${px(from - 8)}" y="${px(top + (bottom - top) * 0.62)}">nothing heard</text><text class="cap small paper end"
    x="${px(from - 8)}" y="${px(top + (bottom - top) * 0.62 + 17)}">since ${clockSeconds(view.dataUs)}</text>`;
}

/** Where the next step's dimension runs: in the triangle that the plan leaves free. */
function dimensionY(view, { y, top, bottom }, target) {
  const here = y(planAt(view.plan, view.nowUs) ?? target);
  const there = y(target);
  if (there > here + 20) return Math.max(top + 26, (view.limitMc ? y(view.limitMc) : top) + 36); // cooling: above the curve
  if (here > there + 20) return here + 34 < bottom - 62 ? here + 34 : there + 26; // heating: below it, or above while it is low
  return there + 34;
}

function nextStep(view, at, cx, phone) {
  const { x, y, width } = at;
  const to = Math.min(x(view.next.atUs), width - 4);
  const target = planAt(view.plan, Math.min(view.next.atUs, view.plan.at(-1)?.[0] ?? 0)) ?? 0;
  const line = dimensionY(view, at, target);
  const late = view.staleMs !== null;
  const words = !late && view.next.after ? [view.next.in_us ? wait(view.next.in_us) : "waiting", `${view.next.in_us ? "then " : ""}${view.next.what}, once ${view.next.after}`] : late ? [`${view.next.what.replace(/ starts$/, "")} expected ${clock(view.next.atUs)}`, "not confirmed"] : [wait(view.next.atUs - view.nowUs), `${view.next.what} ${clock(view.next.atUs)}`];
  const wide = Math.max(words[0].length * (late ? 6.6 : phone ? 7.6 : 9.2), phone ? 0 : words[1].length * 6.6);
  const box = placeBeside({ left: cx, right: to, y: line }, { width: wide, height: phone ? 17 : 36 }, { left: at.left + 4, right: width - 2, top: at.top - 6, bottom: at.bottom - 3 }, drawnLines(view, at));
  const middle = box.x + box.width / 2;
  return html`<path class="dim" d="M${px(cx)} ${px(line)}H${px(to)}"/>${to - cx > 18 ? arrows(cx, to, line) : ""}<path class="dim-thin" d="M${px(to)} ${
    px(Math.min(y(target) + 6, line - 5))}V${px(Math.max(line + 5, y(target) - 6))}"/><g class="next-step"><text class="${late ? "cap small" : phone ? "strong" : "lead"} paper middle" x="${px(middle)}" y="${px(
    box.y + 14)}">${words[0]}</text>${phone ? "" : html`<text class="${late ? "small strong" : "cap small"} paper middle" x="${px(middle)}" y="${px(box.y + 31)}">${words[1]}</text>`}</g>`;
}

/** Every line that words must keep clear of: plan with its band, air, part, limit, plumb line, and the words that stand already. */
function drawnLines(view, at) {
  const { x, y, width, left, top, bottom, phone } = at;
  const channel = (name) => pieces(view.points.map((point) => (point[name] ? [x(point.utc_us), y(point[name][2])] : null)));
  const band = view.spans.flatMap(({ segment, fromUs, toUs }) => {
    const inside = [[fromUs, planAt(view.plan, fromUs) ?? 0], ...view.plan.filter(([us]) => us > fromUs && us < toUs), [toUs, planAt(view.plan, toUs) ?? 0]];
    return [-1, 0, 1].flatMap((side) => pieces(inside.map(([us, mc]) => [x(us), y(mc + side * segment.band_mc)])));
  });
  const plumbX = x(view.nowUs);
  const lines = [...band, ...pieces(view.plan.map(([us, mc]) => [x(us), y(mc)])), ...channel("control"), ...channel("part"), [plumbX, top - 20, plumbX, bottom]];
  if (view.limitMc) {
    const { words, place } = limitWords(view, at);
    lines.push([left, y(view.limitMc), width, y(view.limitMc)], ...crossed({ x: place.x, y: place.y - 11, width: words.length * 6.6, height: 14 }));
  }
  if (view.going && view.cool && !phone) lines.push(...crossed({ x: coolSide(view, at).left, y: y(view.cool.mc) - 4, width: COOL_WORDS, height: 34 }));
  return lines;
}

const arrows = (from, to, y) =>
  html`<path class="bob" d="M${px(from)} ${px(y)}l8 -3.4v6.8zM${px(to)} ${px(y)}l-8 -3.4v6.8z"/>`;

/** Under the axis: the segments as dimension lines with oblique ticks. */
export function segmentDims(view, { x, bottom }) {
  const y = bottom + 47;
  return html`${view.spans.map(({ segment, fromUs, toUs, words }) => {
    const [from, to] = [x(fromUs), x(toUs)];
    const room = to - from;
    const long = words ?? segmentWords(segment, view.unit);
    const text = room > long.length * 6.4 + 40 ? long : room > 70 ? segmentWords(segment, view.unit, true) : "";
    const half = text ? Math.min(room / 2 - 6, text.length * 3.4 + 10) : 0;
    const middle = (from + to) / 2;
    return html`<path class="dim-thin" d="M${px(from)} ${y}H${px(middle - half)}M${px(middle + half)} ${y}H${px(to)}"/><path class="dim"
      d="M${px(from - 4)} ${y + 4}l8 -8M${px(to - 4)} ${y + 4}l8 -8"/>${text ? html`<text class="small mid middle" x="${px(middle)}" y="${y + 4.5}">${text}</text>` : ""}`;
  })}`;
}

/** Names on the lines, with leaders, where the run is long enough to have room; else at the last point. */
function curveNames(view, at) {
  return nameWords(view, at).map(({ words, leader, place, kind }) => html`<path class="leader" d="${leader}"/><text class="small paper ${kind}" x="${px(place.x)}" y="${px(place.y)}">${words}</text>`);
}

/** The names and where they stand: {words, leader, place, kind}. */
function nameWords(view, { x, y, width, left, phone }) {
  const known = view.points.filter((point) => point.control);
  if ((phone && !view.named) || known.length < 8 || x(known.at(-1).utc_us) - x(known[0].utc_us) < 170) return [];
  const ramp = view.spans[0] ?? { fromUs: view.fromUs, toUs: view.toUs };
  const pick = (share) => known.find((point) => point.utc_us >= ramp.fromUs + (ramp.toUs - ramp.fromUs) * share) ?? known.at(-1);
  const air = pick(0.45);
  const part = pick(0.56);
  const [ax, ay] = [x(air.utc_us), y(air.control[2])];
  const clash = view.limitMc && ax < left + 210 && ay - 40 < y(view.limitMc) + 20;
  const [bx, by] = part.part ? [x(part.utc_us), y(part.part[2])] : [];
  return [...(clash ? [] : [{ words: "air", leader: `M${px(ax - 2)} ${px(ay - 2)}l-20 -28`, place: { x: ax - 26, y: ay - 33 }, kind: "end" }]),
    ...(part.part ? [{ words: view.sureMc ? "part, and how sure" : "part", leader: `M${px(bx + 2)} ${px(by + 2)}l22 22`, place: { x: Math.min(bx + 28, width - 150), y: by + 36 }, kind: "mid" }] : [])];
}

/** The words in the plot as boxes, for whatever else has to find room there. */
export function labelBoxes(view, at) {
  const box = (words, place, end) => ({ x: place.x - (end ? words.length * LETTER : 0), y: place.y - 11, width: words.length * LETTER, height: 14 });
  const limit = view.limitMc ? [limitWords(view, at)].map(({ words, place }) => box(words, place, false)) : [];
  const trip = view.trip ? [tripPlace(view, at)].flatMap(({ cx, to, words, place, end }) => [box(words, place, end), { x: cx - 9, y: to - 9, width: 18, height: 18 }]) : [];
  return [...limit, ...nameWords(view, at).map(({ words, place, kind }) => box(words, place, kind === "end")), ...trip];
}

/** Detail A and its ellipse show what was measured in this run, and need ten minutes of it. */
export function hasDetail({ points, run, nowUs }) {
  const known = points.filter((point) => point.control && point.utc_us >= run.started_utc_us);
  return nowUs !== null && known.length > 1 && nowUs - known[0].utc_us >= DETAIL_LEAST_US;
}

function lensMark(view, { x, y, left, top, bottom, width }) {
  const last = view.points.filter((point) => point.control).at(-1);
  if (!last || !hasDetail(view)) return "";
  const from = x(Math.max(view.run.started_utc_us, view.nowUs - 90 * 60e6));
  const back = [0, 45, 90].map((minutes) => planAt(view.plan, Math.max(view.run.started_utc_us, view.nowUs - minutes * 60e6)));
  const level = Math.max(...back) - Math.min(...back) < LEVEL_MC; // on a slope a long flat ring would show something else
  const wide = level ? Math.max(22, (x(view.nowUs) - from) / 2 + 8) : 22;
  const [cx, cy] = [x(view.nowUs) - wide * 0.35, y((last.part ?? last.control)[2])];
  return html`<clipPath id="plot"><rect x="${left}" y="${top - 6}" width="${px(width - left)}" height="${px(bottom - top + 6)}"/></clipPath><ellipse class="leader lens" clip-path="url(#plot)"
    cx="${px(cx)}" cy="${px(cy)}" rx="${px(wide)}" ry="${level ? 17 : 22}"/><text class="strong paper end" x="${px(Math.max(left + 14, cx - Math.max(16, wide * 0.5)))}" y="${px(Math.max(top + 12, cy - 19))}">A</text>`;
}

function tripMark(view, at) {
  if (!view.trip) return "";
  const { cx, from, to, words, place, end } = tripPlace(view, at);
  return html`<path class="stem" d="M${px(cx)} ${px(from)}V${px(to)}"/>${markAt("trip", cx, to, 18)}<text class="bad small paper ${end ? "end" : ""}" x="${px(place.x)}"
    y="${px(place.y)}">${words}</text>`;
}

function tripPlace(view, { x, y, top, bottom }) {
  const cx = x(view.trip.utc_us);
  const near = view.points.filter((point) => point.control && point.utc_us <= view.trip.utc_us).at(-1);
  const from = near ? y(near.control[1]) : top;
  const limit = view.limitMc ? y(view.limitMc) + LIMIT_WORDS : -Infinity;
  const low = Math.min(from + 44, bottom - 24);
  const to = Math.abs(low - limit) < 18 ? Math.min(limit + 22, bottom - 24) : low; // not over the limit's own words
  const end = cx > TRIP_WORDS; // at the left edge the words stand to its right
  return { cx, from, to, words: `trip ${clock(view.trip.utc_us)}`, place: { x: cx + (end ? -14 : 14), y: to + 5 }, end };
}

/** The drawing in a sentence. */
function planWords(view) {
  const limit = view.limitMc ? `, limit ${warmShort(view.limitMc, view.unit)}` : "";
  return `Plan against part and air: ${view.spans.map(({ segment }) => segmentWords(segment, view.unit)).join("; ")}${limit}. A table of readings stands below.`;
}
