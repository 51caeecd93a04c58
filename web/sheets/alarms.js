/** Sheet 7, Alarms: what asks for a person now, and everything that is watched. */
import { html } from "../markup.js";
import { capital, clockSeconds, many, together, wait, watched } from "../text.js";
import { presentTrip, presentAlarm, drawFour } from "../parts/fourparts.js";
import { titleBlock } from "../parts/titleblock.js";
import { gravest, heatOff } from "../heat.js";
import { mark } from "../parts/marks.js";
import { may, notYours } from "../parts/rights.js";
import { refusal, trouble } from "../parts/trouble.js";
import { Refused } from "../link.js";

const AGAIN_MS = 5000;
const ACTIONS = { trip: "trips: heat off, latched", abort: "ends the run: heat off", interlock: "heat off until Go on", hold: "holds the schedule", alarm: "asks for a person" };

async function load({ store, ask, signal }) {
  try {
    const answer = await ask("/guards", { signal });
    store.hold("guards", answer.guards ?? answer);
    store.hold("guards_error", "");
  } catch (error) {
    if (error instanceof Refused) store.hold("guards_error", error.message);
  }
}

const asksFor = (alarm) => /unacknowledged/u.test(alarm.state);

/** What the sheet's first sentence says. */
export function headline(now) {
  if (!now) return ["Nothing heard yet.", ""];
  const trips = now.latches.length;
  const alarms = now.alarms.filter((alarm) => !now.latches.some((latch) => latch.guard === alarm.guard));
  if (trips) return [`${many(trips, "trip")} latched.`, `${heatOff(now) ? "The heat stays off" : "No heat is permitted"} until a maintainer has found the cause and clears it. Clearing never brings the heat back by itself.`];
  if (alarms.length) return [`${many(alarms.length, "alarm")}.`, "An alarm asks for a person; what the machine did by itself stands beside it."];
  return ["Nothing asks for a person.", "Below is everything that is watched, every second, with its limit and what it would do."];
}

function standingNow(now, guards, unit, me) {
  const first = gravest(now);
  const shown = [...now.latches].sort((a, b) => (b === first) - (a === first)).map((latch) => {
    const alarm = now.alarms.find((one) => one.guard === latch.guard);
    const keys = alarm && asksFor(alarm) ? [{ word: "Acknowledge", act: "acknowledge", value: latch.guard }] : [];
    return html`<section class="standing"><h2>${mark("trip", 18)} ${capital(latch.guard.replaceAll("_", " "))}${latch.first_out ? ", first-out" : ""}, ${clockSeconds(latch.utc_us, true)}</h2>${drawFour(presentTrip(now, latch, unit), keys)}${
      keys.length ? html`<p class="caption">Acknowledge only says that you have seen it.</p>` : ""}<div class="clearing"><p>Clear is for a maintainer, once the cause is found and mended. It is refused while the cause stands. It starts nothing and brings no heat back.</p>${may(me, "clear") ? html`<button
      type="button" class="key quiet" data-do="clear" data-value="${latch.guard}">Clear this trip</button>` : notYours("Clearing", "clear")}</div></section>`;
  });
  const alone = now.alarms.filter((alarm) => !now.latches.some((latch) => latch.guard === alarm.guard)).map((alarm) => html`<section class="standing"><h2>${mark("alarm", 18)} ${
    capital(alarm.guard.replaceAll("_", " "))}, ${alarm.state}, since ${clockSeconds(alarm.utc_us)}</h2>${drawFour(presentAlarm(alarm, guards?.find((guard) => guard.id === alarm.guard), unit, now), asksFor(alarm) ? [{ word: "Acknowledge", act: "acknowledge", value: alarm.guard }] : [])}</section>`);
  return html`${shown}${alone}`;
}

/** How long it must stand before it acts. */
export const persistWords = (us) => (us ? `after ${us < 10e6 ? `${us / 1e6}\u00a0s` : wait(us)}` : "at once");

function guardRow(guard, unit) {
  const limit = watched(guard.limit_value, guard.unit, unit);
  const value = watched(guard.value, guard.unit, unit);
  const sign = guard.latched ? mark("trip", 16) : guard.stands ? mark("alarm", 16) : "";
  const words = guard.latched ? "latched" : guard.stands ? "stands" : value ? `now ${value}` : guard.unknown ? "not known" : "clear";
  return html`<details data-key="guard-${guard.id}"><summary><span>${sign}</span><span class="guardcause">${together(guard.cause)}</span><span class="details"><span class="detail">${ACTIONS[guard.action] ?? guard.action}, ${persistWords(guard.persist_us)}</span><span
    class="detail">${limit ? `limit ${limit}` : ""}</span><span class="detail ${guard.stands || guard.latched ? "bad" : ""}">${words}</span></span></summary><div class="guardbody"><p>${together(guard.why)}</p><p>Looks ${guard.during}. Counts as “${guard.contact}” in the permit line. ${
    capital(guard.urgency)}. Hazards ${guard.hazards}; its name in the record is ${guard.id}.</p><p>What to do: ${together(guard.do.join(" "))}</p><p>Worry if: ${together(guard.worry)}</p></div></details>`;
}

export const sheet = {
  number: 7,
  name: "Alarms",
  enter(context) {
    const again = setInterval(() => load(context), AGAIN_MS);
    context.signal.addEventListener("abort", () => clearInterval(again), { once: true });
    return load(context);
  },
  render(state) {
    const { now, unit, held } = state;
    const [bold, more] = headline(now);
    const guards = held.guards;
    return html`<div class="sheet-head"><h1 tabindex="-1">${bold}</h1><p class="lead">${more}</p></div>${refusal(held.refusal)}${now ? standingNow(now, guards, unit, state.me) : ""}
      <p class="links"><a href="#/messages">Who is told</a></p><section class="guardlist" aria-label="Everything that is watched"><h2>Everything that is watched</h2><p class="caption">In order of precedence. Open a row for why, what to do and its hazards.</p>${
      held.guards_error ? trouble("The guard table can’t be read.", held.guards_error) : Array.isArray(guards) ? guards.map((guard) => guardRow(guard, unit)) : html`<p class="loading-line">Reading the table.</p>`}</section>
      ${titleBlock([[{ label: "Sheet", value: "Alarms", wide: true }, { label: "Latched", value: now ? now.latches.length : "not known" }, { label: "Watched", value: Array.isArray(guards) ? guards.length : "not known" }]], { now, dataMs: state.ageMs() })}`;
  },
};
