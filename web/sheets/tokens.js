/** Tokens: what a program, or a bookmark that only stops, signs itself in with. A part of sheet 8. */
import { html } from "../markup.js";
import { clock, day } from "../text.js";
import { choice, field, once, refusedWords, send, wrongAt } from "../parts/forms.js";
import { isLoopback } from "../told.js";
import { mark } from "../parts/marks.js";
import { trouble } from "../parts/trouble.js";

const SCOPES = { stop: ["Only stop", "a bookmark with a button for each chamber, for a phone or a person without an account"], look: ["Look", "a program reads; it changes nothing"], operate: ["Operate", "a program may do what you may, up to an operator"] };
const DAYS = 90;

/** Make one; the answer is held until the sheet is left, since it is shown once. */
export async function make(context, form) {
  const days = Number(form.elements.days.value);
  const body = { label: form.elements.label.value.trim(), scope: new FormData(form).get("scope"), days: Number.isInteger(days) ? days : form.elements.days.value };
  const made = await send(context, "token_form", "/tokens", { body });
  if (!made) return false;
  context.store.hold("token", { ...made, ...body });
  form.reset();
  return true;
}

function drawMade(made) {
  if (!made) return "";
  const address = made.url ? new URL(made.url, location.origin).href : "";
  const here = address && isLoopback(address) ? html`<p class="asks">${mark("todo", 16)} This address opens on this computer only. Open the page under the address that other devices use, and make the token there.</p>` : "";
  return html`${here}${address ? once({ id: "stop-address", label: `Address for “${made.label}”, shown once`, value: address, hint: "Keep it as a bookmark or on the home screen. Opening it does nothing yet: the page has a button for each chamber, and says when the heat was seen off. Whoever has the address can stop the heat, and nothing else." }) : ""}${
    once({ id: "token", label: `Token “${made.label}”, shown once`, value: made.token, hint: "A program sends it as “Authorization: Bearer” and the token. It can’t be shown again; a lost one is ended here and made anew." })}`;
}

function row(token, nowUs) {
  const over = token.expires_utc_us < nowUs ? "ran out" : "until";
  return html`<tr data-key="token-${token.id}"><th scope="row">${token.label}</th><td>${(SCOPES[token.scope] ?? [token.scope])[0].toLowerCase()}${token.by ? `, of ${token.by}` : ""}</td><td>${over} ${day(token.expires_utc_us)} ${clock(token.expires_utc_us)}</td><td class="keys">${
    over === "until" ? html`<button type="button" class="plain" data-do="end-token" data-value="${token.id}">End it<span class="unseen"> ${token.label}</span></button>` : ""}</td></tr>`;
}

export function draw(state) {
  const held = state.held.tokens;
  if (!held || (state.me.via === "local" && !held.tokens?.length)) return "";
  if (held.error) return trouble("The tokens can’t be read.", held.error);
  const form = state.held.token_form;
  return html`<section><h2>Tokens</h2>${held.tokens.length ? html`<table class="rows"><thead><tr><th scope="col">For</th><th scope="col">May</th><th scope="col">Good</th><th scope="col"><span class="unseen">Keys</span></th></tr></thead><tbody>${held.tokens.map((one) => row(one, Date.now() * 1000))}</tbody></table>` : html`<p>None yet. A token lets a program in, or a bookmark that only stops the heat.</p>`}
    ${drawMade(state.held.token)}<details class="more-ways" data-key="token-form"><summary>Make a token</summary><form data-form="token" class="narrow">${field({ id: "label", label: "What is it for?", hint: "As “phone in the hall”.", wrong: wrongAt(form, "label") })}${
    choice({ name: "scope", legend: "What may it do?", options: Object.entries(SCOPES).map(([scope, [words, detail]]) => [scope, words, detail]), chosen: "stop" })}${
    field({ id: "days", label: "Good for how many days?", type: "number", value: DAYS, wrong: wrongAt(form, "days"), attributes: html`min="1" inputmode="numeric"` })}${refusedWords(form, ["label", "days"])}<button type="submit" class="key" ${form?.sending ? html`disabled` : ""}>Make it</button></form></details></section>`;
}
