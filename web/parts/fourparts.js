/**
 * An alarm has four parts and no more: Cause, Done already, Do now, Worry if. If only the page lost contact they are
 * Not known, Known, Do now, Worry if, ruled in ink: the chamber may be fine. Pure.
 */
import { html } from "../markup.js";
import { age, clockSeconds, capital, together, uncapital, watched } from "../text.js";
import { heatOff } from "../heat.js";
import { numbered } from "./marks.js";

/** What the trip says. `latch` is the first-out. */
export function presentTrip(now, latch, unit) {
  const number = watched(latch.value, latch.unit, unit);
  const limit = watched(latch.limit, latch.unit, unit);
  const detail = together(capital(latch.detail)) || (number && limit ? `${number} seen, limit ${limit}.` : "");
  const off = heatOff(now);
  return { tone: "trip", guard: latch.guard, parts: [
    ["Cause", latch.stands === false ? html`<b>It has gone by now.</b> It was: “${together(latch.cause)}” ${detail}` : html`<b>${together(latch.cause)}</b> ${detail}`],
    ["Done already", [together(latch.done), off || now.still_on || !latch.done || !now.board?.present ? seenOff(now, off) : ""].filter(Boolean).join(" ")],
    ["Do now", steps(now.still_on && latch.guard !== "heat_stays_on" && !/^get out/u.test(latch.urgency) ? ["First cut the power, from outside the room: the heat is still on.", ...latch.do] : latch.do)],
    ["Worry if", together(uncapital(latch.worry))],
  ] };
}

/** Who saw the heat off, and when; or that nobody did. */
function seenOff(now, off) {
  if (now.still_on) return "The heat is still on.";
  if (!off && now.board?.present) return "The heat has not been seen off yet.";
  if (!off) return now.stop?.off_seen_utc_us ? `Heat was seen off at ${clockSeconds(now.stop.off_seen_utc_us, true)}; the board has not been heard since.` : "Nobody has seen the heat off.";
  return now.stop?.off_seen_utc_us ? `Heat was seen off at ${clockSeconds(now.stop.off_seen_utc_us, true)}.` : "Every heater switch reads open now.";
}

/** What was done already; whether it is off now is said only where it is seen. */
const DONE = {
  alarm: () => "Nothing was switched off: an alarm asks for a person.",
  hold: () => "The schedule is held; control goes on.",
  interlock: (now, off) => (!now.run?.heat_withheld ? "The heat was told to go off and the schedule held; it has gone on since, by a command, or ended."
    : `The heat ${off ? "is" : "was told to go"} off and the schedule waits. Heat comes back only by a command.`),
  abort: (now, off) => `The heat ${off ? "is off and the run has ended" : "was told to go off and the run ended"}.`,
  trip: (now, off) => (off ? "The heat is off." : "The heat was told to go off."),
};

/** What an alarm says: the machine asks for a person; whether it also withheld heat is in `done`. */
export function presentAlarm(alarm, guard, unit, now) {
  const number = watched(alarm.value, alarm.unit, unit);
  const limit = watched(alarm.limit, alarm.unit, unit);
  const done = DONE[guard?.action]?.(now, heatOff(now)) ?? alarm.why;
  if (/^returned/u.test(alarm.state)) return gone(alarm, done, now);
  return { tone: "warn", guard: alarm.guard, parts: [
    ["Cause", html`<b>${together(alarm.detail ? alarm.cause.replace(/\.$/u, `: ${alarm.detail}.`) : alarm.cause)}</b> ${number && limit ? `${number} seen, limit ${limit}.` : ""} ${together(alarm.why)}`],
    ["Done already", done], ["Do now", steps(alarm.do)], ["Worry if", together(uncapital(alarm.worry))],
  ] };
}

/** An alarm whose cause has gone asks for nothing but to be seen. */
function gone(alarm, done, now) {
  const waits = now.run?.heat_withheld && now.possible?.includes("restart");
  return { tone: "warn", guard: alarm.guard, parts: [
    ["Cause", html`<b>It has gone</b>, since ${clockSeconds(alarm.utc_us)}. It was: “${together(alarm.cause)}”`],
    ["Done already", done], ["Do now", waits ? steps(["Look at the chamber, then press Go on: the heat waits for it.", "Acknowledge that you have seen it."]) : "Acknowledge that you have seen it."], ["Worry if", "it comes again."],
  ] };
}

/** What is known when nothing is heard: `apiHeard` says whether this page, or the server behind it, is cut off; `anew` how a controller comes back. */
export function presentSilence(now, staleMs, apiHeard, anew = "") {
  const since = clockSeconds(now.utc_us);
  const board = now.board?.present ? "The board answered the controller until then." : "The board was not heard by the controller even then.";
  const known = apiHeard ? `This page’s server answers; the controller does not answer it. ${board}` : `This page lost its server. ${board}`;
  return { tone: "ink", guard: "", parts: [
    ["Not known", html`What the heater is doing <b>now</b>. Every value here is from ${since}.`],
    ["Known", known],
    ["Do now", steps([apiHeard ? `Look at the computer the controller runs on. ${anew}`.trim() : "Look at this device’s network first.",
      "In doubt, press Stop heating. It goes another way and says here whether it arrived."])],
    ["Worry if", "Stop heating says “not confirmed” for 10 s: go and look, switch off at the wall."],
  ] };
}

const steps = (list) => html`<ol class="steps">${(list ?? []).map((step, index) => html`<li>${numbered(index + 1)}<span>${together(step)}</span></li>`)}</ol>`;

export const drawFour = (four, keys = []) =>
  html`<section class="four ${four.tone}" aria-label="${capital(four.parts[0][0])} and what to do"><dl>${four.parts.map(([name, words]) =>
    html`<div><dt>${name}</dt><dd>${words}</dd></div>`)}</dl>${keys.length ? html`<div class="keys">${keys.map((key) =>
    html`<button type="button" class="key" data-do="${key.act}" data-value="${key.value}">${key.word}</button>`)}</div>` : ""}</section>`;

/** Beside the curve of a page that hears nothing. */
export const stillHolds = (silenceS) =>
  html`<section class="aside"><h2>What still holds</h2><p>The regulator, the guards and the board work without this page. If the controller itself has stopped, the board shuts its
    outputs by itself within ${silenceS}.</p><p>This page is never the alarm: what must wake somebody has to reach them another way.</p></section>`;

/** The page's age in words for the head. */
export const noNews = (staleMs) => `No news for ${age(staleMs)}.`;
