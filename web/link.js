/**
 * The way to the api: one stream with its own retry, plain requests, and the request that stops the heat.
 *
 * EventSource gives up for ever on any answer but 200 and may hang without an error after sleep, so it is thrown away
 * and made anew: on an error, and when nothing at all was heard for `SILENT_MS` although a beat comes every 2 s. Something
 * between here and there may let no stream through at all: meanwhile the page asks.
 */

import { Share } from "./share.js";

const API = "/api/v1";
const SILENT_MS = 6000;
/** So long without a word and the newest snapshot is asked for by request, again and again until the stream lives. */
const QUIET_MS = 3000;
const ASK_MS = 2000;
const BACKOFF_MS = [500, 1000, 2000, 3000];

let chamber = "";
let signedOut = () => {};

/** Which chamber every path means from now on: its name in addresses, or "" for the first. */
export function choose(at) {
  chamber = at;
}

export const chosen = () => chamber;

/** What happens when the api says that nobody is signed in. */
export function whenSignedOut(tell) {
  signedOut = tell;
}

const base = (at) => (at ? `${API}/at/${encodeURIComponent(at)}` : API);

/** Wait before attempt number `attempt` (0 first). */
export const backoffMs = (attempt) => BACKOFF_MS[Math.min(attempt, BACKOFF_MS.length - 1)];

export class Stream {
  #store;
  #source = null;
  #retry = null;
  #watch = null;
  #openedMs = 0;
  #saidMs = -1;
  #asking = false;
  #askedMs = -ASK_MS;
  #gone = new AbortController();
  #at;
  #share;

  constructor(store, at = chamber) {
    this.#store = store;
    this.#at = at;
    this.#share = new Share(at, { ms: () => store.ms(), ageMs: () => store.ageMs(), lead: () => this.#open(), follow: () => this.#drop(), heard: (kind, data) => this.#told(kind, data) });
  }

