/**
 * One run of the record: its curve with least and most, what happened in order, what tripped first, its segments, time
 * in band, who did what. All words come from the stored run; nothing is computed that is not in it.
 */
import { html, px } from "../markup.js";
import { Refused, linkTo } from "../link.js";
import { clock, clockSeconds, counted, day, fromTo, hours, levelWords, many, rate, together, wait, warm, warmShort, watched, capital } from "../text.js";
import { LEFT, labelBoxes, presentPlan, drawPlan } from "../parts/plan.js";
import { Trace } from "../parts/trace.js";
import { columnsOf } from "../parts/stored.js";
import { Chart } from "../parts/chart.js";
import { drawDuty, drawSetPoint, readoutWords, setPointBox } from "../parts/duty.js";
import { answersOf, drawEvents, eventWords, isFirstOut, isGap, isOfPeople, whoWords } from "../parts/events.js";
import { degreeMarks } from "../parts/scales.js";
import { titleBlock } from "../parts/titleblock.js";
import { unreadable, loading } from "../parts/trouble.js";
import { mark } from "../parts/marks.js";
import { endWords, stateWord } from "./record.js";
import { styled } from "../parts/styled.js";
import * as notes from "./notes.js";

const AGAIN_MS = 15000;
const MARKED = new Set(["run_state", "segment", "soak_counting", "tripped", "heat_seen_off", "command_accepted", "command_refused", "armed", "gap", "board_lost", "board_booted", "alarm", "record_failing", "start_proof"]);
const BALLOONS_MAX = 16;
const MINUTE_US = 60e6;

export async function enter(context, id) {
  const { store, ask, signal, root } = context;
  if (store.held.run?.id !== id) store.hold("run", null);
  styled("rooms");
  notes.load(context, id);
  root.addEventListener("submit", (event) => {
    event.preventDefault();
    if (event.target.dataset.form === "note") notes.add(context, event.target);
  }, { signal });
  const chart = new Chart({ pointed: (index) => store.hold("pointed", index), chosen: (from, to) => zoom(context, from, to) });
  store.held.chart = chart;
  signal.addEventListener("abort", () => chart.remove(), { once: true });
  const read = async () => {
    try {
      const path = `/runs/${encodeURIComponent(id)}`;
      const [row, curve, events] = await Promise.all([ask(path, { signal }), ask(`${path}/curve?points=1000`, { signal }), ask(`${path}/events?limit=1000`, { signal }).catch(() => ({ events: [] }))]);
      store.hold("run", { id, row, curve, whole: curve, events: events.events, span: null });
      if (!store.held.checklist && events.events.some((event) => event.kind === "leaving")) store.hold("checklist", (await ask("/leaving", { signal }).catch(() => ({}))).checklist ?? []);
      if (row.going) timer = setTimeout(read, AGAIN_MS);
    } catch (error) {
      if (error instanceof Refused) store.hold("run", { id, error: error.message });
    }
  };
  let timer = null;
  signal.addEventListener("abort", () => clearTimeout(timer), { once: true });
  await read();
}

/** A stretch was chosen on the curve: fetch it anew, finer. */
async function zoom({ store, ask, signal }, fromUs, toUs) {
  const held = store.held.run;
  const curve = await ask(`/runs/${encodeURIComponent(held.id)}/curve?points=1000&from_us=${Math.round(fromUs)}&to_us=${Math.round(toUs)}`, { signal }).catch(() => null);
  if (curve?.utc_us.length > 1) store.hold("run", { ...store.held.run, curve, span: [fromUs, toUs] });
}

export const acts = {
  ...notes.acts,
  whole: ({ store }) => store.hold("run", { ...store.held.run, curve: store.held.run.whole, span: null }),
  "zoom-to": (context, key) => {
    const [from, to] = key.dataset.value.split(",").map(Number);
    return zoom(context, from, to);
  },
};

/** A stored segment in the integers the drawings use. */
const segmentOf = (row) => ({ kind: row.kind, target_mc: row.target_c * 1000, rate_mc_per_h: (row.rate_c_per_h ?? 0) * 1000, soak_us: (row.soak_h ?? 0) * 3600e6, band_mc: row.band_c * 1000 });

