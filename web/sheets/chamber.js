/** Sheet 9, Chamber: what it may do and why, the next thing, sensors, limits in their order, the board. */
import { html } from "../markup.js";
import { Refused } from "../link.js";
import { capital, hours, many, plusMinus, signed, wait, warmShort, warm, age, percent } from "../text.js";
import { readingAgeMs, standing } from "../parts/readings.js";
import { chamberWords, titleBlock } from "../parts/titleblock.js";
import { unreadable, loading } from "../parts/trouble.js";
import { mark } from "../parts/marks.js";

async function load({ store, ask, signal }) {
  try {
    store.hold("chamber", await ask("/chamber", { signal }));
    store.hold("chamber_error", "");
  } catch (error) {
    if (error instanceof Refused) store.hold("chamber_error", error.message);
  }
}

/** The checked order, weakest thing on top: what stands above must never be reached. */
export function limitLadder(facts, now, unit = "C") {
  const { limits } = facts;
  return [
    [limits.weakest_mc, "weakest thing in the chamber"], [limits.thermal_link_mc, "thermal link opens, once"],
    [limits.limiter_mc, facts.fitted.limiter ? `limiter opens, ${plusMinus(limits.limiter_tolerance_mc ?? 0, unit)}` : "a limiter would open; it is not fitted"], [limits.board_ceiling_mc, "board’s own ceiling"],
    [limits.ceiling_mc, "chamber’s ceiling, kept by the controller"], now?.run && [now.run.run_ceiling_mc, `limit of run ${now.run.id}`],
    now?.run && [Math.max(...now.run.segments.map((segment) => segment.target_mc)), "hottest set point of the run"], [limits.hot_mc, "hot to touch above this"],
  ].filter((row) => row && Number.isFinite(row[0]));
}

const FITTED = { contactor: "line contactor", door: "door switch", limiter: "limiter", fan: "fan sense", current: "current sense", arm_button: "arm button", local_stop: "local stop", smoke: "smoke contact",
  mains_sense: "mains sense", drops_on_silence: "switch drops on silence" };

function sensors(facts, now, dataMs, unit) {
  return html`<table class="fold"><thead><tr><th scope="col">Sensor</th><th scope="col" class="num">Now</th><th scope="col">Quality</th><th scope="col" class="num">Correction</th><th scope="col" class="num">Known to</th><th scope="col" class="num">Channel</th></tr></thead><tbody>${facts.sensors.map((sensor) => {
    const reading = now?.readings.find((one) => one.role === sensor.role);
    const ageMs = reading ? readingAgeMs(reading, now, dataMs) : null;
    const state = reading ? standing(reading, ageMs) : "missing";
    const value = reading?.mc === null || reading?.mc === undefined ? "no value" : state === "stale" ? `(${warm(reading.mc, unit)})` : warm(reading.mc, unit);
    return html`<tr class="${state}"><th scope="row">${sensor.label}</th><td class="num value">${value}</td><td>${reading?.reason || `${state}${ageMs === null ? "" : `, ${age(ageMs)} old`}`}</td><td class="num" data-label="correction">${signed(sensor.correction_mc, unit)}</td><td class="num" data-label="known to">${
      plusMinus(sensor.uncertainty_mc, unit)}</td><td class="num" data-label="channel">${sensor.channel}</td></tr>`;
  })}</tbody></table>`;
}

