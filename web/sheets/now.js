/** Sheet 1, Now: the sentence, the circuit, the plan against part and air. Pure; `page.js` shows what it returns. */
import { html } from "../markup.js";
import { capital, clock, levelWords, clockSeconds, simulatedWords, together, uncapital, wait, warmShort, withClock } from "../text.js";
import { ACTIVE, gravest, heatOff, heatWords } from "../heat.js";
import { presentCircuit, drawAcross, drawSmall, drawUpright, isBlamed, listAcross, permitList, permitWords } from "../parts/circuit.js";
import { presentPlan, drawPlan, planScale, hasDetail } from "../parts/plan.js";
import { presentDetail, drawDetail } from "../parts/detail.js";
import { presentBig, drawBig, presentRows, drawRows } from "../parts/readings.js";
import { presentTrip, presentAlarm, presentSilence, drawFour, stillHolds, noNews } from "../parts/fourparts.js";
import { drawEvents } from "../parts/events.js";
import { chamberWords, titleBlock } from "../parts/titleblock.js";
import { drawFilling, startProof } from "../parts/filling.js";
import { mark } from "../parts/marks.js";
import { may, notYours, parted } from "../parts/rights.js";
import { ANEW, refusal } from "../parts/trouble.js";
import { planAt } from "../parts/scales.js";
import { drawNotices, leaveWords, overloads, presentNotices, waitWords, waitsShort } from "../parts/notices.js";

/** How long after its end a run's cooling is still followed on the sheet. */
const AFTER_US = 3 * 3600e6;
/** Of what happened before a trip that much stands beside it. */
const BEFORE_TRIP = 4;
/** What the head says: sentence, the line under it, mark, tone. */
const AWAY = { sentence: "No news from the controller.", mark: "stale", tone: "stale",
  more: "The server answers, the controller does not. Whether the heat is on is not known here: go and look, and unplug the chamber if in doubt." };

export function presentHead(now, staleMs, link, ms, unit) {
  if (!now && link.heardMs != null) return { ...AWAY, more: `${AWAY.more} ${waiting(link, ms)}`.trim() };
  if (!now) return { sentence: "Nothing heard yet.", more: waiting(link, ms), mark: "stale", tone: "stale" };
  if (staleMs !== null) {
    return { sentence: noNews(staleMs), more: `Last seen at ${clockSeconds(now.utc_us)}: ${now.sentence} ${waiting(link, ms)}`, mark: "stale", tone: "stale" };
  }
  const first = now.latches.find((latch) => latch.first_out) ?? now.latches[0];
  if (first?.guard === "not_commissioned") return { sentence: `${heatWords(now)} This chamber is not commissioned yet.`, more: "Until it is, it measures and gives no heat.", mark: "todo", tone: "" };
  if (first) {
    const more = `${heatOff(now) ? "It stays off" : "No heat is permitted"} until a maintainer clears it.`;
    const tripped = `The chamber tripped at ${clock(first.utc_us)}.`;
    const worst = gravest(now);
    if (/^get out/u.test(worst.urgency ?? "") && worst.stands !== false) {
      return { sentence: together(`Get everybody out. ${worst.cause}`), more: together(`${worst.do.filter((one) => one !== "Get everybody out.").slice(0, 2).join(" ")} ${now.still_on ? "The heat is still on." : heatWords(now)} ${tripped}`), mark: "trip", tone: "trip" };
    }
    const leads = worst.guard !== "heat_stays_on" && (worst !== first || now.still_on);
    if (leads) return { sentence: `${now.still_on ? "The heat is still on." : heatWords(now)} ${together(worst.cause)}`, more: `${together(worst.do.slice(0, 2).join(" "))} ${tripped}`, mark: "trip", tone: "trip" };
    const said = now.still_on ? { sentence: heatWords(now), more: `${tripped} ${more}` } : { sentence: `${heatWords(now)} ${tripped}`, more };
    return { ...said, mark: "trip", tone: "trip" };
  }
  const asks = now.alarms.some((alarm) => /unacknowledged/u.test(alarm.state));
  const sentence = together(withClock(now.sentence, now.run?.next?.utc_us, now.utc_us));
  return { sentence, more: now.pending ? armWords(now) : underWords(now), mark: asks ? "alarm" : now.pending && (now.pending.waits_for ?? "arm") === "arm" ? "todo" : "", tone: asks ? "warn" : "", unit };
}