/** The run as `presentPlan` wants it: the set point that was followed is its plan. */
export function asRun(row, curve, endUs) {
  const set = curve.columns.setpoint_mc;
  const plan = curve.utc_us.map((us, index) => [us - row.started_utc_us, set.max[index]]).filter(([, mc]) => mc !== null);
  return { ...row, plan, segments: row.schedule.segments.map(segmentOf), ended_utc_us: row.ended_utc_us ?? endUs, next: null, end: row.end || "ended" };
}

const NAMES = { cool: "cooling", cool_down: "cooled down early" };
const nameOf = (done) => NAMES[done.kind] ?? done.kind;

/** What was asked of a stretch: a segment of the schedule, or none of them where the run was cooled down early. */
function askedOf(row, done) {
  if (done.segment !== null) return segmentOf(row.schedule.segments[done.segment]);
  const cool = row.schedule.segments.findLast((segment) => segment.kind === "cool");
  return { ...segmentOf({ rate_c_per_h: 0, band_c: 0, ...cool, kind: "cool" }), target_mc: done.target_mc };
}

/** Stretches of the segments that were done, with their words. */
export function doneSpans(row, unit, endUs) {
  return row.segments_done.map((done) => {
    const toUs = done.ended_utc_us ?? endUs;
    return { segment: askedOf(row, done), fromUs: done.began_utc_us, toUs, words: `${nameOf(done)}, ${done.kind === "soak" ? `${counted(done.counted_us)} in band` : wait(toUs - done.began_utc_us)}` };
  });
}

function view(held, unit, layout) {
  const endUs = held.row.ended_utc_us ?? held.whole.utc_us.at(-1) ?? held.row.started_utc_us;
  const trace = new Trace();
  for (const { utcUs, ranges } of columnsOf(held.whole)) trace.addRange(utcUs, ranges);
  const run = asRun(held.row, held.whole, endUs);
  const first = held.row.first_out;
  const made = presentPlan({ run, trace, nowUs: null, dataUs: endUs, hotMc: 0, unit, trip: first ? { utc_us: first.utc_us } : null, columns: layout.kind === "phone" ? 200 : 500 });
  made.spans = doneSpans(held.row, unit, endUs);
  if (held.span) Object.assign(made, { fromUs: held.span[0], toUs: held.span[1] });
  return made;
}

/** Events worth a balloon, numbered in their order. */
export function balloons(events) {
  return events.filter((event) => MARKED.has(event.kind) && !(event.kind === "run_state" && event.fields.before === "holding"))
    .slice(0, BALLOONS_MAX).map((event, index) => ({ ...event, no: index + 1 }));
}

const ROUND = 24;

/** Balloons in their order, each as near as may be to where it was wanted ({cx, by}), none on another or on words (`boxes`): further from the curve (`side`: -1 up, 1 down), else back, else aside. */
export function apart(wanted, { top, bottom, left, right }, boxes = []) {
  const placed = [];
  const off = (box, x, y) => Math.hypot(Math.max(box.x - x, 0, x - box.x - box.width), Math.max(box.y - y, 0, y - box.y - box.height)) > ROUND / 2;
  const free = (x, y) => boxes.every((box) => off(box, x, y)) && placed.every((one) => Math.hypot(one.bx - x, one.by - y) >= ROUND);
  const rows = Array.from({ length: Math.floor((bottom - top) / ROUND) + 1 }, (_, index) => top + index * ROUND);
  for (const one of wanted) {
    const aside = Array.from({ length: Math.ceil((right - left) / ROUND) }, (_, index) => [one.cx - index * ROUND, one.cx + index * ROUND]).flat().filter((x) => x >= left && x <= right);
    const columns = [one.cx, ...aside];
    const far = (y) => Math.abs(y - one.by) + ((y - one.by) * (one.side ?? -1) < 0 ? bottom - top : 0);
    const stack = rows.map((_, index) => one.by + (one.side ?? -1) * index * ROUND).filter((y) => y >= top && y <= bottom);
    const nearest = [one.by, ...stack, ...rows].sort((a, b) => far(a) - far(b));
    const [bx, by] = columns.flatMap((x) => nearest.map((y) => [x, y])).find(([x, y]) => free(x, y)) ?? [one.cx, one.by];
    placed.push({ ...one, bx, by });
  }
  return placed;
}

