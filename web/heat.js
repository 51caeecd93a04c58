/** Whether the heat is off, as far as anybody saw. Off is said of what was seen off, and of nothing else. Pure. */

import { clockSeconds } from "./text.js";

/** States of a run that may heat. */
export const ACTIVE = new Set(["running", "holding", "held", "restarting", "stopping"]);

/** States in which plan and soak clock stand still, wherever the part is. */
export const STANDS_STILL = new Set(["holding", "held", "restarting"]);

/** No board is heard, or none of this chamber: what is told now may reach nobody, and nobody sees what the heat does. */
export const unheard = (now) => Boolean(now?.board && (!now.board.present || !now.board.accepted));

/** Seen off now, as the controller judges it. What was seen off before may have come on since, unheard. */
export const heatOff = (now) => now.heat_off === true && !now.still_on && !now.permit.given;

/** The latch that a person must read first, as the controller judges it. */
export const gravest = (now) => now.latches.find((latch) => latch.guard === now.gravest) ?? now.latches.find((latch) => latch.first_out) ?? now.latches[0];

/** The same in a sentence. */
export function heatWords(now) {
  if (now.still_on) return "The heat is still on. Cut the power now.";
  if (heatOff(now)) return "Heat is off.";
  if (now.board?.present) return "Heat was told to go off.";
  if (!now.stop?.accepted_utc_us || !(now.board?.accepted || now.stop.off_seen_utc_us)) return `Whether the heat is off is not known: ${now.board?.line || "the board is not heard"}.`;
  return now.stop.off_seen_utc_us ? `Heat was seen off at ${clockSeconds(now.stop.off_seen_utc_us)}; the board has not been heard since.` : "Heat was told to go off; nobody has seen it off.";
}