/** The line under the sentence: how a run ended, else what follows; with it the advice about leaving, which costs no height here. */
function underWords(now) {
  const advice = leaveWords(now);
  if (advice?.stays) return `${advice.bold} ${advice.more}`;
  return [together(endedWords(now.run) || now.sentence_more), advice && `${advice.bold} ${advice.more}`].filter(Boolean).join(" ");
}

const ENDED = { aborted: "Aborted", stopped: "Ended early", complete: "Complete" };

/** Of a run that has ended only what was: its cause may be mended by now. What people did is told as past already. */
export function endedWords(run) {
  if (!run?.end || !ENDED[run.state]) return "";
  const told = /^(?:Heat stopped|Cooled down)\b/u.test(run.end) ? run.end : `The cause then: ${uncapital(run.end)}`;
  return `${ENDED[run.state]} at ${clock(run.started_utc_us + run.elapsed_us)}. ${told}`;
}

function waiting(link, ms) {
  if (link.phase !== "waiting" || link.retryAtMs === null) return "Listening.";
  return `Trying again in ${wait(Math.max(1000, link.retryAtMs - ms) * 1000)}.`;
}

/** While a start waits. */
export const armWords = waitWords;

const headMark = (head) => (head.mark ? mark(head.mark, 40) : "");

function drawHead(head, now, big) {
  const simulated = simulatedWords(now);
  return html`<header class="now-head ${head.tone}"><div class="says">${headMark(head)}<div><h1 tabindex="-1" id="sentence">${
    simulated ? html`<span class="simulated">${simulated}.</span> ` : ""}${head.sentence}</h1><p class="more">${head.more}</p></div></div>${big}</header>`;
}

/** The four parts that stand on the sheet, if anything asks for a person. */
function four(state, staleMs) {
  const { now, unit, held } = state;
  if (staleMs !== null) return presentSilence(now, staleMs, state.ms() - (state.link.heardMs ?? 0) < 5000, state.chambers.chambers.length > 1 ? ANEW : "");
  const latch = gravest(now);
  if (latch) return { ...presentTrip(now, latch, unit), ...(latch.guard === "not_commissioned" ? { tone: "ink" } : {}) };
  const alarm = now.alarms.find((one) => /unacknowledged/u.test(one.state));
  return alarm ? presentAlarm(alarm, held.guards?.find((guard) => guard.id === alarm.guard), unit, now) : null;
}

const alarmKeys = (now, staleMs, me) => {
  if (staleMs !== null) return [];
  return [...now.alarms].filter((alarm) => /unacknowledged/u.test(alarm.state)).slice(0, 1).map((alarm) => ({ word: "Acknowledge", act: "acknowledge", value: alarm.guard }))
    .concat(now.run?.heat_withheld && now.possible.includes("restart") && may(me, "restart") ? [{ word: "Go on", act: "run", value: "restart" }] : []);
};

/** Keys of the title block: only what the run's state allows now. */
export function runKeys(now) {
  const possible = new Set(now.possible);
  const run = (need, word, value) => possible.has(need) && { word, act: "run", value, need };
  return [run("hold", "Hold", "hold"), run("restart", "Go on", "restart"), run("cool_down", "Cool down", "cool-down"), now.run && run("reset", "Put this run away", "reset"),
    possible.has("check_in") && ACTIVE.has(now.run?.state) && now.run.level !== "unattended" && !now.check_in && { word: "I am watching", act: "check-in", need: "check_in" }].filter(Boolean);
}

function block(state, staleMs) {
  const { now } = state;
  const run = now.run;
  const what = run ? [{ label: `Run ${run.id}, ${run.state}`, value: run.name, wide: true }, { label: "Watched", value: levelWords(run.level) }, run.proof && { label: "Start proof", value: `step ${run.proof.step} of ${run.proof.of}` }].filter(Boolean)
    : [{ label: "Run", value: now.pending ? waitsShort(now.pending) : "none", wide: true }];
  const chamber = [{ label: chamberWords(now), value: `may run ${now.chamber.may_do}`.replace("run measure", "measure"), wide: true },
    now.chamber.next_thing && { label: "Next to buy or prove", value: html`<a href="#/proofs">${now.chamber.next_thing}</a>`, wide: true }];
  const { yours, others } = parted(state.me, staleMs === null ? runKeys(now) : []);
  if (others.length) chamber.push({ label: "Not yours to do", value: notYours(others.map((key) => key.word).join(", "), others[0].need), wide: true });
  return titleBlock([what, chamber], { now, dataMs: state.ageMs(), keys: yours });
}

