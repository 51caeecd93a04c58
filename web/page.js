/**
 * The page: puts together store, stream, sheets and the stop bar; nothing here decides what a sheet says.
 *
 * One redraw loop: a change or a quarter of a second asks for a frame, a frame shows everything through `show`, which
 * touches what differs. All listeners hang on one AbortController or on the open sheet's own.
 */
import { html, show } from "./markup.js";
import { Store, remembered } from "./state.js";
import { Stream, ask } from "./link.js";
import { Stopper, stations, outlived } from "./stop.js";
import { drawStations, besides } from "./parts/stopbar.js";
import { presentCircuit, drawSmall } from "./parts/circuit.js";
import { mark } from "./parts/marks.js";
import { unreadable } from "./parts/trouble.js";
import { age, clock, day, simulatedWords } from "./text.js";
import { sheet as nowSheet, presentHead, shortState } from "./sheets/now.js";
import { acts as commonActs } from "./sheets/acts.js";

/** The sheets there are, by number. Only Now comes with the page; the others are fetched when they are opened. */
const SHEETS = [
  { number: 1, name: "Now", at: "now", load: async () => nowSheet },
  { number: 3, name: "Schedules", at: "schedules", load: async () => (await import("./sheets/schedules.js")).sheet },
  { number: 4, name: "Record", at: "record", load: async () => (await import("./sheets/record.js")).sheet },
  { number: 7, name: "Alarms", at: "alarms", load: async () => (await import("./sheets/alarms.js")).sheet },
  { number: 9, name: "Chamber", at: "chamber", load: async () => (await import("./sheets/chamber.js")).sheet },
  { number: 10, name: "Legend", at: "legend", load: async () => (await import("./sheets/legend.js")).sheet },
];

const LAG_MS = 20000;
const store = new Store();
const stopper = new Stopper(store);
const stream = new Stream(store);
const page = new AbortController();
const find = (id) => document.getElementById(id);
const places = { sheet: find("sheet"), margin: find("margin"), head: find("phone-head"), stations: find("stations"), besides: find("besides"),
  says: find("says"), alarms: find("alarms-says") };
let open = { entry: SHEETS[0], sheet: nowSheet, gone: new AbortController() };
let asked = false;
let arrived = false;
let listOpen = false;

/** What a sheet may use: the store, the api, its own signal, and a way to another sheet. */
const context = () => ({ store, ask, signal: open.gone.signal, go: (hash) => { location.hash = hash; }, root: places.sheet, redraw });

function redraw() {
  if (asked) return;
  asked = true;
  const frame = document.visibilityState === "hidden" ? (draw) => setTimeout(draw, 250) : requestAnimationFrame;
  frame(() => {
    asked = false;
    draw();
  });
}

function draw() {
  const view = store;
  const staleMs = store.staleMs();
  if (store.now && outlived(store.stop, store.now)) store.stop = { askedMs: null };
  document.title = title(view.now);
  show(places.sheet, open.entry.at === "now" ? open.sheet.render(view) : html`${smallHead(view, staleMs)}${open.sheet.render(view)}`);
  if (arrived) meet();
  show(places.margin, drawMargin(view, staleMs));
  show(places.head, drawPhoneHead(view, staleMs));
  show(places.stations, drawStations(stations(store.stop, store.now, store.ms())));
  show(places.besides, html`${besides(store.now, staleMs !== null, store.stop)}`);
  say(view, staleMs);
  open.sheet.after?.(context());
}

function title(now) {
  const simulated = now?.chamber?.simulated ? "SIMULATED · " : "";
  return `${simulated}${open.entry.name} · Soakwarden`;
}

/** Every sheet but Now carries the small circuit and one sentence of state as its head. */
function smallHead(view, staleMs) {
  const { now } = view;
  const head = presentHead(now, staleMs, view.link, view.ms(), view.unit);
  if (!now) return html`<header class="small-head"><p>${head.sentence} ${head.more}</p></header>`;
  const width = view.layout.kind === "phone" ? view.layout.width : Math.min(560, view.layout.width * 0.45);
  const simulated = simulatedWords(now);
  return html`<header class="small-head ${head.tone}">${drawSmall(presentCircuit(now, staleMs, view.held.chamber, view.unit, view.held.guards), Math.round(width))}<p>${
    head.mark ? mark(head.mark) : ""}${simulated ? html`<span class="simulated">${simulated}.</span> ` : ""}${head.sentence} <span class="old">${age(view.ageMs())} old</span></p></header>`;
}

