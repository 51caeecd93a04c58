/**
 * The one owner of what the page knows: newest snapshot, trace, link, unit, route, the last press of Stop heating.
 * Everybody else reads it and asks for changes here; a change tells `changed` listeners once.
 */
import { Trace } from "./parts/trace.js";

export const LATE_MS = 2000;
export const STALE_MS = 5000;
const EVENTS_KEPT = 300;

/** How old is too old: good, late (grey) or stale (hollow). Null is never heard. */
export function ageClass(ms) {
  if (ms === null || !(ms <= STALE_MS)) return "stale";
  return ms > LATE_MS ? "late" : "good";
}

export class Store extends EventTarget {
  now = null;
  trace = new Trace();
  events = [];
  link = { phase: "opening", retryAtMs: null, attempt: 0, heardMs: null };
  unit = "C";
  route = { sheet: "now", rest: [] };
  stop = { askedMs: null };
  layout = { width: 1180, kind: "wide" };
  held = {};
  /** Who is asking, as GET /me says; null before the first answer. */
  me = null;
  /** All chambers of this service and their circuits, as GET /chambers lists them; `at` is the one shown, "" the first. */
  chambers = { chambers: [], circuits: [] };
  at = "";
  #dataMs = null;
  #arrivedMs = null;
  #passed = null;
  #monotonic;

  constructor(monotonic = () => performance.now()) {
    super();
    this.#monotonic = monotonic;
  }

  /** Nobody is signed in, and the service answers nothing but that. */
  signedOut() {
    return this.me !== null && this.me.name === null;
  }

  /** The shown chamber's name in addresses, also where it is the first; "" while the list is not known. */
  chamberName() {
    return this.at || (this.chambers.chambers[0]?.at ?? "");
  }

  /** The shown chamber as GET /chambers lists it, which knows its name also while its controller is away; undefined before. */
  shownRow() {
    return this.chambers.chambers.find((one) => one.at === this.chamberName());
  }

  /** Another chamber is shown: nothing known of the one before may stand on the page. */
  turnTo(at) {
    this.trace.clear();
    this.#dataMs = this.#arrivedMs = this.#passed = null;
    const { draft, unsaved } = this.held; // schedules belong to all chambers, and what was typed is kept
    this.set({ at, now: null, events: [], held: { draft, unsaved }, stop: { askedMs: null }, link: { phase: "opening", retryAtMs: null, attempt: 0, heardMs: null } });
  }

  /** The page's own monotonic clock, ms. */
  ms() {
    return this.#monotonic();
  }

  /** A message of the stream. Rows of another run's time are kept too: they are what the chamber did. */
  take({ now, rows = [], events = [] }) {
    if (this.now && this.now.boot !== now.boot) this.trace.clear(); // another start of the controller: its clock may be another too
    this.#remember(now);
    this.now = now;
    this.#arrivedMs = this.#dataMs = this.link.heardMs = this.ms();
    this.trace.add(rows);
    this.remember(events);
  }

  /** A snapshot that was asked for, since the stream is dead. One that is known already makes nothing younger. */
  asked(now, ageMs) {
    if (this.now?.boot === now.boot && this.now.tick === now.tick) return this.beat(null);
    now.asked = true;
    this.take({ now });
    this.#dataMs = this.#arrivedMs -= Math.max(0, ageMs);
    return this.#tell();
  }

  /** Events from the stream or the record, each once, in their order. */
  remember(events) {
    const known = new Set(this.events.map((event) => event.id));
    const fresh = events.filter((event) => !known.has(event.id));
    if (fresh.length) this.events = [...this.events, ...fresh].sort((a, b) => a.utc_us - b.utc_us).slice(-EVENTS_KEPT);
    this.#tell();
  }

  /** The thermal link shows itself only while a pulse flows: `passed` says that one did within the last two windows or 10 s. */
  #remember(now) {
    if (now.circuit.thermal_link.state === "whole") this.#passed = { utcUs: now.utc_us, ms: this.ms() };
    const before = this.#passed;
    now.passed = before !== null && (now.utc_us - before.utcUs < 2000 * (now.chamber.window_ms ?? 0) || this.ms() - before.ms < 10000);
  }

  /** A beat: the server lives; `ageMs` is how old what it knows is. */
  beat(ageMs) {
    this.link.heardMs = this.ms();
    if (this.#dataMs !== null && Number.isFinite(ageMs)) this.#dataMs = Math.min(this.link.heardMs, Math.max(this.#dataMs, this.link.heardMs - ageMs));
    this.#tell();
  }

  /** Age of the newest data in wall milliseconds; null before the first. */
  ageMs() {
    return this.#dataMs === null ? null : Math.max(0, this.ms() - this.#dataMs);
  }

  /** Age when it is too old to believe, else null. */
  staleMs() {
    const ms = this.ageMs();
    return ms !== null && ms > STALE_MS ? ms : null;
  }

  /** Chamber time now: the newest snapshot's, carried on by this page's clock at the chamber's speed. */
  utcNow() {
    if (!this.now) return Date.now() * 1000;
    return this.now.utc_us + (this.ms() - this.#arrivedMs) * 1000 * (this.now.speed ?? 1);
  }

  set(changes) {
    Object.assign(this, changes);
    this.#tell();
  }

  /** Something fetched for a sheet: lists, a run, a form. */
  hold(name, value) {
    this.held = { ...this.held, [name]: value };
    this.#tell();
  }

  #tell() {
    this.dispatchEvent(new Event("changed"));
  }
}

/** °C or °F, remembered on this device; storage may be refused, which is no reason to stop. */
export const remembered = {
  read() {
    try {
      return localStorage.getItem("soakwarden.unit") === "F" ? "F" : "C";
    } catch {
      return "C";
    }
  },
  write(unit) {
    try {
      localStorage.setItem("soakwarden.unit", unit);
    } catch {
      /* a private window keeps nothing; the switch still works until it is closed */
    }
  },
};
