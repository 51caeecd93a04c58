/**
 * When to start, so that the heating-up falls into hours when somebody is awake. Pure: durations of the schedule, the
 * person's waking hours and the device's own wall clock go in; a few suggestions with a sentence each come out.
 *
 * Every stamp is µs UTC and every length is counted in UTC, so that a night in which the clocks change makes no run longer
 * or shorter; only waking hours are looked up on the wall clock, day by day.
 */
import { clock, day, wait } from "./text.js";

export const WAKING = { fromMin: 7 * 60, toMin: 23 * 60 };
const DAY_MIN = 24 * 60;
const STEP_US = 15 * 60e6;
export const AHEAD_US = 24 * 3600e6;
/** So long the present air stands for the air at the start; a later start is reckoned from a chamber that has cooled. */
export const AIR_HOLDS_US = 30 * 60e6;
const MOST = 3;

/** How long it heats up, and how long it takes in all, from a preview's curve of [us, m°C]: up is until it is first hottest. */
export function lengths(curve, totalUs) {
  const hottest = Math.max(...curve.map(([, mc]) => mc));
  return { heatUs: curve.find(([, mc]) => mc === hottest)?.[0] ?? 0, totalUs };
}

/** The preview that holds for a start at `atUs`: the one from the present air, or for later ones the one from a room's. */
export const previewAt = ({ preview, cooled }, atUs, nowUs) => (cooled && atUs !== null && atUs - nowUs > AIR_HOLDS_US ? cooled : preview);

/** "07:30" as minutes of a day, or null. */
export function minutes(text) {
  const [, hour, minute] = /^([01]?\d|2[0-3]):([0-5]\d)$/u.exec(String(text).trim()) ?? [];
  return hour === undefined ? null : Number(hour) * 60 + Number(minute);
}

export const asClock = (min) => `${String(Math.floor(min / 60)).padStart(2, "0")}:${String(min % 60).padStart(2, "0")}`;

/** When this person is awake between two stamps, as [from, to] in order. A night worker's hours go past midnight. */
export function wakingSpans({ fromMin, toMin }, fromUs, toUs) {
  const spans = [];
  const first = new Date(fromUs / 1000);
  const end = toMin > fromMin ? toMin : toMin + DAY_MIN;
  for (let ahead = -1; ; ahead += 1) {
    const at = (min) => new Date(first.getFullYear(), first.getMonth(), first.getDate() + ahead, 0, min).getTime() * 1000;
    if (at(fromMin) >= toUs) return spans;
    if (at(end) > fromUs) spans.push([Math.max(fromUs, at(fromMin)), Math.min(toUs, at(end))]);
  }
}

/** How much of a stretch somebody sleeps through. */
export const asleepUs = (waking, fromUs, toUs) => wakingSpans(waking, fromUs, toUs).reduce((left, [from, to]) => left - (to - from), toUs - fromUs);

/** A start at `utcUs`, judged. */
export function judged({ utcUs, heatUs, totalUs, waking, now = false }) {
  const endUs = utcUs + totalUs;
  return { utcUs, now, hotUs: utcUs + heatUs, endUs, nightUs: asleepUs(waking, utcUs, utcUs + heatUs), endAwake: asleepUs(waking, endUs, endUs + 1e6) === 0 };
}

/** At most three starts within 24 h, soonest first: now; the soonest whose heating-up is awake; the soonest that also ends awake. `cooled` are the lengths of a start later than `AIR_HOLDS_US`. */
export function suggestions({ nowUs, heatUs, totalUs, cooled = { heatUs, totalUs }, waking = WAKING }) {
  const judge = (utcUs, now = false) => judged({ utcUs, ...(utcUs - nowUs > AIR_HOLDS_US ? cooled : { heatUs, totalUs }), waking, now });
  const first = Math.ceil((nowUs + STEP_US / 3) / STEP_US) * STEP_US;
  const later = [];
  for (let us = first; us <= nowUs + AHEAD_US; us += STEP_US) later.push(judge(us));
  const atOnce = judge(nowUs, true);
  const awake = later.filter((one) => one.nightUs === 0);
  const least = later.reduce((best, one) => (one.nightUs < best.nightUs ? one : best), later[0]);
  const chosen = [atOnce];
  if (atOnce.nightUs > 0) chosen.push(awake[0] ?? least);
  if (!(atOnce.nightUs === 0 && atOnce.endAwake)) chosen.push(awake.find((one) => one.endAwake));
  const known = new Set();
  return chosen.filter((one) => one && !known.has(one.utcUs) && known.add(one.utcUs)).sort((a, b) => a.utcUs - b.utcUs).slice(0, MOST)
    .map((one) => ({ ...one, sentence: sentence(one, nowUs) }));
}