  start() {
    this.#watch = setInterval(() => this.#listen(), 1000);
    document.addEventListener("visibilitychange", () => this.#shown(), { signal: this.#gone.signal });
    addEventListener("online", () => { if (this.#share.role === "leading") this.#again(0); }, { signal: this.#gone.signal });
    if (document.visibilityState !== "hidden") this.#share.join();
  }

  stop() {
    this.#gone.abort();
    clearInterval(this.#watch);
    this.#share.close();
    this.#drop();
  }

  #open() {
    this.#drop();
    this.#openedMs = this.#store.ms();
    const source = new EventSource(`${base(this.#at)}/stream`);
    this.#source = source;
    source.addEventListener("open", () => this.#phase("open", null));
    source.addEventListener("tick", (event) => this.#tick(event));
    source.addEventListener("beat", (event) => {
      this.#saidMs = this.#store.ms();
      this.#beat(JSON.parse(event.data).age_us / 1000);
    });
    source.addEventListener("error", () => this.#failed());
  }

  #tick(event) {
    this.#saidMs = this.#store.ms();
    const data = JSON.parse(event.data);
    this.#phase("open", null, 0);
    this.#store.take(data);
    this.#share.tell("tick", data);
  }

  #beat(ageMs) {
    this.#store.beat(ageMs);
    this.#share.tell("beat", ageMs);
  }

  /** From the page of this browser that listens for all of them. */
  #told(kind, data) {
    if (kind === "phase") return this.#store.set({ link: { ...this.#store.link, ...data, retryAtMs: data.inMs === null ? null : this.#store.ms() + data.inMs } });
    if (kind === "beat") return this.#store.beat(data);
    if (kind === "asked") return this.#store.asked(data.now, data.ageMs);
    this.#phase("open", null, 0);
    this.#store.take(data);
    if (Number.isFinite(data.ageMs)) this.#store.beat(data.ageMs);
    return null;
  }

  /** A stream does not say why it was refused; a plain request does, if it is because nobody is signed in. */
  #failed() {
    this.#again();
    if (this.#store.link.attempt === 1) ask("/me", { at: this.#at }).then((me) => { if (me.name === null) signedOut(); }, () => {});
  }

  #again(waitMs = backoffMs(this.#store.link.attempt)) {
    this.#drop();
    this.#phase("waiting", this.#store.ms() + waitMs, this.#store.link.attempt + 1);
    this.#retry = setTimeout(() => this.#open(), waitMs);
  }

  #listen() {
    const ms = this.#store.ms();
    if (this.#source && ms - Math.max(this.#openedMs, this.#saidMs) > SILENT_MS) this.#again();
    if (this.#dead() && !this.#asking && ms - this.#askedMs >= ASK_MS) this.#askNow(ms);
  }

  /** Whether this page is the one that listens, is looked at, and its stream says nothing. */
  #dead() {
    if (this.#share.role !== "leading" || document.visibilityState === "hidden" || this.#gone.signal.aborted) return false;
    if (!this.#source) return true;
    const [ms, said] = [this.#store.ms(), this.#saidMs >= this.#openedMs];
    return said ? ms - this.#saidMs > QUIET_MS : this.#store.link.attempt > 0 || ms - this.#openedMs > QUIET_MS;
  }

  /** One request at a time. Its answer counts as old as the server says it is, and its way here took at most as long as it was asked for. */
  async #askNow(ms) {
    this.#asking = true;
    this.#askedMs = ms;
    try {
      const { body: now, ageMs } = await ask("/now", { at: this.#at, type: "aged", timeoutMs: 2 * ASK_MS, signal: this.#gone.signal });
      if (!this.#dead()) return; // the stream said something meanwhile
      const told = { now, ageMs: ageMs + this.#store.ms() - ms };
      this.#store.asked(told.now, told.ageMs);
      this.#share.tell("asked", told);
    } catch (error) {
      if (error instanceof Refused && error.status > 0) this.#store.beat(null); // the server answers: that the controller does not is news too
    } finally {
      this.#asking = false;
    }
  }

  /** A hidden page gives its connection back (a browser has six a host) and asks anew when it is looked at. */
  #shown() {
    if (document.visibilityState === "hidden") {
      this.#share.leave();
      this.#drop();
    } else if (this.#share.role === "out") this.#share.join();
  }

  #drop() {
    clearTimeout(this.#retry);
    this.#retry = null;
    this.#source?.close();
    this.#source = null;
  }

  #phase(phase, retryAtMs, attempt = this.#store.link.attempt) {
    const { link } = this.#store;
    if (link.phase === phase && link.retryAtMs === retryAtMs && link.attempt === attempt) return;
    this.#store.set({ link: { ...link, phase, retryAtMs, attempt } });
    this.#share.tell("phase", { phase, attempt, inMs: retryAtMs === null ? null : retryAtMs - this.#store.ms() });
  }
}

/** A refusal by the api (RFC 9457), or that it did not answer. */
export class Refused extends Error {
  constructor(status, problem, retryAfterS = null) {
    super(problem.detail || problem.title || `The server answered ${status}.`);
    this.status = status;
    this.code = problem.code ?? "";
    this.advice = problem.advice ?? "";
    this.retryAfterS = retryAfterS;
    this.mistakes = problem.mistakes ?? [];
  }
}

/** Ask the api about the chosen chamber. `body` makes it a POST unless `method` says otherwise. Resolves to the answer, rejects with Refused. */
export async function ask(path, { method, body, signal, headers = {}, type = "json", timeoutMs = 10000, at = chamber } = {}) {
  const verb = method ?? (body === undefined ? "GET" : "POST");
  const limit = AbortSignal.timeout(timeoutMs);
  const request = { method: verb, headers: { accept: "application/json", ...headers }, signal: signal ? AbortSignal.any([signal, limit]) : limit };
  if (verb !== "GET") {
    request.headers["content-type"] = "application/json";
    request.body = JSON.stringify(body ?? {});
  }
  const answer = await fetch(base(at) + path, request).catch((error) => {
    if (signal?.aborted) throw error;
    throw new Refused(0, { detail: "The server did not answer. Nothing was changed as far as this page knows." });
  });
  if (!answer.ok) throw await refusedBy(answer);
  if (answer.status === 204) return null;
  if (type === "aged") return { body: await answer.json(), ageMs: Number(answer.headers.get("x-age-us") ?? 0) / 1000 };
  return type === "text" ? answer.text() : answer.json();
}

async function refusedBy(answer) {
  const problem = await answer.json().catch(() => ({}));
  if (answer.status === 401 && problem.code !== "wrong_sign_in") signedOut();
  const wait = answer.headers.get("retry-after");
  return new Refused(answer.status, problem, wait === null ? null : Number(wait));
}

export const linkTo = (path) => base(chamber) + path;

/** Ask for stopping in the way a page without scripting does: a form, to another part of the server. Its answer counts for nothing here. */
export const askPlainly = (at) => fetch("/stop", { method: "POST", body: new URLSearchParams(at ? { at } : {}), redirect: "manual" }).catch(() => null);
