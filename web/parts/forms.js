/** Fields, and sending a form: busy while it is asked, a refusal beside it in words, what was typed kept. */
import { html } from "../markup.js";
import { Refused } from "../link.js";
import { mark } from "./marks.js";
export { may } from "./rights.js";

/** One field with its label and a hint. `type` is an input's. */
export function field({ id, name, label, type = "text", hint = "", value = "", complete = "off", wrong = "", attributes = "" }) {
  const told = [hint && `${id}-hint`, wrong && `${id}-wrong`].filter(Boolean).join(" ");
  return html`<div class="field ${wrong ? "wrong" : ""}"><label for="${id}">${label}</label><input id="${id}" name="${name ?? id}" type="${type}" value="${value}" autocomplete="${complete}" ${
    told ? html`aria-describedby="${told}"` : ""} ${wrong ? html`aria-invalid="true"` : ""} ${attributes}>${hint ? html`<span class="hint" id="${id}-hint">${hint}</span>` : ""}${
    wrong ? html`<span class="mistake" id="${id}-wrong">${mark("faulted", 14)}${wrong}</span>` : ""}</div>`;
}

/** Native radio buttons or one choice from a list: [value, words, detail]. */
export const choice = ({ name, legend, options, chosen }) => html`<fieldset class="levels"><legend>${legend}</legend>${options.map(([value, words, detail]) =>
  html`<label><input type="radio" name="${name}" value="${value}" ${value === chosen ? html`checked` : ""}><span><b>${words}</b>${detail ? html`<span class="detail">${detail}</span>` : ""}</span></label>`)}</fieldset>`;

/** What a form's last sending came to, as `held[key]`: {sending, refused, done}. Returns the answer, or null when refused. */
export async function send({ store, ask, signal }, key, path, options) {
  store.hold(key, { sending: true });
  try {
    const answer = await ask(path, { signal, ...options });
    store.hold(key, { done: true });
    return answer ?? {};
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    store.hold(key, { refused: error });
    return null;
  }
}

/** The mistake that belongs to one field of a form. */
export const wrongAt = (held, name) => {
  const one = held?.refused?.mistakes?.find((row) => row.field === name);
  return one ? `${one.value ? `It is ${one.value}; allowed` : "Allowed"} is ${one.allowed}. ${one.advice}` : "";
};

/** A refusal beside the form: one sentence, and every mistake that has no field of its own. */
export function refusedWords(held, fields = []) {
  if (!held?.refused) return "";
  const { refused } = held;
  const rest = refused.mistakes.filter((one) => !fields.includes(one.field));
  return html`<div class="trouble" role="alert">${mark(refused.status === 403 ? "notallowed" : "faulted")}<div><p><b>Nothing was changed.</b> ${refused.message} ${refused.mistakes.length ? "" : refused.advice}</p>${
    rest.length ? html`<ul class="mistakes">${rest.map((one) => html`<li><b>${one.field}</b>: allowed is ${one.allowed}. ${one.advice}</li>`)}</ul>` : ""}</div></div>`;
}

/** Copy where the browser lets a page do so; else the text is chosen, ready for the keys. */
export async function copy(_, key) {
  const from = document.getElementById(key.dataset.value);
  try {
    await navigator.clipboard.writeText(from.value);
    key.textContent = "Copied";
  } catch {
    from.select();
    key.textContent = document.execCommand?.("copy") ? "Copied" : "Chosen, copy it now";
  }
}

/** A secret that is shown once, in a field that can be read out and copied. */
export const once = ({ id, label, value, hint }) => html`<div class="once" role="status"><label for="${id}">${label}</label><span class="holds"><input id="${id}" readonly value="${value}" aria-describedby="${id}-hint"><button
  type="button" class="key" data-do="copy" data-value="${id}">Copy</button></span><span class="hint" id="${id}-hint">${hint}</span></div>`;
