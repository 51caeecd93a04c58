/** Before you leave: the checklist as contacts of one line, when to start, and the card. A part of the start of an unattended run. */
import { html } from "../markup.js";
import { Refused } from "../link.js";
import { clock, day, simulatedWords, wait, warmShort } from "../text.js";
import { missing, presentCard, presentLeaving } from "../leaving.js";
import { AIR_HOLDS_US, asClock, lengths, minutes, named, suggestions, waking } from "../starttimes.js";
import { chamberWords, titleBlock } from "../parts/titleblock.js";
import { trouble, unreadable, loading } from "../parts/trouble.js";
import { mark } from "../parts/marks.js";
import { isLoopback, linksTodo } from "../told.js";
import { may } from "../parts/rights.js";
import { styled } from "../parts/styled.js";

const AGAIN_MS = 5000;

/** Ask for checklist, machine rows and card, and again while the sheet is open: a test may arrive meanwhile. */
export async function follow({ store, ask, signal }) {
  styled("rooms");
  let links = may(store.me, "see_messages");
  const read = async () => {
    if (links) ask("/messages", { signal }).then(({ page }) => { store.hold("links", page); links = isLoopback(page); }, () => {}); // once it is mended, no more
    try {
      store.hold("leaving", await ask("/leaving", { signal }));
    } catch (error) {
      if (error instanceof Refused && error.code !== "signed_out") store.hold("leaving", { error });
    }
  };
  const again = setInterval(() => { if (document.visibilityState !== "hidden" && !store.held.leaving?.error) read(); }, AGAIN_MS);
  signal.addEventListener("abort", () => clearInterval(again), { once: true });
  await read();
}

/** The blade hangs from its hinge: closed it meets the post below, open it does not. */
export const contact = ({ closed, fed, live }) => html`<svg width="46" height="56" viewBox="0 0 46 56" aria-hidden="true"><path class="w ${fed ? "volt" : "thin"}" d="M20 0V10"/><path class="w ${closed ? "volt" : ""}" d="${closed ? "M21 18L27 41" : "M22 17L42 38"}" stroke-width="3"/><circle class="ring" cx="20" cy="14" r="4.2"/><path
  class="w ${live ? "volt" : "thin"}" d="M20 42H31M20 42V56"/></svg>`;

const stands = (row) => (row.closed ? html`<span class="says-${row.kind}">${row.says}</span>` : html`<span class="todo">${mark("todo", 20)}${row.says}</span>`);

function drawRow(row) {
  const words = html`<span class="row-words"><b>${row.words}</b><span class="detail">${row.detail}${row.how ? html` <span class="how">${row.how}</span>` : ""}</span></span>`;
  const inside = html`${contact(row)}${words}${stands(row)}`;
  const link = row.kind === "machine" && !row.closed && /message/u.test(row.id) ? html`<a class="plain" href="#/messages">Who is told</a>` : "";
  return html`<li class="contact-row ${row.live ? "live" : ""}" data-key="leave-${row.id}">${row.kind === "person" ? html`<label><input type="checkbox" name="answer" value="${row.id}" ${row.closed ? html`checked` : ""}>${inside}</label>`
    : html`<div class="fixed">${inside}</div>${link}`}</li>`;
}

/** A phone can't open what only this computer can: said where somebody is about to go away with the phone. */
const drawLinks = (page) => (linksTodo(page ?? "", location.origin) ? html`<div class="asks to-do">${mark("todo", 20)}<p><b>Links in messages lead to this computer only.</b> They begin with ${page}, which no phone can open. On the sheet Messages, name the address under which a phone opens this page. <a href="#/messages">Who is told</a></p></div>` : "");

/** The line of contacts, or why it can't be drawn; `page` is what links in messages begin with, where that is known. */
export function drawLine(leaving, answers, page = "") {
  if (!leaving) return html`<p class="loading-line">Reading the checklist.</p>`;
  if (leaving.error) return trouble("The checklist can’t be read.", `${leaving.error.message} An unattended start needs it; a watched one does not.`);
  const view = presentLeaving(leaving, answers);
  return html`<section class="leaving" aria-label="Before you leave"><h2>Before you leave</h2><p>The run can start when this line is whole. <b>${view.sentence}</b> Touch a row to close or open it; what the machine knows closes by itself.</p>${drawLinks(page)}<span
    class="rail-end" aria-hidden="true"></span><ul class="line">${view.rows.map(drawRow)}</ul></section>`;
}

/** A refused start: one row for each thing that is missing, with how to get it. */
export function drawMissing(refused) {
  const rows = missing(refused);
  return html`<section class="lacks" role="alert"><p>${mark("notallowed")} <b>Not started.</b> ${refused.message}</p><ul class="list">${rows.map((row) => html`<li>${mark("todo", 16)}<span><b>${row.words}</b>${row.found ? `, now: ${row.found}` : ""}${
    row.needed ? `; needed: ${row.needed}` : ""}. ${row.how}</span></li>`)}</ul></section>`;
}

/** Which start was chosen: null is now, else {utcUs, words}; a time that can't be meant has no stamp and says why. */
export const chosenStart = (held, nowUs) => (!held.when || held.when === "now" ? null : held.when === "named" ? named(held.time ?? "", nowUs) : { utcUs: Number(held.when), words: "" });

