/** Rulers: from quantities to pixels, and where the marks stand. Pure. */

/** A straight scale from [from, to] to [a, b]. */
export function linear(from, to, a, b) {
  const factor = (b - a) / (to - from || 1);
  const scale = (value) => a + (value - from) * factor;
  scale.factor = factor;
  scale.from = from;
  scale.to = to;
  return scale;
}

const H = 3600e6;
const STEPS_H = [1 / 240, 1 / 120, 1 / 60, 1 / 30, 1 / 12, 0.25, 0.5, 1, 2, 4, 6, 12, 24];

/** Stamps (local clock) for an axis, whole hours where it is long, at most `most` of them; the small marks halve them. `fine`: they need seconds. */
export function hourMarks(fromUs, toUs, most) {
  const step = Math.round((STEPS_H.find((hours) => (toUs - fromUs) / (hours * H) <= most) ?? 48) * H);
  const offset = new Date(fromUs / 1000).getTimezoneOffset() * 60e6;
  const first = Math.ceil((fromUs - offset) / step) * step + offset;
  const marks = [];
  for (let at = first; at <= toUs; at += step) marks.push(at);
  const half = [];
  for (let at = first - step / 2; at <= toUs; at += step) if (at >= fromUs) half.push(at);
  return { marks, half, fine: step < 60e6 };
}

/** Degree marks in the unit shown, as m°C: named ones, small ones, and the ends of the scale. */
export function degreeMarks(lowMc, highMc, unit, most = 6) {
  const to = (mc) => (unit === "F" ? (mc / 1000) * 1.8 + 32 : mc / 1000);
  const back = (value) => (unit === "F" ? ((value - 32) / 1.8) * 1000 : value * 1000);
  const step = [1, 2, 5, 10, 20, 50, 100, 200].find((size) => (to(highMc) - to(lowMc)) / size <= most) ?? 500;
  const low = Math.floor(to(lowMc) / step) * step;
  const high = Math.ceil(to(highMc) / step) * step;
  const named = [];
  for (let value = low; value <= high; value += step) named.push({ mc: back(value), word: String(value) });
  const small = [];
  for (let value = low; value <= high; value += step / 4) if ((value - low) % step) small.push({ mc: back(value), half: ((value - low) * 2) % step === 0 });
  return { named, small, lowMc: back(low), highMc: back(high) };
}

/** A polyline through [x, y] pairs; null breaks it, so that a gap is a gap. */
export function path(points) {
  let pen = "M";
  let text = "";
  for (const point of points) {
    if (point === null) pen = "M";
    else {
      text += `${pen}${point[0].toFixed(1)} ${point[1].toFixed(1)}`;
      pen = "L";
    }
  }
  return text;
}

/** Where a planned line [[us, mc], …] stands at `us`; null outside it. */
export function planAt(plan, us) {
  for (let index = 1; index < plan.length; index += 1) {
    const [[fromUs, fromMc], [toUs, toMc]] = [plan[index - 1], plan[index]];
    if (us >= fromUs && us <= toUs) return fromMc + ((toMc - fromMc) * (us - fromUs)) / (toUs - fromUs || 1);
  }
  return null;
}
