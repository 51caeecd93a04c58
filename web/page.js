/**
 * The page: puts together store, stream, sheets and the stop bar; nothing here decides what a sheet says.
 *
 * One redraw loop: a change or a quarter of a second asks for a frame, a frame shows everything through `show`, which
 * touches what differs. All listeners hang on one AbortController or on the open sheet's own.
 */
import { html, show } from "./markup.js";
import { Store, remembered } from "./state.js";
import { Stream, ask, choose, whenSignedOut } from "./link.js";
import { Stopper, stations, outlived, wayOut } from "./stop.js";
import { drawStations, drawBesides } from "./parts/stopbar.js";
import { drawMargin, drawPhoneHead, elsewhere, isSimulated, nameOf } from "./parts/filing.js";
import { presentCircuit, drawSmall } from "./parts/circuit.js";
import { mark } from "./parts/marks.js";
import { unreadable } from "./parts/trouble.js";
import { clock, day, oldWords, simulatedWords } from "./text.js";
import { sheet as nowSheet, presentHead } from "./sheets/now.js";
import { acts as commonActs } from "./sheets/acts.js";

/** The sheets there are, by number. Only Now comes with the page; the others are fetched when they are opened. */
const SHEETS = [
  { number: 1, name: "Now", at: "now", load: async () => nowSheet },
  { number: 3, name: "Schedules", at: "schedules", load: async () => (await import("./sheets/schedules.js")).sheet },
  { number: 4, name: "Record", at: "record", load: async () => (await import("./sheets/record.js")).sheet },
  { number: 6, name: "Proofs", at: "proofs", load: async () => (await import("./sheets/proofs.js")).sheet },
  { number: 7, name: "Alarms", at: "alarms", load: async () => (await import("./sheets/alarms.js")).sheet },
  { number: 8, name: "People", at: "people", load: async () => (await import("./sheets/people.js")).sheet },
  { number: 9, name: "Chamber", at: "chamber", load: async () => (await import("./sheets/chamber.js")).sheet },
  { number: 10, name: "Legend", at: "legend", load: async () => (await import("./sheets/legend.js")).sheet },
  { number: 11, name: "Messages", at: "messages", load: async () => (await import("./sheets/messages.js")).sheet },
];
/** Sheets that are no part of the file: they are reached by a link, or stand in for all others while nobody is signed in. */
const DOORS = ["sign-in", "join"].map((at) => ({ name: "Sign in", at, load: async () => (await import("./sheets/sign_in.js")).sheet }));
const CHAMBERS_MS = 10000;

const LAG_MS = 20000;
const store = new Store();
const stopper = new Stopper(store);
let stream = null;
const page = new AbortController();
const find = (id) => document.getElementById(id);
const places = { sheet: find("sheet"), margin: find("margin"), head: find("phone-head"), stations: find("stations"), besides: find("besides"),
  says: find("says"), alarms: find("alarms-says"), stopAt: find("stop-at") };
let open = { entry: SHEETS[0], sheet: nowSheet, gone: new AbortController() };
let asked = false;
let arrived = false;
let listOpen = false;

/** What a sheet may use: the store, the api, its own signal, and a way to another sheet. */
const context = () => ({ store, ask, signal: open.gone.signal, go: (hash) => { location.hash = hash; }, root: places.sheet, redraw, signedIn, who });

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
  if (staleMs === null) stopper.answeredBy(store.now, store.at);
  if (store.now && outlived(store.stop, store.now, store.ms())) store.stop = { askedMs: null };
  document.title = title(view);
  const head = open.entry.at === "now" ? "" : smallHead;
  show(places.sheet, DOORS.includes(open.entry) ? open.sheet.render(view) : html`${elsewhere(view)}${head && head(view, staleMs)}${open.sheet.render(view)}`);
  if (arrived) meet();
  show(places.margin, drawMargin(view, staleMs, SHEETS, open.entry));
  show(places.head, drawPhoneHead(view, staleMs, SHEETS, open.entry, listOpen));
  drawStop(view, staleMs);
  if (!store.signedOut()) say(view, staleMs);
  open.sheet.after?.(context());
}

function title({ now }) {
  if (store.signedOut()) return "Sign in · Soakwarden";
  const known = now?.chamber ?? store.shownRow();
  return [known?.simulated && "SIMULATED", open.entry.name, known?.name, "Soakwarden"].filter(Boolean).join(" · ");
}

