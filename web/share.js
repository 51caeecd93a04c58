/**
 * One stream for all pages of this browser: it has six connections to a host, and a seventh page would hang.
 *
 * Every page that is looked at begins as the one that listens, and says since when. Of two such pages the older goes on
 * and the younger closes its stream and is told by the other. A page that leaves or falls silent is followed by whichever
 * opens its own stream first. Where there is no channel between pages, each listens by itself.
 */

const TELL_MS = 1000;
const SILENT_MS = 3500;
const SPREAD_MS = 200;
const ROWS_MAX = 6000;

/** Is the page that says `theirs` to go on, rather than the one that says `ours`? The older one; of two alike the lower id. */
export const goesOn = (theirs, ours) => theirs.since < ours.since || (theirs.since === ours.since && theirs.id < ours.id);

export class Share {
  #channel = null;
  #id = Math.random().toString(36).slice(2);
  #since = 0;
  #heardMs = 0;
  #timer = null;
  #watch = null;
  #rows = [];
  #now = null;
  #on;

  /** "out", "leading" or "following". */
  role = "out";

  /** `on` has: lead() and follow(), which open and close this page's own stream; heard(kind, data); ms(). */
  constructor(name, on) {
    this.#on = on;
    if (typeof BroadcastChannel !== "function") return;
    this.#channel = new BroadcastChannel(`soakwarden ${name}`);
    this.#channel.addEventListener("message", (event) => this.#got(event.data));
  }

  /** This page wants news. */
  join() {
    clearInterval(this.#watch);
    this.#since = Date.now();
    this.#lead();
    this.#post("who");
    this.#watch = setInterval(() => this.#look(), TELL_MS);
  }

  /** It wants none now: hidden, or going. */
  leave() {
    if (this.role === "leading") this.#post("left");
    this.role = "out";
    clearInterval(this.#watch);
    clearTimeout(this.#timer);
    this.#rows = [];
  }

  close() {
    this.leave();
    this.#channel?.close();
    this.#channel = null;
  }

  /** The page that listens passes on what it heard; what a newcomer will need is kept. */
  tell(kind, data) {
    if (this.role !== "leading") return;
    if (kind === "asked") this.#now = data.now;
    if (kind === "tick") {
      this.#now = data.now;
      this.#rows = [...this.#rows, ...(data.rows ?? [])];
      if (this.#rows.length > ROWS_MAX) this.#rows = this.#rows.filter((_, index) => index > ROWS_MAX / 2 || index % 2); // the older half thinner
    }
    this.#post("said", { what: kind, data });
  }

  #lead() {
    this.role = "leading";
    this.#on.lead();
  }

  #follow() {
    this.#heardMs = this.#on.ms();
    if (this.role === "following") return;
    this.role = "following";
    this.#rows = [];
    this.#on.follow();
  }

  #look() {
    if (this.role === "leading") this.#post("here");
    if (this.role === "following" && this.#on.ms() - this.#heardMs > SILENT_MS) this.join();
  }

  #post(kind, more = {}) {
    this.#channel?.postMessage({ kind, id: this.#id, since: this.#since, ...more });
  }

  #got(message) {
    if (this.role === "out" || message.to && message.to !== this.#id) return;
    if (message.kind === "left") this.#afterwards();
    else if (message.kind === "who") this.#asked(message);
    else this.#heard(message);
  }

  #asked(message) {
    if (this.role !== "leading") return;
    if (goesOn(message, { since: this.#since, id: this.#id })) this.#follow();
    else this.#post("said", { to: message.id, what: this.#now ? "tick" : "here", data: { now: this.#now, rows: this.#rows, events: [], ageMs: this.#on.ageMs() } });
  }

  #heard(message) {
    if (this.role === "leading" && !goesOn(message, { since: this.#since, id: this.#id })) {
      this.#post("here", { to: message.id });
      return;
    }
    this.#follow();
    if (message.kind === "said" && message.what !== "here") this.#on.heard(message.what, message.data);
  }

  /** The page that listened has gone: soon one of the others does, not all in the same instant. */
  #afterwards() {
    if (this.role !== "following") return;
    clearTimeout(this.#timer);
    const asked = this.#on.ms();
    this.#timer = setTimeout(() => {
      if (this.role === "following" && this.#heardMs <= asked) this.join();
    }, Math.random() * SPREAD_MS);
  }
}