function drawBalloons(marked, made, curve) {
  return (at) => {
    const wanted = marked.filter((event) => event.utc_us >= made.fromUs && event.utc_us <= made.toUs).map((event) => {
      const cx = at.x(event.utc_us);
      const near = made.points.filter((point) => point.control).reduce((best, point) => (Math.abs(point.utc_us - event.utc_us) < Math.abs((best?.utc_us ?? 0) - event.utc_us) ? point : best), null);
      const cy = near ? at.y((near.part ?? near.control)[2]) : at.bottom;
      const side = cy > (at.top + at.bottom) / 2 ? -1 : 1;
      const by = Math.min(at.bottom - 14, Math.max(at.top + 12, cy + side * 46));
      return { no: event.no, cx, cy, by, side };
    });
    const placed = apart(wanted, { top: at.top + 12, bottom: at.bottom - 14, left: at.left + 12, right: at.width - 14 }, [...labelBoxes(made, at), ...setPointBox(curve, made, at)]);
    return html`${placed.map(({ cx, cy, bx, by }) => html`<path class="leader" d="M${px(cx)} ${px(cy)}L${px(bx)} ${px(by)}"/><circle class="spot" cx="${px(cx)}" cy="${px(cy)}" r="2.4"/>`)}${placed.map(({ no, bx, by }) => html`<circle
      class="balloon" cx="${px(bx)}" cy="${px(by)}" r="10.5"/><text class="small mid middle" x="${px(bx)}" y="${px(by + 4.6)}">${no}</text>`)}`;
  };
}

/** Every event in its place: a tick at the axis, also of those that have no balloon. What it was stands in the list. */
const drawTicks = (events, made) => (at) => html`<g class="event-ticks">${events.filter((event) => event.utc_us >= made.fromUs && event.utc_us <= made.toUs).map((event) =>
  html`<path class="w ${isFirstOut(event) ? "first-tick" : ""}" d="M${px(at.x(event.utc_us))} ${px(at.bottom)}v-9"><title>${clock(event.utc_us)} ${eventWords(event)}</title></path>`)}</g>`;

/** Did the part have its time? In one sentence, from the counted time. */
export function verdict(row, now = null) {
  const soaks = row.segments_done.filter((done) => done.kind === "soak");
  const asked = row.schedule.segments.filter((segment) => segment.kind === "soak").reduce((sum, segment) => sum + segment.soak_h * 3600e6, 0);
  const live = row.going && now?.run?.id === row.id ? now.run.counted_us - (soaks.at(-1)?.counted_us ?? 0) : 0; // the record is a little behind
  const had = soaks.reduce((sum, done) => sum + done.counted_us, Math.max(0, live));
  const what = row.schedule.temperature_of === "part" ? "part" : "air";
  if (row.going && row.state !== "stopping") return asked ? `The ${what} has ${counted(had)} of ${hours(asked)} in band so far.` : "It is on.";
  if (!asked) return "It held nothing: the schedule has no soak.";
  if (had >= asked) return `The ${what} had its ${hours(asked)}.`;
  return `The ${what} had ${counted(had)} of ${hours(asked)} in band.`;
}

/** Holes in the curve, and what the events say was not looked at or lost: the greater, since most are told twice. */
const gapsOf = (held) => Math.max(held.whole.gaps.length, held.events.filter(isGap).length);

const FIRST = (first) => (first ? `${capital(String(first.fields.guard).replaceAll("_", " "))} tripped first, at ${clock(first.utc_us)}.` : "Nothing tripped.");

function segmentTable(row, curve, unit) {
  return html`<table class="fold"><thead><tr><th scope="col">Segment</th><th scope="col">Asked</th><th scope="col">Air was</th><th scope="col">Part was</th><th scope="col" class="num">Took</th><th scope="col" class="num">Counted</th><th scope="col" class="num">Air in band</th><th scope="col" class="num">Part in band</th></tr></thead><tbody>${
    row.segments_done.map((done) => {
      const asked = askedOf(row, done);
      const toUs = done.ended_utc_us ?? row.ended_utc_us ?? curve.utc_us.at(-1);
      return html`<tr><th scope="row"><b>${capital(nameOf(done))}</b></th><td>${done.kind === "soak" ? `${warmShort(asked.target_mc, unit)} for ${hours(asked.soak_us)}` : `${
        asked.rate_mc_per_h ? `${rate(asked.rate_mc_per_h, unit)} to ` : "to "}${warmShort(asked.target_mc, unit)}`}</td><td data-label="air">${range(done.air_min_mc, done.air_max_mc, unit)}</td><td data-label="part">${range(done.part_min_mc, done.part_max_mc, unit)}</td><td
        class="num" data-label="took">${wait(toUs - done.began_utc_us)}</td><td class="num" data-label="counted">${done.kind === "soak" ? html`<b>${counted(done.counted_us)}</b>` : ""}</td><td class="num" data-label="air in band">${inBand(done, "air")}</td><td class="num" data-label="part in band">${inBand(done, "part")}</td></tr>`;
    })}</tbody></table>`;
}

