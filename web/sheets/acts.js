/** What keys on several sheets do: run commands, acknowledge, clear, check in. Each tells at the key how it ended. */
import { Refused } from "../link.js";

const newKey = () => (crypto.randomUUID ? crypto.randomUUID() : `${Date.now()}-${Math.random().toString(36).slice(2)}`);

/** Send one command; the key is busy meanwhile, and a refusal stands beside it in words. */
export async function command({ store, ask, signal }, path, { body = {}, headers } = {}) {
  store.hold("refusal", null);
  try {
    const answer = await ask(path, { body, headers: { "Idempotency-Key": newKey(), ...headers }, signal });
    return answer;
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    store.hold("refusal", { path, message: error.message, code: error.code, mistakes: error.mistakes });
    return null;
  }
}

export const acts = {
  run: (context, key) => command(context, `/runs/current/${key.dataset.value}`),
  "check-in": (context) => command(context, "/check-in"),
  acknowledge: (context, key) => command(context, `/alarms/${key.dataset.value}/acknowledge`),
  clear: (context, key) => command(context, `/latches/${key.dataset.value}/clear`),
  print: () => print(),
};
