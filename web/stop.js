/**
 * Stop heating: asked, accepted, heat seen off. Sent apart from the stream, again and again until it is accepted, and
 * never shown as done because it was sent. The steps are pure (`stations`); `Stopper` sends.
 */
import { ask } from "./link.js";
import { clockSeconds, age } from "./text.js";

export const UNCONFIRMED_MS = 3000;
const TRY_MS = 2500;
const GAP_MS = 500;
const TRIES = 120;

/** What the three stations say. `press` is this page's last press, `now` the snapshot, both may be missing. */
export function stations(press, now, ms) {
  if (press?.askedMs !== null && press?.askedMs !== undefined) return pressed(press, ms);
  const stop = now?.stop;
  if (!stop?.accepted_utc_us || ACTIVE.has(now?.run?.state)) return REST;
  const by = stop.by.startsWith("trip") ? "by the trip" : `by ${stop.by || "a person"}`;
  return [
    { word: "asked", time: by, solid: true },
    { word: "accepted", time: clockSeconds(stop.accepted_utc_us, true), solid: true },
    { word: "heat seen off", time: stop.off_seen_utc_us ? clockSeconds(stop.off_seen_utc_us, true) : "waiting", solid: Boolean(stop.off_seen_utc_us) },
  ];
}

const ACTIVE = new Set(["running", "holding", "held", "restarting", "stopping"]);
const REST = ["asked", "accepted", "heat seen off"].map((word) => ({ word, time: "", solid: false }));

/** The three times, never out of order: this page's clock may have run ahead of the controller's, whose times count. */
export function ordered({ askedUtcUs, acceptedUtcUs, offUtcUs }) {
  const accepted = acceptedUtcUs && offUtcUs ? Math.min(acceptedUtcUs, offUtcUs) : acceptedUtcUs;
  return { asked: accepted ? Math.min(askedUtcUs, accepted) : askedUtcUs, accepted, off: offUtcUs };
}

function pressed(press, ms) {
  const waited = ms - press.askedMs;
  const times = ordered(press);
  const asked = { word: "asked", time: clockSeconds(times.asked, true), solid: true };
  if (!press.acceptedUtcUs) {
    const late = waited >= UNCONFIRMED_MS;
    return [asked,
      late ? { word: `not confirmed, ${age(Math.floor(waited / 1000) * 1000).replace(".0", "")}`, time: "", unconfirmed: true } : { word: "accepted", time: "waiting", solid: false },
      late ? { word: "pull the plug if you can", time: "", solid: false, plain: true } : { word: "heat seen off", time: "", solid: false }];
  }
  return [asked, { word: "accepted", time: clockSeconds(times.accepted, true), solid: true },
    { word: "heat seen off", time: times.off ? clockSeconds(times.off, true) : "waiting", solid: Boolean(times.off) }];
}

/** Both switches read back open in a snapshot, or the controller itself says that it saw the heat off. */
export function seenOff(now) {
  if (now.stop?.accepted_utc_us && now.stop.off_seen_utc_us) return now.stop.off_seen_utc_us;
  const open = now.circuit.contactor.state === "open" && now.circuit.modulator.state === "not passing";
  return open && now.board?.present ? now.utc_us : null;
}

export class Stopper {
  #store;

  constructor(store) {
    this.#store = store;
  }

  /** One press. A second press while the first is unanswered starts over with a new request at once. */
  async press() {
    const store = this.#store;
    const press = { askedMs: store.ms(), askedUtcUs: store.utcNow(), acceptedUtcUs: null, offUtcUs: null };
    store.set({ stop: press });
    for (let tries = 0; tries < TRIES && store.stop === press; tries += 1) {
      if (await this.#send(press)) break;
      await new Promise((resolve) => setTimeout(resolve, GAP_MS));
    }
    for (let looks = 0; looks < TRIES && store.stop === press && press.acceptedUtcUs && !press.offUtcUs; looks += 1) {
      await this.#look(press);
    }
  }

  async #send(press) {
    try {
      await ask("/stop-heating", { body: {}, timeoutMs: TRY_MS });
    } catch {
      return false; // the stations say "not confirmed"; the next try follows
    }
    press.acceptedUtcUs = this.#store.utcNow();
    this.#store.set({});
    return true;
  }

  /** The stream may be dead, so the heat is looked for by a request of its own. */
  async #look(press) {
    try {
      const now = await ask("/now", { timeoutMs: TRY_MS });
      const seen = seenOff(now.now ?? now);
      press.acceptedUtcUs = (now.now ?? now).stop?.accepted_utc_us ?? press.acceptedUtcUs;
      press.offUtcUs = seen;
      this.#store.set({});
      if (seen) return;
    } catch {
      /* asked again below; the third station goes on saying "waiting" */
    }
    await new Promise((resolve) => setTimeout(resolve, GAP_MS));
  }
}

/** When a new run heats, the last press is history. */
export function outlived(press, now) {
  return press.askedMs !== null && Boolean(press.offUtcUs) && ACTIVE.has(now?.run?.state) && now.run.started_utc_us > press.offUtcUs;
}
