/**
 * Stop heating: asked, accepted, heat seen off. Sent apart from the stream, again and again until it is accepted, and
 * never shown as done because it was sent. The steps are pure (`stations`); `Stopper` sends.
 */
import { ask, askPlainly, chosen } from "./link.js";
import { clockSeconds, age, wait } from "./text.js";
import { ACTIVE, heatOff, unheard } from "./heat.js";
import { whoWords } from "./parts/events.js";

export const UNCONFIRMED_MS = 3000;
/** Seen off takes half a second; after so long something is wrong. */
const UNSEEN_US = 5e6;
const WAITING = "waiting";
const TRY_MS = 2500;
const GAP_MS = 500;
const TRIES = 120;
const SAME_US = 20000;
const OLD_LOOKS = 4;

/** What the three stations say. `press` is this page's last press, `now` the snapshot, both may be missing. */
export function stations(press, now, ms) {
  const three = steps(press, now, ms);
  if (now?.still_on) return [three[0], three[1], { word: "heat still on", time: "", unconfirmed: true }];
  if (three[2].time === WAITING && untold(press, now)) return [three[0], three[1], { word: "board not heard", time: "", unconfirmed: true }];
  const waited = now?.stop?.accepted_utc_us ? now.utc_us - now.stop.accepted_utc_us : 0;
  return three[2].time === WAITING && waited > UNSEEN_US ? [three[0], three[1], { word: "not seen off", time: `for ${wait(waited)}`, unconfirmed: true }] : three;
}

/** A stop that was accepted while no board is heard: nobody carries it out as far as is known, and that is said at once. */
export const untold = (press, now) => Boolean(press?.accepted ? !press.offUtcUs && (press.unheard || unheard(now)) : press?.askedMs == null && now?.stop?.accepted_utc_us && !now.stop.off_seen_utc_us && unheard(now));

function steps(press, now, ms) {
  if (press?.askedMs !== null && press?.askedMs !== undefined) return pressed(press, ms);
  const stop = now?.stop;
  if (!stop?.accepted_utc_us || ACTIVE.has(now?.run?.state) || now.pending || past(now)) return REST; // a start that waits begins with empty stations
  const accepted = clockSeconds(stop.accepted_utc_us, true);
  return [
    { word: "asked", time: accepted, more: stop.by.startsWith("trip") ? ", by the trip" : ` at the latest, by ${whoWords(stop.by) || "a person"}`, solid: true },
    { word: "accepted", time: accepted, solid: true },
    { word: "heat seen off", time: stop.off_seen_utc_us ? `${clockSeconds(stop.off_seen_utc_us, true)}${now.board?.present ? "" : ", not heard since"}` : WAITING, solid: Boolean(stop.off_seen_utc_us) },
  ];
}

/** How long a stop that was seen off stays on the bar, in wall time: with its run still there, and without. */
const SHOWN_US = 600e6;
const ALONE_US = 60e6;

/** A stop that was seen off, with nothing on and no trip, is history once its run was put away or after 10 min. */
export function past(now) {
  const seen = now.stop.off_seen_utc_us;
  return Boolean(seen) && isOver(now) && (now.utc_us - seen) / (now.speed || 1) > (now.run ? SHOWN_US : ALONE_US);
}

const isOver = (now) => !now.still_on && !now.latches?.length && !now.permit?.given;

const REST = ["asked", "accepted", "heat seen off"].map((word) => ({ word, time: "", solid: false }));

/**
 * When a press was made, on the controller's clock, in which the other two times come: the newest snapshot's time, carried
 * on by this page only where the chamber's clock goes as a wall's does. At another speed the page would run ahead of it.
 */
export const askedAt = (store) => (store.now && (store.now.speed ?? 1) !== 1 && store.staleMs() === null ? store.now.utc_us : store.utcNow());

/** The three times, never out of order, though this page's clock may drift: the controller's times count. */
export function ordered({ askedUtcUs, acceptedUtcUs, offUtcUs }) {
  const accepted = acceptedUtcUs && offUtcUs ? Math.min(acceptedUtcUs, offUtcUs) : acceptedUtcUs;
  return { asked: accepted ? Math.min(askedUtcUs, accepted) : askedUtcUs, accepted, off: offUtcUs };
}

function pressed(press, ms) {
  const waited = ms - press.askedMs;
  const times = ordered(press);
  const asked = { word: "asked", time: clockSeconds(times.asked, true), solid: true };
  if (!press.accepted && press.refused) {
    return [asked, { word: "not accepted", time: "", more: "", unconfirmed: true }, { word: press.refused, time: "", solid: false, plain: true }];
  }
  if (!press.accepted) {
    const late = waited >= UNCONFIRMED_MS;
    return [asked,
      late ? { word: `not confirmed, ${age(Math.floor(waited / 1000) * 1000).replace(".0", "")}`, time: "", unconfirmed: true } : { word: "accepted", time: "waiting", solid: false },
      late ? { word: "pull the plug if you can", time: "", solid: false, plain: true } : { word: "heat seen off", time: "", solid: false }];
  }
  return [asked, { word: "accepted", time: times.accepted ? clockSeconds(times.accepted, true) : "", solid: true },
    { word: "heat seen off", time: times.off ? clockSeconds(times.off, true) : WAITING, solid: Boolean(times.off) }];
}