function standingMark(entry, now, staleMs) {
  if (!now) return "";
  if (entry.at === "now" && staleMs !== null) return mark("stale", 16);
  const asksFor = { now: now.latches.length > 0, alarms: now.latches.length > 0 }[entry.at];
  if (asksFor) return mark("trip", 16);
  return entry.at === "alarms" && now.alarms.some((alarm) => /unacknowledged/u.test(alarm.state)) ? mark("alarm", 16) : "";
}

const sheetList = (view, staleMs) =>
  html`<ol class="sheets">${SHEETS.map((entry) => html`<li><a href="#/${entry.at}" ${entry === open.entry ? html`aria-current="page"` : ""}><span class="no">${
    entry.number}</span> <span class="name">${entry.name}</span>${standingMark(entry, view.now, staleMs)}</a></li>`)}</ol>`;

const unitSwitch = (unit) =>
  html`<button type="button" class="unit-switch" data-do="unit" aria-label="°C °F: temperatures are shown in °${unit}"><span class="${
    unit === "C" ? "on" : ""}">°C</span> <span class="${unit === "F" ? "on" : ""}">°F</span></button>`;

function drawMargin(view, staleMs) {
  const simulated = view.now?.chamber?.simulated;
  return html`<p class="product"><b>Soakwarden</b><span>${view.now?.chamber?.name ?? ""}</span></p>${sheetList(view, staleMs)}${unitSwitch(view.unit)}${
    simulated ? html`<p class="invented">A simulated chamber. All its data is invented.</p>` : ""}`;
}

function drawPhoneHead(view, staleMs) {
  const tone = staleMs === null && view.now?.latches.length ? "bad" : "";
  return html`<button type="button" class="opens" data-do="list" aria-expanded="${listOpen ? "true" : "false"}" aria-controls="phone-list"><b>${open.entry.number}</b> <b>${
    open.entry.name}</b></button><span class="${tone}">${shortState(view.now, staleMs)}</span><span class="old">${view.ageMs() === null ? "" : `${age(view.ageMs())} old`}</span>${
    listOpen ? html`<div class="phone-list" id="phone-list"><nav aria-label="Sheets">${sheetList(view, staleMs)}</nav>${unitSwitch(view.unit)}</div>` : ""}`;
}

/** Read aloud: the sentence when more than its numbers changed; a trip at once. */
function say(view, staleMs) {
  const head = presentHead(view.now, staleMs, view.link, view.ms(), view.unit);
  const bare = head.tone + head.sentence.replace(/[\d.:]+/gu, "");
  if (say.last === bare) return;
  say.last = bare;
  const urgent = head.tone === "trip";
  places[urgent ? "alarms" : "says"].textContent = `${simulatedWords(view.now)} ${head.sentence} ${urgent ? head.more : ""}`.trim();
  places[urgent ? "says" : "alarms"].textContent = "";
}

/** Which layout a width gets, and how wide the drawings may be. */
function measure() {
  const wide = innerWidth;
  const kind = wide < 600 ? "phone" : wide < 900 ? "tablet" : wide < 1200 ? "narrow" : "wide";
  const style = getComputedStyle(places.sheet);
  const width = Math.floor(places.sheet.clientWidth - parseFloat(style.paddingLeft) - parseFloat(style.paddingRight));
  if (width !== store.layout.width || kind !== store.layout.kind) store.set({ layout: { width, kind } });
}

/** Stands in for a sheet whose code could not be fetched; opening it again asks again. */
const unloadable = (entry) => ({ render: () => unreadable(`The sheet ${entry.name} can’t be loaded.`, "The server did not send it. Live values and Stop heating go on.", html`<a href="#/now">Now</a>`) });

