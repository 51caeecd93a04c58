/** What the sign-in view says, from who is asking and what was refused last. Pure. */
import { wait } from "./text.js";

/** Seconds that somebody still has to wait after too many tries. */
export const leftS = (held, ms) => (held?.untilMs ? Math.max(0, Math.ceil((held.untilMs - ms) / 1000)) : 0);

/** {form: "sign-in" | "join", heading, lead, trouble: {bold, more} or null, may: whether the key works now}. */
export function presentSignIn(me, held, ms, joining = false) {
  const first = me?.accounts === false;
  const form = joining || first ? "join" : "sign-in";
  const seconds = leftS(held, ms);
  return { form, heading: headingOf(me, form, first), lead: leadOf(me, form, first), trouble: troubleOf(held, seconds), may: seconds === 0 && !held?.sending };
}

function headingOf(me, form, first) {
  if (first) return "Make the first account.";
  if (form === "join") return "Join with a code.";
  return me?.ended ? "Your session has ended." : "Sign in.";
}

function leadOf(me, form, first) {
  if (first) return "The service printed a one-time code where it runs, and wrote it into its log. Whoever has it becomes the maintainer.";
  if (form === "join") return "A maintainer made the code for you. It works once, and the role stands in it.";
  return me?.ended ? "Sign in again; this page goes on where it was. What you typed on it is kept." : "This service shows its chambers to people with an account. The heat does not depend on it.";
}

/** Why a name and a password were not enough; a wrong one tells nothing about which of them it was. */
function troubleOf(held, seconds) {
  const refused = held?.refused;
  if (seconds > 0) return { bold: `Too many wrong tries. Wait ${wait(seconds * 1e6)}.`, more: "Stop heating is not held up by this." };
  if (!refused || held.untilMs) return null;
  if (refused.code === "wrong_sign_in") return { bold: "Name and password do not belong together.", more: "Capital letters count in both." };
  if (refused.code === "wrong_code") return { bold: "This code is not valid.", more: "A code works once, and not for long. Have a new one made." };
  if (refused.code === "name_taken") return { bold: "Somebody has this name.", more: "Choose another." };
  return { bold: "That did not work.", more: refused.code === "bad_request" && refused.mistakes?.length ? "What has to be changed stands at its field." : refused.message };
}