/** Now, the suggestions, or a time of one's own. */
export function drawTimes(held, nowUs, synced, unit) {
  const hours = held.waking ?? waking.read();
  const { preview, cooled } = held;
  const found = suggestions({ ...lengths(preview.curve, preview.duration_us), cooled: cooled ? lengths(cooled.curve, cooled.duration_us) : undefined, nowUs: Math.floor(nowUs / 60e6) * 60e6, waking: hours });
  const when = held.when ?? "now";
  const gone = /^\d+$/u.test(when) && !found.some((one) => String(one.utcUs) === when);
  const own = when === "named" ? named(held.time ?? "", nowUs) : null;
  const option = (value, words, detail) => html`<label data-key="when-${value}"><input type="radio" name="when" value="${value}" ${value === when ? html`checked` : ""}><span><b>${words}</b><span class="detail">${detail}</span></span></label>`;
  return html`<fieldset class="levels times"><legend>When should it start?</legend>${found.map((one) => option(one.now ? "now" : String(one.utcUs), one.now ? "Now" : `At ${clock(one.utcUs)}, ${day(one.utcUs)}`, one.sentence))}${
    gone ? option(when, `At ${clock(Number(when))}, ${day(Number(when))}`, "As you chose.") : ""}${option("named", "At a time of my own", "within the next 24 h, by this device’s clock")}</fieldset>${when === "named" ? html`<div class="field"><label for="own-time">Start at</label><input
    id="own-time" name="time" type="time" value="${held.time ?? ""}" required aria-describedby="own-time-words"><span class="hint" id="own-time-words" role="status">${own.words}</span></div>` : ""}${
    cooled ? html`<p class="caption">The air is at ${warmShort(preview.from_mc, unit)} and cools until a later start: one more than ${wait(AIR_HOLDS_US)} ahead is reckoned from ${warmShort(cooled.from_mc, unit)}, a room’s.</p>` : ""}${
    when !== "now" && synced === false ? html`<p class="asks">${mark("alarm", 16)} The controller’s clock is not synchronised: such a start waits until it is.</p>` : ""}<details class="more-ways" data-key="waking"><summary>You are awake from ${asClock(hours.fromMin)} to ${asClock(hours.toMin)}</summary><div class="pair">${
    [["waking-from", "From", hours.fromMin], ["waking-to", "To", hours.toMin]].map(([id, label, min]) => html`<div class="field"><label for="${id}">${label}</label><input id="${id}" type="time" value="${asClock(min)}" data-waking="${id}"></div>`)}</div><p class="caption">Kept on this device only; the service is not told.</p></details>`;
}

/** Something in the form was changed. Returns what to hold, or null when it is none of these. */
export function changed(held, target, root) {
  if (target.name === "answer") {
    const answers = new Set(held.answers);
    answers[target.checked ? "add" : "delete"](target.value);
    return { answers };
  }
  if (target.name === "level") return { level: target.value };
  if (target.name === "when") return { when: target.value };
  if (target.name === "time") return { time: target.value };
  if (!target.dataset.waking) return null;
  const [fromMin, toMin] = ["#waking-from", "#waking-to"].map((id) => minutes(root.querySelector(id).value));
  if (fromMin === null || toMin === null || fromMin === toMin) return null;
  waking.write({ fromMin, toMin });
  return { waking: { fromMin, toMin } };
}

/** The card: what somebody in the house has to know, on one printed sheet. */
export function renderCard(state) {
  const { leaving } = state.held;
  const back = html`<a href="#/schedules/${state.route.rest[0]}/start">Back to the start</a>`;
  if (leaving?.error) return unreadable("The card can’t be read.", leaving.error.message, back);
  if (!leaving) return loading("Reading the card.");
  const { now } = state;
  const simulated = simulatedWords(now);
  return html`<div class="sheet-head"><p class="kicker screen-only">${back}, print it and hang it where everybody passes</p><h1 tabindex="-1">${simulated ? html`<span class="simulated">${simulated}.</span> ` : ""}${leaving.card?.title ?? `${now?.chamber?.name ?? "The chamber"} is at work.`}</h1></div><article class="card">${
    presentCard(leaving.card, location.origin).map((part) => html`<section><h2>${part.heading}</h2>${part.lines.length > 1 ? html`<ul>${part.lines.map((line) => html`<li>${line}</li>`)}</ul>` : html`<p>${part.lines[0]}</p>`}</section>`)}<section><h2>From another device</h2><p>Both addresses need an account; opened without one they stop nothing.</p><p>The page: <b class="address">${location.origin}/</b></p><p>The plain page that only stops: <b class="address">${location.origin}/stop</b></p>${
    isLoopback(location.origin) ? html`<p class="asks">${mark("todo", 16)} These addresses work on this computer only. Open this card under the address that other devices use, then print it.</p>` : ""}<p>Who has no account stops with the stop bookmark: its key is made on the sheet People and kept on one device.<span class="screen-only"> <a href="#/people">Make one on People</a></span></p></section><section class="by-hand"><h2>The stop bookmark is on the device of</h2><p aria-hidden="true" class="write-line"></p></section><section class="by-hand"><h2>The wall switch or breaker is here</h2><p aria-hidden="true" class="write-line"></p></section><section class="by-hand"><h2>Whom to call, in handwriting</h2><p aria-hidden="true" class="write-line"></p></section></article><p class="links"><button type="button" data-do="print">Print this card</button></p>
    ${titleBlock([[{ label: "Card for", value: chamberWords(now) || "the chamber", wide: true }]], { now, dataMs: 0, data: false })}`;
}