/** How long air or part was in a soak's band, whatever the clock counted by, to the next minute (the first second of a soak has no row before it); null where nothing good was read. */
export const inBand = (done, what) => (done.kind !== "soak" || !(`${what}_in_band_us` in done) ? "" : done[`${what}_in_band_us`] === null ? "not known" : counted(Math.round(done[`${what}_in_band_us`] / MINUTE_US) * MINUTE_US));

/** Least to most of a segment's good readings, as the record's own rows have them. */
export const range = (least, most, unit) => (least === null || least === undefined ? "no value" : `${warm(least, unit).replace(/\s°.$/u, "")} to ${warm(most, unit)}`);

/** What was agreed to before leaving, each as the sentence that was shown; an id that is asked no more stands for itself. */
function agreed(event, checklist) {
  if (event.kind !== "leaving") return "";
  const words = Object.fromEntries(checklist.map((one) => [one.id, one.words]));
  return html`<ul class="agreed">${answersOf(event.fields).map((id) => html`<li>“${words[id] ?? capital(id.replaceAll("_", " "))}”</li>`)}</ul>`;
}

function people(events, checklist) {
  const did = events.filter(isOfPeople);
  return html`<section><h2>Who did what</h2>${did.length ? html`${drawEvents(did, { tenths: false, after: (event) => agreed(event, checklist) })}` : html`<p>No command is in the record of this run.</p>`}</section>`;
}

function readout(held, unit) {
  const { curve } = held;
  const index = held.pointed;
  if (index === null || index === undefined || !curve.utc_us[index]) return "Point at the curve to read it; drag over a stretch to enlarge it. Lines span least to most.";
  return `${clockSeconds(curve.utc_us[index])}: ${readoutWords(curve, index, unit) || "no value"}`;
}

/** Where the curve's canvas lies inside the drawing; `after` puts the chart there. */
const boxOf = (at) => ({ left: at.left, top: at.top - 6, width: at.width - at.left - (at.phone ? 4 : 2), height: at.bottom - at.top + 6 });
let placed = null;

export function after({ store, root }) {
  const host = root.querySelector(".chart .canvas");
  if (!host || !placed || !store.held.run?.curve) return;
  store.held.chart.show(host, placed.box, placed.view, store.held.run.curve).catch((error) => store.hold("run", { ...store.held.run, chartError: error.message }));
}

function drawCurve(held, state) {
  const phone = state.layout.kind === "phone";
  const made = view(held, state.unit, state.layout);
  const width = state.layout.kind === "wide" ? state.layout.width - 350 : state.layout.width;
  const height = phone ? 260 : 380;
  const marked = balloons(held.events);
  made.over = (at) => {
    const marks = degreeMarks(made.heat.low, made.heat.high, made.unit, phone ? 5 : 6);
    const box = boxOf(at);
    const perPx = -1 / at.y.factor;
    placed = { box, view: { fromUs: made.fromUs, toUs: made.toUs, lowMc: marks.lowMc - (at.bottom - at.y(marks.lowMc)) * perPx, highMc: marks.highMc + (at.y(marks.highMc) - box.top) * perPx } };
    return html`${drawSetPoint(held.curve, made, at)}${drawTicks(held.events, made)(at)}${phone ? "" : drawBalloons(marked, made, held.curve)(at)}`;
  };
  Object.assign(made, { bare: true, named: true }); // the chart library draws the curves
  const stretch = held.row.segments_done.map((done) => html`<button type="button" data-do="zoom-to" data-value="${done.began_utc_us},${done.ended_utc_us ?? held.whole.utc_us.at(-1)}">${capital(nameOf(done))} alone</button>`);
  return html`<div class="chart"><div class="canvas" data-keep></div>${drawPlan(made, { width, height, phone })}</div>${drawDuty(held.curve, made, { width, left: LEFT, phone })}<p class="readout" aria-hidden="true">${readout({ ...held, pointed: state.held.pointed }, state.unit)}</p><div class="links">${
    held.span ? html`<button type="button" data-do="whole">The whole run</button>` : stretch}</div>`;
}