const sameDay = (a, b) => new Date(a / 1000).toDateString() === new Date(b / 1000).toDateString();
const when = (us, besideUs) => (sameDay(us, besideUs) ? clock(us) : `${day(us, besideUs)} ${clock(us)}`);

/** One suggestion in words. */
export function sentence(one, nowUs) {
  const up = one.hotUs - one.utcUs;
  const night = one.nightUs === 0 ? "in your waking hours" : one.nightUs >= up ? "all of it while you sleep" : `${wait(one.nightUs)} of it while you sleep`;
  const heats = `Heats up until ${when(one.hotUs, one.utcUs)}, ${night}.`;
  const ends = `Ends ${when(one.endUs, nowUs)} at the earliest, ${one.endAwake ? "when you are awake" : "while you sleep"}.`;
  return [heats, ends, clockChange(one.utcUs, one.endUs)].filter(Boolean).join(" ");
}

/** If the clocks change in between, that they do, and that it makes no difference to the run. */
export function clockChange(fromUs, toUs) {
  const offset = (us) => new Date(us / 1000).getTimezoneOffset();
  const change = offset(fromUs) - offset(toUs);
  if (!change) return "";
  let [before, after] = [fromUs, toUs];
  while (after - before > 60e6) {
    const middle = (before + after) / 2;
    if (offset(middle) === offset(fromUs)) before = middle;
    else after = middle;
  }
  return `The clocks go ${change > 0 ? "forward" : "back"} by ${wait(Math.abs(change) * 60e6)} on ${day(after, fromUs)}; the run is no ${change > 0 ? "shorter" : "longer"} for it.`;
}

/**
 * The next time this device's clock says `text` ("06:30"): {utcUs, words}. A time that the clocks leave out has no stamp and
 * says so; one that comes twice is the first that is still to come.
 */
export function named(text, nowUs) {
  const min = minutes(text);
  if (min === null) return { utcUs: null, words: "Name a time of day, as 06:30." };
  const from = new Date(nowUs / 1000);
  const soonest = (nowUs + 60e6) / 1000;
  for (let ahead = 0; ahead <= 1; ahead += 1) {
    const at = new Date(from.getFullYear(), from.getMonth(), from.getDate() + ahead, Math.floor(min / 60), min % 60);
    const again = new Date(at.getTime() + 3600e3);
    const twice = asClock(again.getHours() * 60 + again.getMinutes()) === asClock(min);
    const left = at.getHours() * 60 + at.getMinutes() !== min;
    const time = at.getTime() > soonest ? at : twice && again.getTime() > soonest ? again : null;
    if (time === null) continue;
    if (left) return { utcUs: null, words: `There is no ${asClock(min)} on ${day(at.getTime() * 1000, nowUs)}: the clocks go forward then. Name another time.` };
    const utcUs = time.getTime() * 1000;
    if (utcUs > nowUs + AHEAD_US) return { utcUs: null, words: "That is more than 24 h ahead. Name a time within the next 24 h." };
    return { utcUs, words: `${day(utcUs, nowUs)}, ${clock(utcUs)}: in ${wait(utcUs - nowUs)}.${twice ? ` This time comes twice that night; the ${time === at ? "first" : "second"} is meant.` : ""}` };
  }
  return { utcUs: null, words: "That is less than a minute ahead. Start now, or name a later time." };
}

const KEPT = "soakwarden.waking";

/** Waking hours, kept on this device alone: nobody else is told when this person sleeps. */
export const waking = {
  read() {
    try {
      const { fromMin, toMin } = JSON.parse(localStorage.getItem(KEPT) ?? "null") ?? WAKING;
      return Number.isInteger(fromMin) && Number.isInteger(toMin) ? { fromMin, toMin } : WAKING;
    } catch {
      return WAKING;
    }
  },
  write(hours) {
    try {
      localStorage.setItem(KEPT, JSON.stringify(hours));
    } catch {
      /* a private window keeps nothing; the hours still count until it is closed */
    }
  },
};
