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

const NAMED = "1 to 40 letters and digits, with blanks, points, hyphens and apostrophes between them";
/** What a field may be, where the api can only say by which pattern it judges. */
const FORMS = { name: NAMED, label: NAMED, url: "an address with a scheme, as jsons://hook.example/path", page: "an address that begins with http:// or https://, as http://192.0.2.5:8650", key: "the key as the listener prints it: the digits 0 to 9 and the letters a to f, or nothing", days: "a whole number of days" };
/** Shown nowhere, not even to whoever typed it. */
const SECRET = new Set(["old", "new", "password", "code", "key"]);
/** Advice that says nothing that a mark at the field does not say. */
const EMPTY = /^Correct this field\.$/u;

/** A mistake as people say it: {field, value, allowed, advice}, without patterns, and without what was typed where that is a secret. */
export function mistakeWords(one) {
  const allowed = /^text of the form|[\^$\\]/u.test(one.allowed) ? FORMS[one.field] ?? "another form" : one.allowed;
  const value = SECRET.has(one.field) || !one.value || one.value === "nothing" || one.value === "None" ? "" : `It is “${one.value}”. `;
  const advice = EMPTY.test(one.advice ?? "") ? "" : ` ${one.advice ?? ""}`;
  return `${value}Allowed: ${allowed}.${advice}`.trim();
}

/** The mistake that belongs to one field of a form. */
export const wrongAt = (held, name) => {
  const one = held?.refused?.mistakes?.find((row) => row.field === name);
  return one ? mistakeWords(one) : "";
};

/** The refusal's own sentence, unless it only repeats what stands at the fields. */
const saidOf = (refused) => (refused.code === "bad_request" && refused.mistakes.length ? "What has to be changed stands at its field." : refused.message);

/** A refusal beside the form: one sentence, and every mistake that has no field of its own. */
export function refusedWords(held, fields = []) {
  if (!held?.refused) return "";
  const { refused } = held;
  const rest = refused.mistakes.filter((one) => !fields.includes(one.field));
  return html`<div class="trouble" role="alert">${mark(refused.status === 403 ? "notallowed" : "faulted")}<div><p><b>Nothing was changed.</b> ${saidOf(refused)} ${refused.mistakes.length ? "" : refused.advice}</p>${
    rest.length ? html`<ul class="mistakes">${rest.map((one) => html`<li><b>${one.field}</b>: ${mistakeWords(one)}</li>`)}</ul>` : ""}</div></div>`;
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