async function route() {
  const [at = "now", ...rest] = location.hash.replace(/^#\/?/, "").split("/").filter(Boolean);
  const entry = SHEETS.find((one) => one.at === at);
  if (!entry) return; // a fragment of this sheet, as the skip link's
  const asked = location.hash;
  const sheet = await entry.load().catch(() => unloadable(entry));
  if (asked !== location.hash) return; // somebody went on while it was fetched; that sheet shows itself
  const moved = entry !== open.entry || rest.join("/") !== store.route.rest.join("/");
  open.gone.abort();
  open = { entry, sheet, gone: new AbortController() };
  listOpen = false;
  store.set({ route: { sheet: at, rest } });
  sheet.enter?.(context());
  if (moved) {
    scrollTo(0, 0);
    arrived = true;
  }
}

/** Whoever came by keyboard goes on at the new sheet's head, once it is there; nobody's own focus is taken. */
function meet() {
  const head = places.sheet.querySelector("h1:not(.loading-line)");
  if (!head || (document.activeElement && document.activeElement !== document.body)) return;
  arrived = false;
  head.focus({ preventScroll: true });
}

const own = {
  unit() {
    const unit = store.unit === "C" ? "F" : "C";
    remembered.write(unit);
    store.set({ unit });
  },
  list() {
    listOpen = !listOpen;
    redraw();
  },
};

function clicked(event) {
  const key = event.target.closest("[data-do]");
  if (!key) {
    if (listOpen && !event.target.closest(".phone-list")) own.list();
    return;
  }
  const act = open.sheet.acts?.[key.dataset.do] ?? own[key.dataset.do] ?? commonActs[key.dataset.do];
  act?.(context(), key);
}

function start() {
  const { signal } = page;
  store.unit = remembered.read();
  store.addEventListener("changed", redraw, { signal });
  find("stop").addEventListener("click", () => stopper.press(), { signal });
  document.addEventListener("click", clicked, { signal });
  document.addEventListener("keydown", (event) => { if (event.key === "Escape" && listOpen) own.list(); }, { signal });
  addEventListener("hashchange", route, { signal });
  addEventListener("beforeprint", () => { for (const line of document.querySelectorAll("[data-printed]")) line.textContent = `Printed ${day(Date.now() * 1000)} ${clock(Date.now() * 1000)}`; }, { signal });
  const watch = new ResizeObserver(measure);
  watch.observe(places.sheet);
  const tick = setInterval(redraw, 250);
  addEventListener("pagehide", (event) => {
    if (event.persisted) return;
    page.abort();
    clearInterval(tick);
    watch.disconnect();
    stream.stop();
  }, { signal });
  measure();
  stream.start();
  route();
  followRun();
}

/** The curve of a run from before this page was opened comes once from the record; the stream carries on. */
function followRun() {
  let known = "";
  store.addEventListener("changed", async () => {
    const run = store.now?.run;
    const id = run ? `${store.now.boot}-${run.id}` : "";
    if (id === known) return;
    known = id;
    if (!run) return;
    const { loadRunInto } = await import("./parts/stored.js");
    const justBegun = run.elapsed_us / (store.now.speed || 1) < 10e6; // this page has seen all of it, and the record may not know it yet
    for (const waitMs of justBegun ? [LAG_MS] : [0, LAG_MS]) {
      await new Promise((resolve) => setTimeout(resolve, waitMs)); // the record lags: what was missing the first time is there the second
      if (id !== known || page.signal.aborted) return;
      await loadRunInto(store.trace, run.id, page.signal).catch(() => {}); // the live part is drawn without it
      redraw();
    }
  }, { signal: page.signal });
  let told = "";
  store.addEventListener("changed", async () => {
    const first = store.now?.latches[0];
    if (!first || told === `${first.guard} ${store.now.run?.id}`) return;
    told = `${first.guard} ${store.now.run?.id}`;
    const path = store.now.run ? `/runs/${store.now.run.id}/events?limit=500` : "/events?limit=200";
    const { events } = await ask(path).catch(() => ({ events: [] })); // the order of a trip from before this page was opened
    store.remember(events);
  }, { signal: page.signal });
  for (const [name, path] of [["guards", "/guards"], ["chamber", "/chamber"]]) {
    ask(path).then((answer) => store.hold(name, answer[name] ?? answer)).catch(() => {}); // words only: the sheet stands without
  }
}

if (document.visibilityState === "hidden") start();
else requestAnimationFrame(() => setTimeout(start)); // the page's own text is painted first
export { store };
