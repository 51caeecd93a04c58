/**
 * The page's own memory of a run: readings joined into bins of 20 s (least, most, last), so that a spike is never lost
 * and 96 hours take a bounded space. A bin nobody wrote into is a gap, and a gap is never bridged.
 */

export const BIN_US = 20_000_000;
const BINS_MAX = 96 * 180;
const CHANNELS = ["setpoint", "control", "over", "part"];

/** A row is the stream's: [tick, utc_us, setpoint_mc, control_mc, over_temperature_mc, part_mc, duty_e4, seen_e4]. */
export class Trace {
  #bins = new Map();

  /** How many bins are kept. */
  get size() {
    return this.#bins.size;
  }

  clear() {
    this.#bins.clear();
  }

  /** Join rows of the stream. */
  add(rows) {
    for (const row of rows) {
      const bin = this.#bin(row[1]);
      CHANNELS.forEach((name, index) => widen(bin, name, row[2 + index], row[2 + index]));
    }
    while (this.#bins.size > BINS_MAX) this.#bins.delete(this.#bins.keys().next().value);
  }

  /** Join one column of a stored curve: least and most of each channel between two stamps. */
  addRange(utcUs, ranges) {
    const bin = this.#bin(utcUs);
    for (const name of CHANNELS) if (ranges[name]) widen(bin, name, ranges[name][0], ranges[name][1]);
  }

  #bin(utcUs) {
    const key = Math.floor(utcUs / BIN_US);
    let bin = this.#bins.get(key);
    if (!bin) this.#bins.set(key, (bin = { utc_us: key * BIN_US + BIN_US / 2 }));
    return bin;
  }

  /**
   * At most `columns` bins between two stamps, oldest first: {utc_us, control: [least, most, last], ...}.
   * `gap_us` is the widest distance between two neighbours that is not a gap.
   */
  columns(fromUs, toUs, columns) {
    const span = Math.max(BIN_US, (toUs - fromUs) / columns);
    const joined = new Map();
    for (const bin of this.#sorted()) {
      if (bin.utc_us < fromUs || bin.utc_us > toUs) continue;
      const key = Math.floor((bin.utc_us - fromUs) / span);
      const into = joined.get(key) ?? { utc_us: bin.utc_us };
      for (const name of CHANNELS) if (bin[name]) widen(into, name, bin[name][0], bin[name][1], bin[name][2]);
      into.utc_us = bin.utc_us;
      joined.set(key, into);
    }
    return [...joined.values()];
  }

  #sorted() {
    return [...this.#bins.values()].sort((a, b) => a.utc_us - b.utc_us);
  }

  /** The widest step between neighbours of `points` that still counts as joined. */
  static joinedUs(points) {
    const steps = points.slice(1).map((point, index) => point.utc_us - points[index].utc_us).sort((a, b) => a - b);
    return Math.max(4 * BIN_US, 3 * (steps[Math.floor(steps.length / 2)] ?? 0));
  }
}

function widen(bin, name, least, most, last = most) {
  if (least === null || least === undefined) return;
  const was = bin[name];
  bin[name] = was ? [Math.min(was[0], least), Math.max(was[1], most), last] : [least, most, last];
}
