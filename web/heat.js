/** Whether the heat is off, as far as anybody saw. Off is said of what was seen off, and of nothing else. Pure. */

/** States of a run that may heat. */
export const ACTIVE = new Set(["running", "holding", "held", "restarting", "stopping"]);

/** States in which plan and soak clock stand still, wherever the part is. */
export const STANDS_STILL = new Set(["holding", "held", "restarting"]);

/** The board is heard now, and both switches read back open. */
export const bothOpen = (now) => Boolean(now.board?.present) && now.circuit.modulator.state === "not passing" && ["open", "not fitted"].includes(now.circuit.contactor.state);

/** Seen off by the controller after the last stop, or to be seen off now. A board that hangs keeps its outputs. */
export function heatOff(now) {
  if (now.still_on || now.permit.given || now.circuit.element.state === "heating") return false;
  return bothOpen(now) || (Boolean(now.stop?.off_seen_utc_us) && !ACTIVE.has(now.run?.state));
}

/** The latch that a person must read first: heat that stays on before what tripped first. */
export const gravest = (now) => (now.still_on && now.latches.find((latch) => latch.guard === "heat_stays_on")) || now.latches.find((latch) => latch.first_out) || now.latches[0];

/** The same in a sentence. */
export function heatWords(now) {
  if (now.still_on) return "The heat is still on. Cut the power now.";
  if (heatOff(now)) return "Heat is off.";
  if (!now.board?.present && !now.stop?.accepted_utc_us) return "Whether the heat is off is not known: the board is not heard.";
  return now.board?.present ? "Heat was told to go off." : "Heat was told to go off; nobody has seen it off.";
}
