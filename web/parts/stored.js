/** The stored curve of a run, brought into a trace. Lists of the api become bins; its gaps stay gaps. */
import { ask } from "../link.js";

const NAMES = { setpoint_mc: "setpoint", control_mc: "control", over_temperature_mc: "over", part_mc: "part" };

/** Fill `trace` from `/runs/{id}/curve`. Returns the curve as answered. */
export async function loadRunInto(trace, id, signal, points = 1000) {
  const curve = await ask(`/runs/${encodeURIComponent(id)}/curve?points=${points}`, { signal });
  for (const { utcUs, ranges } of columnsOf(curve)) trace.addRange(utcUs, ranges);
  return curve;
}

/** The curve's columns as {utcUs, ranges: {control: [least, most]}}; a channel that was not good has no range. */
export function columnsOf(curve) {
  const channels = Object.entries(curve.columns).filter(([name]) => NAMES[name]);
  return curve.utc_us.map((utcUs, index) => ({
    utcUs,
    ranges: Object.fromEntries(channels.filter(([, pairs]) => pairs.min[index] !== null)
      .map(([name, pairs]) => [NAMES[name], [pairs.min[index], pairs.max[index]]])),
  }));
}