/** When the controller saw the heat off after the stop, or that it is seen off in this snapshot. */
export function seenOff(now) {
  if (now.stop?.accepted_utc_us && now.stop.off_seen_utc_us) return now.stop.off_seen_utc_us;
  return heatOff(now) ? now.utc_us : null;
}

/** A snapshot from before this press still tells of the stop before it. */
export const tellsOf = (press, now) => Math.abs((now.stop?.accepted_utc_us ?? 0) - press.before) > SAME_US;

/** Is a way out to be shown beside the stations: the plain page, which needs neither stream nor scripting? */
export const wayOut = (press, ms) => press?.askedMs !== null && press?.askedMs !== undefined && !press.accepted && (Boolean(press.refused) || ms - press.askedMs >= UNCONFIRMED_MS);

const SIGNED_OUT = "nobody is signed in";
/** How the answer to a stop begins where no board could be told. */
const UNTOLD = /^no board /u;

/**
 * Sends presses. Each belongs to the chamber that was shown when the button was pressed, and goes on being sent there until
 * it is accepted, whatever is shown meanwhile.
 */
export class Stopper {
  #store;
  #presses = new Map();

  constructor(store) {
    this.#store = store;
  }

  /** The last press for a chamber, as the stations want it. */
  pressOf(at) {
    return this.#presses.get(at) ?? { askedMs: null };
  }

  /** One press. A second press while the first is unanswered starts over with a new request at once. */
  async press() {
    const store = this.#store;
    const at = chosen();
    const name = store.chamberName?.() ?? at;
    const press = { at, key: `${Date.now().toString(36)}-${Math.random().toString(36).slice(2, 12)}`, askedMs: store.ms(), askedUtcUs: askedAt(store), accepted: false, acceptedUtcUs: null, offUtcUs: null, refused: "", before: store.now?.stop?.accepted_utc_us ?? 0 };
    this.#presses.set(at, press);
    store.set({ stop: press });
    const lasting = () => this.#presses.get(at) === press;
    const plainly = setTimeout(() => { if (lasting() && !press.accepted) askPlainly(name); }, UNCONFIRMED_MS);
    for (let tries = 0; tries < TRIES && lasting() && !press.accepted; tries += 1) {
      if (await this.#send(press)) break;
      await new Promise((resolve) => setTimeout(resolve, GAP_MS));
    }
    clearTimeout(plainly);
    for (let looks = 0; looks < TRIES && lasting() && press.accepted && !press.offUtcUs; looks += 1) {
      await this.#look(press, looks);
    }
  }

  async #send(press) {
    try {
      press.unheard = UNTOLD.test((await ask("/stop-heating", { body: {}, headers: { "Idempotency-Key": press.key }, timeoutMs: TRY_MS, at: press.at }))?.detail ?? "");
    } catch (error) {
      press.refused = error.code === "signed_out" ? SIGNED_OUT : "";
      this.#store.set({});
      return false; // the stations say "not confirmed"; the next try follows
    }
    press.accepted = true; // its time comes from the controller, with the first look
    press.refused = "";
    this.#store.set({});
    return true;
  }

  /** The stream may be dead, so the heat is looked for by a request of its own. */
  async #look(press, looks) {
    try {
      const answer = await ask("/now", { timeoutMs: TRY_MS, at: press.at });
      const now = answer.now ?? answer;
      if (tellsOf(press, now) || looks >= OLD_LOOKS) {
        press.acceptedUtcUs = now.stop?.accepted_utc_us ?? null;
        press.offUtcUs = seenOff(now);
        press.unheard = unheard(now);
      }
      this.#store.set({});
      if (press.offUtcUs) return;
    } catch {
      /* asked again below; the third station goes on saying "waiting" */
    }
    await new Promise((resolve) => setTimeout(resolve, GAP_MS));
  }

  /** A snapshot that tells of a stop after the press answers it too, though the request's own answer was lost. */
  answeredBy(now, at) {
    const press = this.#presses.get(at);
    if (!press || press.accepted || !now?.stop?.accepted_utc_us || now.stop.by.startsWith("trip") || !tellsOf(press, now)) return;
    press.accepted = true;
    press.acceptedUtcUs = now.stop.accepted_utc_us;
    press.offUtcUs = seenOff(now);
  }
}

/** When a new run heats or waits, or the stop is past, this page's press is history. */
export function outlived(press, now, ms) {
  if (press.askedMs === null || !press.offUtcUs || !now) return false;
  if (ACTIVE.has(now.run?.state)) return now.run.started_utc_us > press.offUtcUs;
  if (now.pending) return now.utc_us > press.offUtcUs; // asked for since: the stop took back what waited before it
  return isOver(now) && (ms - press.askedMs) * 1000 > (now.run ? SHOWN_US : ALONE_US);
}
