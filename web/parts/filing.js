/** The filing margin and the phone's list: sheets by number, chambers by name. Pure. */
import { html } from "../markup.js";
import { oldWords } from "../text.js";
import { shortState } from "../sheets/now.js";
import { mark } from "./marks.js";
import { ANEW } from "./trouble.js";

function standingMark(entry, now, staleMs) {
  if (!now) return "";
  if (entry.at === "now" && staleMs !== null) return mark("stale", 16);
  const asksFor = { now: now.latches.length > 0, alarms: now.latches.length > 0 }[entry.at];
  if (asksFor) return mark("trip", 16);
  return entry.at === "alarms" && now.alarms.some((alarm) => /unacknowledged/u.test(alarm.state)) ? mark("alarm", 16) : "";
}

const sheetList = (view, staleMs, entries, open) =>
  html`<ol class="sheets">${entries.map((entry) => html`<li><a href="#/${entry.at}" ${entry === open ? html`aria-current="page"` : ""}><span class="no">${
    entry.number}</span> <span class="name">${entry.name}</span>${standingMark(entry, view.now, staleMs)}</a></li>`)}</ol>`;

/** The chamber in view as the stream tells it; the list of all is ten seconds old at worst. */
function live(row, view, shown, staleMs) {
  const { now } = view;
  if (row.at !== shown || !now || staleMs !== null) return row;
  const asks = now.alarms.some((alarm) => /unacknowledged/u.test(alarm.state));
  return { at: row.at, away: "", now: { ...row.now, name: now.chamber.name, simulated: now.chamber.simulated, sentence: now.sentence, state: now.pending ? "start waits" : now.run?.state ?? "idle",
    latched: now.latches.length > 0, alarms: asks, permit: now.permit.given } };
}

/** States of a run in which somebody may be missed. */
const HELD = new Set(["held", "holding"]);

/** A chamber in one line: its mark, and what it does in a word or two. */
export function chamberLine(row) {
  const { now } = row;
  if (!now || row.away) return { mark: "stale", words: now || row.name ? "not heard" : "not heard yet", sentence: row.away ? "No news from its controller." : "Nothing heard yet." };
  const latched = Array.isArray(now.latched) ? now.latched.length > 0 : Boolean(now.latched);
  const heats = now.permit === true || now.permit?.given === true;
  const words = latched ? "tripped" : [now.state || "idle", heats ? "may heat" : "heat off"].filter(Boolean).join(", ");
  const asks = Boolean(now.alarms) || /^Held with the heat off\b/u.test(now.sentence ?? "");
  return { mark: latched ? "trip" : asks ? "alarm" : HELD.has(now.state) ? "todo" : "", words, sentence: now.sentence };
}

/** As it is called now, or was when it was heard last; before that as its address calls it. */
export const nameOf = (row) => row.now?.name ?? row.name ?? row.at;
export const isSimulated = (row) => Boolean(row?.now?.simulated ?? row?.simulated);

/** Every chamber of this service; nothing where there is one. */
function chamberList(view, full, staleMs) {
  const { chambers } = view.chambers;
  if (chambers.length < 2) return "";
  const shown = view.at || chambers[0].at;
  return html`${full ? html`<h2 class="switch">Which chamber</h2>` : ""}<ul class="chambers" aria-label="Chambers">${chambers.map((found) => {
    const row = live(found, view, shown, staleMs);
    const line = chamberLine(row);
    return html`<li><a href="#/at/${encodeURIComponent(row.at)}/now" ${row.at === shown ? html`aria-current="true"` : ""}>${line.mark ? mark(line.mark, 14) : ""}<span><b>${nameOf(row)}</b><span class="state">${
      full ? line.sentence : line.words}${full && isSimulated(row) ? " SIMULATED." : ""}${full ? html`<span class="pick">${row.at === shown ? "This one is shown." : "Show this one."}</span>` : ""}</span></span></a></li>`;
  })}</ul>`;
}

/** What asks for somebody at another chamber, on every sheet: a trip, an alarm, silence. Nothing while all is calm. */
export function elsewhere(view) {
  const { chambers } = view.chambers;
  const shown = view.at || chambers[0]?.at;
  return chambers.filter((row) => row.at !== shown && chambers.length > 1).map((row) => ({ row, line: chamberLine(row) })).filter(({ line }) => /trip|alarm|stale/u.test(line.mark)).map(({ row, line }) => {
    const out = /^get out/u.test(row.now?.urgency ?? "") ? html`<b>Get everybody out.</b> ` : "";
    const said = line.mark === "stale" ? `no news from its controller. Go and look. ${ANEW}` : line.sentence;
    return html`<p class="elsewhere ${line.mark === "trip" ? "bad" : ""}" data-key="elsewhere-${row.at}">${mark(line.mark, 16)}<span>${out}<b>${nameOf(row)}</b>${line.mark === "stale" && isSimulated(row) ? ", SIMULATED" : ""}: ${said} <a href="#/at/${encodeURIComponent(row.at)}/now">Show it</a></span></p>`;
  });
}

const unitSwitch = (unit) =>
  html`<button type="button" class="unit-switch" data-do="unit" aria-label="°C °F: temperatures are shown in °${unit}"><span class="${
    unit === "C" ? "on" : ""}">°C</span> <span class="${unit === "F" ? "on" : ""}">°F</span></button>`;

export function drawMargin(view, staleMs, entries, open) {
  const row = view.shownRow();
  const simulated = view.now?.chamber?.simulated ?? isSimulated(row);
  const out = view.signedOut();
  return html`<p class="product"><b>Soakwarden</b><span>${out ? "signed out" : view.now?.chamber?.name ?? row?.name ?? ""}</span></p>${out ? "" : html`${chamberList(view, false, staleMs)}${sheetList(view, staleMs, entries, open)}${unitSwitch(view.unit)}`}${
    simulated && !out ? html`<p class="invented">A simulated chamber. All its data is invented.</p>` : ""}`;
}

export function drawPhoneHead(view, staleMs, entries, open, listOpen) {
  if (view.signedOut()) return html`<b class="opens">Soakwarden</b><span>signed out</span>`;
  const tone = staleMs === null && view.now?.latches.length ? "bad" : "";
  const { chambers } = view.chambers;
  const several = chambers.length > 1; // which one this is has to be read before anything else
  const name = several ? view.now?.chamber?.name ?? nameOf(view.shownRow() ?? chambers[0]) : "";
  return html`<button type="button" class="opens" data-do="list" aria-expanded="${listOpen ? "true" : "false"}" aria-controls="phone-list"><b>${open.number ?? ""}</b> <span><b>${
    open.name}</b>${several ? html`<span class="which">${name}</span>` : ""}</span></button><span class="${tone}">${shortState(view.now, staleMs)}</span><span class="old">${view.ageMs() === null ? "" : oldWords(view.ageMs(), view.now)}</span>${
    listOpen ? html`<div class="phone-list" id="phone-list">${chamberList(view, true, staleMs)}<nav aria-label="Sheets">${sheetList(view, staleMs, entries, open)}</nav>${unitSwitch(view.unit)}</div>` : ""}`;
}
