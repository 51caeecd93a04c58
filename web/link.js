/**
 * The way to the api: one stream with its own retry, plain requests, and the request that stops the heat.
 *
 * EventSource gives up for ever on any answer but 200 and may hang without an error after sleep, so it is thrown away
 * and made anew: on an error, and when nothing at all was heard for `SILENT_MS` although a beat comes every 2 s.
 */

const API = "/api/v1";
const SILENT_MS = 6000;
const BACKOFF_MS = [500, 1000, 2000, 3000];

/** Wait before attempt number `attempt` (0 first). */
export const backoffMs = (attempt) => BACKOFF_MS[Math.min(attempt, BACKOFF_MS.length - 1)];

export class Stream {
  #store;
  #source = null;
  #retry = null;
  #watch = null;
  #openedMs = 0;
  #gone = new AbortController();

  constructor(store) {
    this.#store = store;
  }

  start() {
    this.#watch = setInterval(() => this.#listen(), 1000);
    document.addEventListener("visibilitychange", () => this.#shown(), { signal: this.#gone.signal });
    addEventListener("online", () => this.#again(0), { signal: this.#gone.signal });
    this.#open();
  }

  stop() {
    this.#gone.abort();
    clearInterval(this.#watch);
    this.#drop();
  }

  #open() {
    this.#drop();
    this.#openedMs = this.#store.ms();
    const source = new EventSource(`${API}/stream`);
    this.#source = source;
    source.addEventListener("open", () => this.#phase("open", null));
    source.addEventListener("tick", (event) => this.#tick(event));
    source.addEventListener("beat", (event) => this.#store.beat(JSON.parse(event.data).age_us / 1000));
    source.addEventListener("error", () => this.#again());
  }

  #tick(event) {
    this.#phase("open", null, 0);
    this.#store.take(JSON.parse(event.data));
  }

  #again(waitMs = backoffMs(this.#store.link.attempt)) {
    this.#drop();
    this.#phase("waiting", this.#store.ms() + waitMs, this.#store.link.attempt + 1);
    this.#retry = setTimeout(() => this.#open(), waitMs);
  }

  #listen() {
    const heard = Math.max(this.#openedMs, this.#store.link.heardMs ?? 0);
    if (this.#source && this.#store.ms() - heard > SILENT_MS) this.#again();
  }

  /** A hidden page gives its connection back (a browser has six a host) and asks anew when it is looked at. */
  #shown() {
    if (document.visibilityState === "hidden") this.#drop();
    else if (!this.#source && !this.#retry) this.#open();
  }

  #drop() {
    clearTimeout(this.#retry);
    this.#retry = null;
    this.#source?.close();
    this.#source = null;
  }

  #phase(phase, retryAtMs, attempt = this.#store.link.attempt) {
    this.#store.set({ link: { ...this.#store.link, phase, retryAtMs, attempt } });
  }
}

/** A refusal by the api (RFC 9457), or that it did not answer. */
export class Refused extends Error {
  constructor(status, problem) {
    super(problem.detail || problem.title || `The server answered ${status}.`);
    this.status = status;
    this.code = problem.code ?? "";
    this.mistakes = problem.mistakes ?? [];
  }
}

/** Ask the api. `body` makes it a POST unless `method` says otherwise. Resolves to the answer, rejects with Refused. */
export async function ask(path, { method, body, signal, headers = {}, type = "json", timeoutMs = 10000 } = {}) {
  const verb = method ?? (body === undefined ? "GET" : "POST");
  const limit = AbortSignal.timeout(timeoutMs);
  const request = { method: verb, headers: { accept: "application/json", ...headers }, signal: signal ? AbortSignal.any([signal, limit]) : limit };
  if (verb !== "GET") {
    request.headers["content-type"] = "application/json";
    request.body = JSON.stringify(body ?? {});
  }
  const answer = await fetch(API + path, request).catch((error) => {
    if (signal?.aborted) throw error;
    throw new Refused(0, { detail: "The server did not answer. Nothing was changed as far as this page knows." });
  });
  if (!answer.ok) throw new Refused(answer.status, await answer.json().catch(() => ({})));
  if (answer.status === 204) return null;
  return type === "text" ? answer.text() : answer.json();
}

export const linkTo = (path) => API + path;