function planView(state, staleMs) {
  const { now, trace, unit } = state;
  const part = now.readings.find((reading) => reading.role === "part");
  const trip = now.latches.find((latch) => latch.first_out) ?? null;
  const nowUs = staleMs === null ? now.utc_us : state.utcNow();
  const endedUs = ACTIVE.has(now.run.state) || now.run.state === "aborting" ? null : now.run.started_utc_us + now.run.elapsed_us;
  const longAgo = endedUs !== null && nowUs - endedUs > AFTER_US ? endedUs : null;
  return presentPlan({ run: { ...now.run, sure_mc: part?.uncertainty_mc ?? 0, shown_ended_us: longAgo }, trace, nowUs: longAgo ?? nowUs, dataUs: now.utc_us,
    hotMc: now.chamber.hot_mc, unit, staleMs, trip, columns: state.layout.kind === "phone" ? 160 : 420 });
}

/** While both switches are tried apart, at the beginning of every run: how far that has come. */
const drawProof = (proof, phone) => (proof ? html`<section class="start-proof" aria-label="Start proof">${drawFilling(phone ? { ...proof, words: "" } : proof)}</section>` : ""); // a phone's head says the words already

/** The lower half: plan, and beside it detail A, the order of a trip, or what still holds. */
function drawLower(state, staleMs) {
  const { now, layout, trace } = state;
  if (now.pending) return toCome(state);
  if (!now.run) return ghost(state);
  const view = planView(state, staleMs);
  const tripped = now.latches.length > 0;
  const width = layout.kind === "wide" ? layout.width - 326 : layout.width;
  const phone = width < 460;
  const size = { width, height: phone ? 244 : 300, phone };
  const detail = drawDetailOf(view, trace, size, now);
  const aside = staleMs !== null ? stillHolds(wait(5e6)) : tripped ? inOrder(state) : phone ? "" : html`<div class="aside">${detail}</div>`;
  return html`<div class="lower"><div class="curve">${drawPlan(view, { ...size, lens: Boolean(detail) && !tripped && staleMs === null && !phone })}${phone ? phoneWords(view, now) : ""}</div>${aside}</div>`;
}

const drawDetailOf = (view, trace, size, now) => (ACTIVE.has(now.run.state) && hasDetail(view) ? drawDetail(presentDetail(view, trace, planScale(view, size)), { size: 250 }) : "");

/** On a phone the plan's words stand below it. */
function phoneWords(view, now) {
  const planned = planAt(view.plan, now.utc_us);
  return html`<ul class="under-plan">${view.next ? html`<li>${view.next.what} ${view.next.after ? `${view.next.in_us ? `${wait(view.next.in_us)} after` : "once"} ${view.next.after}` : `in ${wait(view.next.atUs - view.nowUs)}, at ${clock(view.next.atUs)}`}</li>` : ""}${
    view.cool ? html`<li>under ${warmShort(view.cool.mc, view.unit)} in ${wait(view.cool.utc_us - view.nowUs)}, at ${clock(view.cool.utc_us)}, by the plan</li>` : ""}${
    planned !== null && !now.run.end ? html`<li>plan now ${warmShort(planned, view.unit)}</li>` : ""}</ul>`;
}

function inOrder(state) {
  const first = state.now.latches.find((latch) => latch.first_out) ?? state.now.latches[0];
  const kinds = new Set(["tripped", "heat_seen_off", "run_state", "guard", "board_lost", "board_booted", "command_accepted", "alarm", "reading"]);
  const near = state.events.filter((event) => kinds.has(event.kind) && event.utc_us > first.utc_us - 120e6 && event.utc_us < first.utc_us + 600e6);
  const tripAt = near.findIndex((event) => event.kind === "tripped");
  const shown = near.slice(Math.max(0, tripAt - BEFORE_TRIP)).slice(0, 12);
  return html`<section class="aside"><h2>In this order</h2>${shown.length ? drawEvents(shown) : html`<p>${clockSeconds(first.utc_us, true)} ${first.cause}</p>`}</section>`;
}

