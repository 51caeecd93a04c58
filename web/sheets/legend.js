/** Sheet 10, Legend: every component in every state, from the same drawing code as everywhere. All values are invented. */
import { html } from "../markup.js";
import { symbol, coil, contact, flag } from "../parts/symbols.js";
import { PARTS } from "../parts/circuit.js";
import { mark, markAt } from "../parts/marks.js";
import { drawStations } from "../parts/stopbar.js";
import { drawRows, drawBig } from "../parts/readings.js";
import { trouble, notAllowed } from "../parts/trouble.js";
import { titleBlock } from "../parts/titleblock.js";
import { Trace } from "../parts/trace.js";
import { presentPlan, drawPlan } from "../parts/plan.js";
import { drawTable } from "../parts/prooftable.js";
import { drawWatched } from "../parts/watchlist.js";
import { drawFilling } from "../parts/filling.js";
import { styled } from "../parts/styled.js";
import { warmShort, warm } from "../text.js";

const pose = (state, into, out, culprit = false) => ({ state, into, out, culprit });
const COLUMNS = [["closed, current flows", () => pose("closed", "amp", "amp")], ["closed, no current", () => pose("closed", "volt", "volt")], ["open", (kind) => pose({ supply: "gone" }[kind] ?? "open", "volt", "thin")],
  ["not known", () => pose("unknown", "unknown", "unknown")], ["abnormal", (kind) => ABNORMAL[kind]]];
const ABNORMAL = { supply: pose("gone", "volt", "thin"), thermal_link: pose("open", "volt", "thin"), limiter: pose("open", "volt", "thin", true), contactor: pose("closed", "thin", "thin", true), modulator: pose("closed", "thin", "thin", true), element: pose("broken", "volt", "thin") };
const SAYS = { supply: ["alarm", "mains gone"], thermal_link: ["trip", "link blown"], limiter: ["trip", "has opened"], contactor: ["trip", "welded"], modulator: ["trip", "stuck on"], element: ["trip", "broken"] };
const MARKS = [["trip", "tripped", "the machine switched off by itself"], ["alarm", "alarm", "a person is asked to look"], ["todo", "to do", "a person must act"], ["faulted", "faulted", "the sensor says something impossible"],
  ["stale", "stale", "the value is old"], ["notallowed", "not allowed", "needs another role or another chamber"], ["unconfirmed", "not confirmed", "asked, and no answer came"]];
const at = (word, time = "", solid = true) => ({ word, time, solid });
const STATIONS = [["at rest", [at("asked", "", false), at("accepted", "", false), at("heat seen off", "", false)]], ["asked", [at("asked", "01:28:04.2"), at("accepted", "waiting", false), at("heat seen off", "", false)]],
  ["arrived", [at("asked", "01:28:04.2"), at("accepted", "01:28:04.3"), at("heat seen off", "01:28:04.6")]],
  ["not confirmed", [at("asked", "01:28:04.2"), { word: "not confirmed, 3\u00a0s", time: "", unconfirmed: true }, { word: "pull the plug if you can", time: "", plain: true }]]];

const draw = (kind, one, title) => html`<svg width="84" height="70" viewBox="-6 -52 84 70" overflow="visible" role="img" aria-label="${title}">${symbol(kind, one)}</svg>`;

function circuits() {
  return html`<div class="legend-grid"><span class="col"></span>${COLUMNS.map(([name]) => html`<span class="col">${name}</span>`)}${PARTS.map(([kind, , name]) => html`<span class="what">${name}</span>${COLUMNS.map(([column, of]) =>
    html`<span class="pose">${column === "abnormal" ? html`<span class="${SAYS[kind][0] === "trip" ? "bad" : "warned"}">${mark(SAYS[kind][0], 16)} ${SAYS[kind][1]}</span>` : ""}${draw(kind, of(kind), `${name}, ${column}`)}</span>`)}`)}</div>`;
}

/** At the head of other sheets and upright on a phone: smaller, so fuse and thermal link are told apart by a filling too. */
function smallOnes() {
  const one = (kind, words) => html`<div><svg width="60" height="34" viewBox="-2 -22 60 34" overflow="visible" role="img" aria-label="${words}">${symbol(kind, pose("closed", "volt", "volt"), { scale: 0.64 })}</svg><p class="caption">${words}</p></div>`;
  return html`<p class="caption">drawn small</p><div class="legend-cells" id="small-symbols">${one("supply", "supply, a fuse: its ends are filled")}${one("thermal_link", "thermal link: empty, under a theta")}${
    one("contactor", "contactor: a half circle at its contact")}</div>`;
}