/** Events in their order; numbered where the curve has the numbers too, so not on a phone. */
function inOrder(held, numbered) {
  const marked = balloons(held.events);
  const rest = held.events.length - marked.length;
  const newDay = (index) => index > 0 && day(marked[index].utc_us) !== day(marked[index - 1].utc_us);
  return html`<section><p class="caprow">In this order</p><ol class="balloons ${numbered ? "" : "plain-list"}">${marked.map((event, index) => html`${newDay(index) ? html`<li class="day">${day(event.utc_us)}</li>` : ""}<li class="${isFirstOut(event) ? "bad" : ""}">${numbered ? html`<svg width="22" height="22" viewBox="0 0 22 22" aria-hidden="true"><circle class="balloon" cx="11" cy="11" r="10"/><text
    class="small mid middle" x="11" y="15.6">${event.no}</text></svg>` : ""}<span>${isFirstOut(event) ? mark("trip", 14) : ""}${capital(eventWords(event))}</span><time>${clock(event.utc_us)}</time></li>`)}</ol>${
    rest > 0 ? html`<details><summary class="plain">${many(rest, "more event")} of this run</summary>${drawEvents(held.events, { tenths: false })}</details>` : ""}</section>`;
}

/** A run that the record has as going may be over: nobody hears its controller. */
const unheard = (state) => !state.now || state.staleMs() !== null;

export function render(state) {
  const held = state.held.run;
  if (held?.error) return unreadable("This run can’t be read.", `${held.error} Live values and Stop heating do not need the record.`, html`<a href="#/record">All runs</a>`);
  if (!held) return loading("Reading the run.");
  const { row } = held;
  const first = row.first_out;
  const empty = held.whole.utc_us.length < 2;
  return html`<div class="sheet-head"><p class="kicker"><a href="#/record">Record</a>, run ${row.id}, ${fromTo(row.started_utc_us, row.ended_utc_us)}, ${levelWords(row.level)}</p><h1 tabindex="-1">${
    row.simulated ? html`<span class="simulated">SIMULATED.</span> ` : ""}${verdict(row, state.now)}</h1><p class="lead">${first ? mark("trip", 18) : ""} ${row.going ? `Run ${row.id} ${unheard(state) ? "was on when its controller was last heard" : endWords(row)}. ` : ""}${stateWord(row) === "cut short" && !first ? "Nothing had tripped." : FIRST(first)}${row.going ? "" : ` ${capital(together(endWords(row))).replace(/\.$/u, "")}.`}</p></div>
    <div class="with-list"><div>${empty ? html`<p class="loading-line">The record is up to 15 s behind; the curve comes with its first rows.</p>` : drawCurve(held, state)}</div>${inOrder(held, !empty && state.layout.kind !== "phone")}</div>
    <div class="two"><div>${empty ? "" : segmentTable(row, held.whole, state.unit)}${people(held.events, state.held.checklist ?? [])}${notes.draw(state)}</div><div>${titleBlock([
      [{ label: `Run ${row.id}, ${stateWord(row)}`, value: row.name, wide: true }, { label: "First-out", value: first ? `${String(first.fields.guard).replaceAll("_", " ")}${first.fields.value === null ? "" : `, ${watched(first.fields.value, first.fields.unit ?? "", state.unit)}`.replace(/, $/u, "")}` : "none" }],
      [{ label: "Limit of the run", value: warmShort(row.run_ceiling_mc, state.unit) }, { label: "Gaps in the record", value: [gapsOf(held) || "", stateWord(row) === "cut short" ? "it ends early" : ""].filter(Boolean).join(", ") || "none" }, { label: "Started by", value: capital(whoWords(row.by)), wide: true }]], { now: { chamber: { name: state.now?.chamber?.name, simulated: row.simulated }, speed: 1 }, dataMs: 0, data: false })}
      <p class="links"><a href="${linkTo(`/runs/${encodeURIComponent(row.id)}/csv`)}" download>Readings as CSV</a><a href="${linkTo(`/runs/${encodeURIComponent(row.id)}/events/csv`)}" download>Events as CSV</a><button type="button" data-do="print">Print this sheet</button></p></div></div>`;
}
