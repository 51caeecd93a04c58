/** Readings: two big ones at the head, the table below. Late values are grey, stale ones hollow. Pure. */
import { html } from "../markup.js";
import { age, counted, difference, degrees, hours, plusMinus, signed, temperature, warm } from "../text.js";
import { ageClass } from "../state.js";
import { STANDS_STILL } from "../heat.js";
import { mark } from "./marks.js";

/** A reading's age in wall time: the controller's own age, at the chamber's speed, plus the page's. */
export const readingAgeMs = (reading, now, dataMs) => (reading.age_us ?? 0) / 1000 / (now.speed || 1) + (dataMs ?? 0);

/** What a reading is now: good, late, stale, faulted or missing. */
export function standing(reading, ageMs) {
  if (reading.quality === "faulted" || reading.quality === "missing") return reading.quality;
  return reading.quality === "stale" ? "stale" : ageClass(ageMs);
}

/** The two readings at the head: part (or what counts instead), and air. */
export function presentBig(now, dataMs, unit) {
  const find = (role) => now.readings.find((reading) => reading.role === role);
  const part = find("part");
  const air = find("control");
  const counting = now.run && now.counts === "part" ? soakWords(now.run) : "";
  const big = [];
  if (part && part.quality !== "missing") big.push(one("part", part, now, dataMs, unit, counting));
  const hot = Math.max(...now.readings.map((reading) => reading.mc ?? 0)) > now.chamber.hot_mc ? "hot to touch" : "";
  const alone = big.length ? "" : (now.run && soakWords(now.run)) || now.counts_words;
  if (air) big.push(one("air", air, now, dataMs, unit, [hot, alone].filter(Boolean).join(", ")));
  return big;
}

function one(name, reading, now, dataMs, unit, more) {
  const ageMs = readingAgeMs(reading, now, dataMs);
  const state = standing(reading, ageMs);
  const known = state !== "faulted" && state !== "missing" && reading.mc !== null;
  const caption = state === "stale" ? `${name}, ${age(ageMs)} ago` : [name, more].filter(Boolean).join(", ");
  return { name, state, caption, value: known ? temperature(reading.mc, unit) : null, why: reading.reason || "never heard",
    sure: reading.uncertainty_mc ? `±${difference(reading.uncertainty_mc, unit)}` : "", unit: degrees(unit) };
}

function soakWords(run) {
  const segment = run.segments[run.segment];
  if (!segment || segment.kind !== "soak" || run.end) return "";
  const clockIs = STANDS_STILL.has(run.state) ? "clock paused," : run.counting ? "in band" : "not in band,";
  return `${clockIs} ${counted(run.counted_us)} of ${hours(segment.soak_us)}`;
}

export const drawBig = (big) =>
  html`<div class="big">${big.map((reading, index) => html`<div class="reading ${index || big.length === 1 ? "second" : "first"} ${reading.state}" data-reading="${reading.name}"><span
    class="caption">${reading.caption}</span><span class="number">${reading.state === "faulted" ? mark("faulted") : ""}${
    reading.value === null ? html`<span class="novalue">no value</span> <span class="unit">${reading.why}</span>`
      : html`<span class="value">${reading.value}</span> <span class="unit">${index === 0 && big.length > 1 && reading.sure ? `${reading.sure} ` : ""}${reading.unit}</span>`}</span></div>`)}</div>`;

const QUALITY = { good: "good", late: "late", stale: "stale", faulted: "faulted", missing: "never heard" };

/** Rows for the table: every reading, then how far what counts is from the plan. */
export function presentRows(now, dataMs, unit) {
  const rows = now.readings.map((reading) => {
    const ageMs = readingAgeMs(reading, now, dataMs);
    const state = standing(reading, ageMs);
    const number = reading.mc === null || reading.mc === undefined ? "" : warm(reading.mc, unit);
    const sure = reading.uncertainty_mc ? `${temperature(reading.mc ?? 0, unit)} ${plusMinus(reading.uncertainty_mc, unit)}` : number;
    const value = { stale: number ? `(${number})` : "no value", faulted: "no value", missing: "no value" }[state] ?? sure;
    return { label: reading.label, value, state, quality: state === "faulted" ? reading.reason : QUALITY[state], age: state === "missing" ? "" : age(ageMs) };
  });
  if (now.deviation_mc !== null && now.deviation_mc !== undefined && now.run && !now.run.end) {
    rows.push({ label: `${now.counts === "part" ? "part" : "air"}, against the plan`, value: signed(now.deviation_mc, unit), state: ageClass(dataMs),
      quality: againstPlan(now, unit), age: age(dataMs) });
  }
  return rows;
}

const NEAR_MC = 300;

/** The band is a soak's. On a slope the rates mean the air, and the part comes after it; held, the plan stands still. */
export function againstPlan(now, unit) {
  const { run } = now;
  const segment = run.segments[run.segment];
  const inBand = Math.abs(now.deviation_mc) <= now.band_mc;
  const early = run.state === "stopping";
  if (!early && (!segment || segment.kind === "soak")) return `${inBand ? "in band" : "out of band,"} ${plusMinus(now.band_mc, unit, unit === "F" ? 1 : 0)}`;
  const close = now.counts === "part" ? Math.abs(now.deviation_mc) < NEAR_MC : inBand;
  if (STANDS_STILL.has(run.state)) return `${close ? "close to it" : now.deviation_mc > 0 ? "above it" : "below it"}, which stands still`;
  const slope = early || segment.kind === "cool" ? { up: -1, words: "cooling" } : { up: 1, words: "a ramp" };
  if (close) return `close to it, in ${slope.words}`;
  if (now.deviation_mc * slope.up > 0) return `ahead of it, in ${slope.words}`;
  const follows = now.counts === "part" && now.air_mc !== null && (now.air_mc - now.part_mc) * slope.up > 0;
  return follows ? `behind the air, as expected in ${slope.words}` : `behind it, in ${slope.words}`;
}

export const drawRows = (rows) =>
  html`<table class="readings"><caption class="unseen">Readings</caption><thead><tr><th scope="col">Reading</th><th scope="col" class="num">Value</th><th
    scope="col">Quality</th><th scope="col" class="num">Age</th></tr></thead><tbody>${rows.map((row) => html`<tr class="${row.state}"><th scope="row">${
    row.label}</th><td class="num value">${row.state === "faulted" ? mark("faulted", 14) : ""}${row.value}</td><td>${row.quality}</td><td class="num">${row.age}</td></tr>`)}</tbody></table>`;