function permits() {
  const one = (title, content, width = 150) => html`<div><svg width="${width}" height="44" viewBox="0 0 ${width} 44" role="img" aria-label="${title}">${content}</svg><p class="caption">${title}</p></div>`;
  return html`<div class="legend-cells">${one("permit given", html`${contact(pose("closed", "volt", "volt"), 4, 24, 0.55)}<path class="w volt" d="M43 24H70"/>${coil("permit", 70, 24, 54)}`)}${
    one("refused: the open one is red after a trip", html`${contact(pose("open", "volt", "thin", true), 4, 24, 0.55)}${markAt("trip", 11, 3, 14)}<text class="bad" x="21" y="8">open</text><path class="w thin" d="M43 24H70"/>${coil("none", 70, 24, 54, true)}`)}${
    one("amber without one: it keeps the heat from a run", html`${contact({ ...pose("open", "volt", "thin"), asks: true }, 4, 24, 0.55)}${markAt("alarm", 11, 3, 14)}<text class="warned" x="21" y="8">open</text><path class="w thin" d="M43 24H70"/>${coil("none", 70, 24, 54, true)}`)}${
    one("not known", html`${contact(pose("unknown", "unknown", "unknown"), 4, 24, 0.55)}<path class="w unknown" d="M43 24H70"/>${coil("?", 70, 24, 54, true)}`)}${one("what tripped first", flag(6, 12))}</div>`;
}

function readings(unit) {
  const row = (label, mc, state, quality, age, value = warm(mc, unit)) => ({ label, value, state, quality, age });
  return drawRows([row("good", 104700, "good", "good", "0.8\u00a0s"), row("late, over 2\u00a0s", 104700, "late", "late", "3.0\u00a0s"), row("stale, over 5\u00a0s", 104700, "stale", "stale", "47\u00a0s", `(${warm(104700, unit)})`),
    row("faulted", 0, "faulted", "wire broken", "0.8\u00a0s", "no value"), row("never heard", 0, "missing", "never heard", "", "no value")]);
}

const big = (state, value = "104.7") => ({ name: "part", state, caption: { stale: "part, 47\u00a0s ago", late: "part" }[state] ?? "part", value, why: "wire broken", sure: "±0.6", unit: "°C" });

const air = (state) => ({ name: "air", state, caption: "air", value: "105.4", sure: "", unit: "°C" });

/** A run that never was, to draw the plan in its states. */
function invented(unit, width, more) {
  const H = 3600e6;
  const start = 1764061200e6;
  const trace = new Trace();
  const target = (us) => Math.min(105000, 25000 + (us / H) * 20000);
  const nowUs = start + 9.2 * H;
  for (let us = 0; us <= 9.2 * H; us += 60e6) {
    const wave = 250 * Math.sin(us / 4e8);
    trace.addRange(start + us, { control: [target(us) + 300 + wave, target(us) + 420 + wave], part: us > 0 ? [target(us) - (us < 4.4 * H ? 2500 : 300), target(us) - (us < 4.4 * H ? 2500 : 300)] : null });
  }
  const run = { started_utc_us: start, plan: [[0, 25000], [4 * H, 105000], [12 * H, 105000], [15.25 * H, 40000]], run_ceiling_mc: 112000, sure_mc: 900, end: "", next: { what: "cooling starts", utc_us: start + 12 * H },
    segments: [{ kind: "ramp", target_mc: 105000, rate_mc_per_h: 20000, band_mc: 2000 }, { kind: "soak", target_mc: 105000, soak_us: 8 * H, band_mc: 2000 }, { kind: "cool", target_mc: 40000, rate_mc_per_h: 20000, band_mc: 2000 }] };
  return drawPlan(presentPlan({ run, trace, nowUs, dataUs: nowUs, hotMc: 45000, unit, ...more(nowUs, run) }), { width, height: 290, phone: width < 500 });
}

/** [state, what it is, days since it was done, days to its end, what was found] */
const PROOFS = [["done", "it holds", 30, 335, "0.12\u00a0Ω"], ["ending", "it holds, not for long", 160, 22, "4.6\u00a0s"], ["ended", "its time is over", 400, -35, "23\u00a0°C, 0.4\u00a0s"], ["failed", "stored as what it is", 12, null, "3.2\u00a0Ω, allowed 0.5\u00a0Ω"],
  ["void", "something changed since", 70, null, "±1.4\u00a0°C"], ["doing", "being done now", null, null, ""], ["to_do", "never done", null, null, ""], ["to_do", "never done, and another comes first", null, null, ""], ["not_for_this_chamber", "what it would prove is not fitted", null, null, ""]];