/** No run: the dashed ghost of the drawing to come, one sentence, one link. */
function ghost({ now, layout, me }) {
  const width = layout.kind === "wide" ? layout.width - 326 : layout.width;
  const start = may(me, "start") ? html`<a href="#/schedules">Choose a schedule and start it</a>` : notYours("Starting one", "start");
  const next = now.chamber.may_do === "measure only" ? `This chamber may only measure. ${now.chamber.next_thing}` : now.latches.length ? html`Nothing can start before the trip is cleared. <a href="#/alarms">Look at the trip</a>` : start;
  return html`<div class="lower"><div class="curve empty"><svg width="${width}" height="200" viewBox="0 0 ${width} 200" aria-hidden="true"><path class="ghost" d="M30 10V180H${width}"/><path
    class="ghost" d="M50 165L${width * 0.28} 50H${width * 0.7}L${width * 0.95} 150"/></svg><p><b>No run is on.</b> ${next}</p></div></div>`;
}

/** A start waits: its plan, once that was fetched. */
function toCome({ now, layout, unit, held }) {
  const width = layout.kind === "wide" ? layout.width - 326 : layout.width;
  const { schedule } = now.pending;
  const { waiting: plan } = held;
  const known = plan && plan.name === schedule;
  return html`<div class="lower"><div class="curve empty to-come">${known ? plan.draw(plan.curve, { width, height: layout.kind === "phone" ? 180 : 210, unit, segments: plan.segments }) : ""}<p><b>${schedule ? `${schedule} waits to start.` : "A start waits."}</b> ${
    known ? `Its plan takes ${wait(plan.duration_us)} at least. ` : ""}The first reading of the run will stand here.</p></div></div>`;
}

/** What the phone's head says beside the sheet's name. */
export function shortState(now, staleMs) {
  if (!now || staleMs !== null) return "no news";
  if (now.latches.length) return `Tripped ${clock(now.latches[0].utc_us)}`;
  const run = now.run;
  if (!run || now.pending) return now.pending ? waitsShort(now.pending) : "idle";
  const segment = run.segments[run.segment];
  return capital(ACTIVE.has(run.state) && run.state === "running" && segment ? (segment.kind === "cool" ? "cooling" : segment.kind) : run.state);
}

export const sheet = {
  number: 1,
  name: "Now",
  render(state) {
    const { now, layout, unit, held } = state;
    const staleMs = state.staleMs();
    const head = presentHead(now, staleMs, state.link, state.ms(), unit);
    const several = state.chambers.chambers.length > 1;
    if (!now) return html`${drawHead(head, { chamber: state.shownRow() }, "")}${state.link.heardMs != null ? several && html`<p>${ANEW}</p>` : html`<p class="loading-line">Asking the server for the first reading.</p>`}`;
    const view = presentCircuit(now, staleMs, held.chamber, unit, held.guards);
    const parts = four(state, staleMs);
    const phone = layout.kind === "phone";
    const tablet = layout.kind === "tablet";
    const upright = html`<div class="circuit-box">${drawUpright(view)}${view.permit.given ? "" : permitWords(view)}${permitList(view)}</div>`;
    const across = html`<div class="circuit-box">${drawAcross(view, layout.width)}${listAcross(view)}${permitList(view)}</div>`;
    const trouble = parts && parts.tone !== "warn";
    const small = phone && trouble ? html`<div class="circuit-box">${drawSmall(view, layout.width)}${isBlamed(view) ? permitWords(view) : ""}${permitList(view)}</div>` : "";
    const circuit = small ? "" : phone || tablet ? upright : across;
    return html`${small}${drawHead(head, now, drawBig(presentBig(now, state.ageMs(), unit)))}${parts ? drawFour(parts, alarmKeys(now, staleMs, state.me)) : ""}${staleMs === null ? drawNotices(presentNotices(now, overloads(state.chambers), held.waiting), state.me) : ""}${staleMs === null ? drawProof(startProof(now), phone) : ""}
      ${tablet ? html`<div class="sides">${circuit}${drawLower({ ...part(state), layout: { ...layout, width: layout.width - 300 } }, staleMs)}</div>` : html`${circuit}${drawLower(state, staleMs)}`}
      ${refusal(held.refusal)}<div class="foot">${drawRows(presentRows(now, state.ageMs(), unit))}${block(state, staleMs)}</div>`;
  },
};

/** A state with another width: the store's methods stay its own. */
const part = (state) => ({ now: state.now, trace: state.trace, events: state.events, unit: state.unit, held: state.held, link: state.link, me: state.me,
  utcNow: () => state.utcNow(), ageMs: () => state.ageMs(), ms: () => state.ms() });