/** The bar at the foot. The key names the chamber that it stops as soon as a name is known; one of several is known by its address before. */
function drawStop(view, staleMs) {
  const out = store.signedOut();
  const several = store.chambers.chambers.length > 1;
  const row = store.shownRow();
  show(places.stopAt, html`${out ? "" : view.now?.chamber?.name ?? (several && row ? nameOf(row) : row?.now?.name ?? row?.name ?? "")}`);
  show(places.stations, drawStations(stations(store.stop, out ? null : store.now, store.ms())));
  show(places.besides, drawBesides({ now: store.now, stale: staleMs !== null, press: store.stop, out, at: store.chamberName(), wayOut: wayOut(store.stop, store.ms()) }));
}

/** Every sheet but Now carries the small circuit and one sentence of state as its head. */
function smallHead(view, staleMs) {
  const { now } = view;
  const head = presentHead(now, staleMs, view.link, view.ms(), view.unit);
  if (!now) return html`<header class="small-head"><p>${isSimulated(view.shownRow()) ? html`<span class="simulated">SIMULATED.</span> ` : ""}${head.sentence} ${head.more}</p></header>`;
  const width = view.layout.kind === "phone" ? view.layout.width : Math.min(560, view.layout.width * 0.45);
  const simulated = simulatedWords(now);
  return html`<header class="small-head ${head.tone}">${drawSmall(presentCircuit(now, staleMs, view.held.chamber, view.unit, view.held.guards), Math.round(width))}<p>${
    head.mark ? mark(head.mark) : ""}${simulated ? html`<span class="simulated">${simulated}.</span> ` : ""}${head.sentence} <span class="old">${oldWords(view.ageMs(), now)}</span></p></header>`;
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

/** How high the bar is, so that nothing ends below it: a long name makes it grow. */
function measureBar([{ target }]) {
  document.documentElement.style.setProperty("--bar", `${target.offsetHeight}px`);
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

/** `#/at/garage/record/3` -> which chamber, which sheet, and the rest. Without `at` the chamber shown before stays. */
function parts() {
  const all = location.hash.replace(/^#\/?/, "").split("/").filter(Boolean);
  if (all[0] === "at" && all.length > 1) return { at: decodeURIComponent(all[1]), sheet: all[2] ?? "now", rest: all.slice(3) };
  if (store.at && /^#?(?:\/|$)/u.test(location.hash)) history.replaceState(null, "", `#/at/${encodeURIComponent(store.at)}/${all.join("/")}`); // so that a bookmark names it
  return { at: store.at, sheet: all[0] ?? "now", rest: all.slice(1) };
}

async function route(again = false) {
  const { at, sheet: name, rest } = parts();
  const known = SHEETS.find((one) => one.at === name) ?? DOORS.find((one) => one.at === name);
  if (!known) return; // a fragment of this sheet, as the skip link's
  if (at !== store.at) turnTo(at);
  const entry = store.signedOut() && !DOORS.includes(known) ? DOORS[0] : known;
  const asked = location.hash;
  const sheet = await entry.load().catch(() => unloadable(entry));
  if (asked !== location.hash) return; // somebody went on while it was fetched; that sheet shows itself
  if (store.signedOut() && !DOORS.includes(entry)) return; // the sign-in form came meanwhile
  const moved = entry !== open.entry || rest.join("/") !== store.route.rest.join("/");
  open.gone.abort();
  open = { entry, sheet, gone: new AbortController() };
  listOpen = false;
  store.set({ route: { sheet: entry.at, rest } });
  sheet.enter?.(context());
  if (moved && again !== true) {
    scrollTo(0, 0);
    arrived = true;
  }
}

/** Another chamber: another stream, and nothing of the one before on the page. A press of Stop heating goes on where it was made. */
function turnTo(at) {
  choose(at);
  stream.stop();
  store.turnTo(at);
  store.set({ stop: stopper.pressOf(at) });
  stream = new Stream(store);
  if (!store.signedOut()) stream.start();
  who();
  words();
}

/** Who is asking. An answer that cannot be had changes nothing: the page shows what it can. */
async function who() {
  const me = await ask("/me").catch(() => null);
  if (!me) return;
  const was = store.signedOut();
  store.set({ me: me.name === null ? { ...me, ended: store.me?.ended } : me });
  if (me.name === null && !was) door();
  if (me.name !== null && was) signedIn(me);
}

/** A request was refused because nobody is signed in: never, or not any more. */
function signedOut() {
  if (store.signedOut()) return;
  const had = store.me !== null;
  store.set({ me: { ...store.me, name: null, role: null, may: [], ended: had } });
  door();
  if (!had) who(); // whether accounts exist decides which form is shown
}

/** The form takes the sheet's place; address, drafts and presses of Stop heating stay. */
function door() {
  stream.stop();
  route(true);
}

/** Somebody signed in here: everything is asked anew. */
function signedIn(me) {
  store.set({ me });
  stream.stop();
  stream = new Stream(store);
  stream.start();
  words();
  chambers();
  arrived = true;
  if (DOORS.some((one) => one.at === parts().sheet)) location.hash = "#/now";
  else route(true);
}

async function chambers() {
  if (store.signedOut()) return;
  const answer = await ask("/chambers", { at: "" }).catch(() => null);
  if (!answer) return;
  if (JSON.stringify(answer) !== JSON.stringify(store.chambers)) store.set({ chambers: answer });
  if (!store.at || answer.chambers.some((one) => one.at === store.at)) return;
  turnTo(""); // the address named a chamber that this service has not
  location.hash = "#/now";
}

/** Words only: the sheet stands without them. */
function words() {
  if (store.signedOut()) return;
  for (const [name, path] of [["guards", "/guards"], ["chamber", "/chamber"]]) {
    const { at } = store;
    ask(path).then((answer) => { if (at === store.at) store.hold(name, answer[name] ?? answer); }).catch(() => {});
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
  "stop-heating": () => stopper.press(),
  "sign-out": () => ask("/sign-out", { body: {} }).catch(() => {}).then(who),
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
  find("stop").addEventListener("click", (event) => {
    event.preventDefault(); // without script it leads to the plain page
    stopper.press();
  }, { signal });
  document.addEventListener("click", clicked, { signal });
  document.addEventListener("keydown", (event) => { if (event.key === "Escape" && listOpen) own.list(); }, { signal });
  addEventListener("hashchange", () => route(), { signal });
  whenSignedOut(signedOut);
  addEventListener("beforeprint", () => { for (const line of document.querySelectorAll("[data-printed]")) line.textContent = `Printed ${day(Date.now() * 1000)} ${clock(Date.now() * 1000)}`; }, { signal });
  const watch = new ResizeObserver(measure);
  watch.observe(places.sheet);
  const bar = new ResizeObserver(measureBar);
  bar.observe(document.querySelector(".stopbar"), { box: "border-box" });
  const tick = setInterval(redraw, 250);
  const others = setInterval(() => { if (store.chambers.chambers.length > 1 && document.visibilityState !== "hidden") chambers(); }, CHAMBERS_MS);
  addEventListener("pagehide", (event) => {
    if (event.persisted) return;
    page.abort();
    clearInterval(tick);
    clearInterval(others);
    watch.disconnect();
    bar.disconnect();
    stream.stop();
  }, { signal });
  measure();
  const { at } = parts();
  choose(at);
  store.at = at;
  stream = new Stream(store);
  stream.start();
  route();
  followRun();
  who().then(() => {
    words();
    chambers();
  });
}

/** The curve of a run from before this page was opened comes once from the record; the stream carries on. */
function followRun() {
  let known = "";
  store.addEventListener("changed", async () => {
    const run = store.now?.run;
    const id = run ? `${store.at} ${store.now.boot}-${run.id}` : "";
    if (id === known) return;
    known = id;
    if (!run) return;
    const justBegun = run.elapsed_us / (store.now.speed || 1) < 10e6; // this page has seen all of it, and the record may not know it yet
    const { loadRunInto } = await import("./parts/stored.js");
    for (const waitMs of justBegun ? [LAG_MS] : [0, LAG_MS]) {
      await new Promise((resolve) => setTimeout(resolve, waitMs)); // the record lags: what was missing the first time is there the second
      if (id !== known || page.signal.aborted) return;
      await loadRunInto(store.trace, run.id, page.signal).catch(() => {}); // the live part is drawn without it
      redraw();
    }
  }, { signal: page.signal });
  let planned = "";
  store.addEventListener("changed", async () => {
    const { pending } = store.now ?? {};
    const start = pending?.schedule ? `${store.at} ${pending.run_id} ${pending.schedule}` : "";
    if (planned === start) return;
    planned = start;
    if (start) (await import("./parts/waiting.js")).loadPlan(store);
  }, { signal: page.signal });
  let told = "";
  store.addEventListener("changed", async () => {
    const first = store.now?.latches[0];
    const trip = first ? `${store.at} ${first.guard} ${store.now.run?.id}` : told;
    if (told === trip) return;
    told = trip;
    const path = store.now.run ? `/runs/${store.now.run.id}/events?limit=500` : "/events?limit=200";
    const { events } = await ask(path).catch(() => ({ events: [] })); // the order of a trip from before this page was opened
    store.remember(events);
  }, { signal: page.signal });
}

if (document.visibilityState === "hidden") start();
else requestAnimationFrame(() => setTimeout(start)); // the page's own text is painted first
export { store };