const DAY_US = 86400e6;
const WATCHED = [["seen", "Open the door and shut it."], ["asks", "Is the lamp at the button lit?"], ["waiting", "Press the local stop."], ["failed", "The fan was seen to turn."]];

/** Rows of proofs in every state, what is watched, and rulers that fill. */
function proofs(layout, nowUs) {
  const steps = PROOFS.map(([state, title, since, until, found], index) => ({ id: `legend-${index}`, part: "core", state, title, layer: "1", found, minutes: 5, each: [], blocked_by: /another/u.test(title) ? ["other"] : [],
    done_utc_us: since === null ? null : nowUs - since * DAY_US, valid_until_utc_us: until === null ? null : nowUs + until * DAY_US }));
  return html`${drawTable({ parts: [{ part: "core", minutes: 45, left_minutes: 20, done: false }], steps }, layout.width, nowUs)}<div class="legend-cells wide"><div><p class="caption">what is watched</p>${drawWatched(WATCHED.map(([state, words]) => ({ id: state, state, words })), true)}</div><div><p
    class="caption">how far it has come</p>${drawFilling({ head: "Start proof, step 1 of 3.", words: "No rise may be seen.", share: 0.4, left: "41\u00a0s left, until 01:28:45" })}${drawFilling({ head: "Watching.", words: "How long it takes is not known.", share: null })}</div></div>`;
}

export const sheet = {
  number: 10,
  name: "Legend",
  enter() {
    styled("rooms");
    styled("proofs");
  },
  render(state) {
    const { unit, layout } = state;
    const width = layout.kind === "wide" ? Math.floor(layout.width / 2) - 20 : layout.width;
    return html`<div class="sheet-head"><h1 tabindex="-1">Legend</h1><p class="lead">Every component in every state. All values on this sheet are invented.</p></div>
      <div class="two"><section><h2>Heater circuit</h2>${circuits()}${smallOnes()}</section><section><h2>Marks</h2><ul class="legend-marks">${MARKS.map(([kind, name, words]) => html`<li>${mark(kind)}<span><b>${name}</b><span class="detail">${words}</span></span></li>`)}</ul>
      <h2>Readings</h2>${readings(unit)}</section></div>
      <section class="legend-block"><h2>Permit line and first-out</h2>${permits()}</section>
      <section class="legend-block"><h2>Big reading</h2><div class="legend-cells wide">${["good", "late", "stale"].map((one) => html`<div>${drawBig([big(one), air(one)])}<p class="caption">${one}</p></div>`)}<div>${drawBig([big("faulted", null)])}<p class="caption">faulted</p></div></div></section>
      <section class="legend-block"><h2>Stop heating</h2>${STATIONS.map(([name, three]) => html`<div class="legend-row"><span>${name}</span>${drawStations(three)}</div>`)}</section>
      <section class="legend-block"><h2>Plan against part and air</h2><div class="${layout.kind === "wide" ? "editor" : ""}"><div><p class="caption">as planned</p>${invented(unit, width, () => ({}))}</div><div><p class="caption">nothing heard; tripped</p>${
        invented(unit, width, (nowUs, run) => ({ nowUs: nowUs + 900e6, staleMs: 900000, run, trip: { utc_us: nowUs - 4000e6 } }))}</div></div></section>
      <section class="legend-block"><h2>Proofs</h2>${proofs(layout, state.utcNow())}</section>
      <section class="legend-block"><h2>Empty, loading, error, not allowed</h2><div class="legend-cells"><div><p class="caption">empty</p><svg width="180" height="60" viewBox="0 0 180 60" aria-hidden="true"><path class="ghost" d="M20 2V54H170"/><path class="ghost" d="M26 50L70 14H130L170 46"/></svg><p><b>No run yet.</b> One link leads to the first.</p></div><div><p
        class="caption">loading</p><svg width="180" height="20" viewBox="0 0 180 20" aria-hidden="true"><path class="axis" d="M0 10H180"/><path class="w amp" d="M0 10H80"/></svg><p><b>Reading the record.</b></p></div><div><p class="caption">error</p>${
        trouble("The record can’t be read.", "Control goes on without it.")}</div><div><p class="caption">not allowed</p>${notAllowed("Clearing needs a maintainer.", "Stop heating is yours all the same.")}</div></div></section>
      ${titleBlock([[{ label: "Sheet", value: "Legend", wide: true }, { label: "Values", value: `invented, such as ${warmShort(105000, unit)}` }]], { now: state.now, dataMs: state.ageMs(), data: false })}`;
  },
};