function board(now) {
  const { board: it } = now;
  const heard = (value) => (it.boot === null ? "not known" : it.present ? value : `${value} when last heard`);
  const outputs = !it.present ? "not known" : it.enabled ? "enabled" : it.off_words ? `off: ${it.off_words}` : "off";
  const last = it.present || it.age_us !== null ? `${age(it.age_us / 1000 / (now.speed || 1))} ago` : `never: ${it.line}`;
  const rows = [[it.present ? "heard" : "last heard", last], ["id", now.chamber.board], ["firmware", it.firmware || "not known"], ["outputs", outputs],
    ["boot, session", heard(`${it.boot}, ${it.session}`)], ["run time counted", heard(wait(it.run_s * 1e6))], ["switch operations", heard(String(it.switches))]];
  if (it.module) rows.splice(2, rows.length - 2, ["outputs", outputs], ["heat ends on silence by", it.module.silence], ...it.module.not_fitted.map((name) => [name, "not fitted"]));
  return html`<table class="facts"><tbody>${rows.map(([name, value]) => html`<tr><th scope="row">${name}</th><td>${value}</td></tr>`)}</tbody></table>`;
}

function around(now, fitted) {
  const sensed = (name, value, words) => (!fitted[name] ? "not fitted" : value === null ? "not known" : words(value));
  return [["door", now.door], ["local stop", sensed("local_stop", now.local_stop, (pressed) => (pressed ? "pressed" : "released"))], ["smoke contact", now.smoke],
    ["fan", sensed("fan", now.fan_rpm, (rpm) => `${rpm}\u00a0rpm`)], ["current", sensed("current", now.current_ma, (ma) => `${(ma / 1000).toFixed(2)}\u00a0A`)],
    ["duty asked, seen", `${percent(now.request.duty_e4)}, ${now.board.present ? percent(now.seen.duty_e4) : "not known"}`]];
}

function ladder(facts, now, unit) {
  return html`<ol class="ladder">${limitLadder(facts, now, unit).map(([mc, words]) => html`<li><span class="rung" aria-hidden="true"></span><b>${warmShort(mc, unit)}</b><span>${words}</span></li>`)}</ol>`;
}

function fitted(facts) {
  const all = Object.entries(FITTED);
  const there = all.filter(([name]) => facts.fitted[name]);
  const missing = all.filter(([name]) => name in facts.fitted && !facts.fitted[name]);
  return html`<p>${capital(there.map(([, words]) => words).join(", "))}.</p>${missing.length ? html`<p>${mark("notallowed", 14)} Not fitted: ${missing.map(([, words]) => words).join(", ")}.</p>` : ""}`;
}

export const sheet = {
  number: 9,
  name: "Chamber",
  enter: load,
  render(state) {
    const { now, held, unit } = state;
    const facts = held.chamber;
    if (held.chamber_error && !facts) return unreadable("The chamber’s facts can’t be read.", held.chamber_error);
    if (!facts?.limits || !now) return loading("Asking the controller about the chamber.");
    const may = now.chamber.may_do;
    return html`<div class="sheet-head"><p class="kicker">${now.chamber.name}${now.chamber.simulated ? ", SIMULATED" : ""}</p><h1 tabindex="-1">${may === "measure only" ? "It may only measure." : `It may run ${may}.`}</h1><p class="lead">${now.chamber.may_do_why}</p>${
      now.chamber.next_thing ? html`<p class="lead"><b>Next:</b> ${now.chamber.next_thing}</p>` : ""}</div>
      <div class="two"><div><h2>Sensors</h2>${sensors(facts, now, state.ageMs(), unit)}<h2>Around it</h2><table class="facts"><tbody>${around(now, facts.fitted).map(([name, value]) => html`<tr><th scope="row">${name}</th><td>${value}</td></tr>`)}</tbody></table><h2>Fitted</h2>${fitted(facts)}</div>
      <div><h2>Limits, in the order that is checked</h2>${ladder(facts, now, unit)}<h2>Board</h2>${board(now)}</div></div>
      ${titleBlock([[{ label: "Chamber", value: chamberWords(now), wide: true }, { label: "Board", value: now.chamber.board }, { label: "Sensors", value: many(facts.sensors.length, "sensor") }, facts.limits.run_max_us && { label: "Longest run", value: hours(facts.limits.run_max_us) }]], { now, dataMs: state.ageMs() })}`;
  },
};
