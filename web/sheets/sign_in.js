/** In place of a sheet while nobody is signed in: the sign-in form, or the form for a code. */
import { html } from "../markup.js";
import { Refused } from "../link.js";
import { presentSignIn } from "../signin.js";
import { field, wrongAt } from "../parts/forms.js";
import { mark } from "../parts/marks.js";
import { styled } from "../parts/styled.js";

const SHORTEST = 10;

async function send(context, form) {
  const { store, ask } = context;
  const joining = form.dataset.form === "join";
  const body = Object.fromEntries(new FormData(form));
  store.hold("signIn", { sending: true });
  try {
    const answer = await ask(joining ? "/join" : "/sign-in", { body });
    form.reset();
    store.hold("signIn", null);
    const me = await ask("/me").catch(() => null);
    context.signedIn(me?.name ? me : { ...answer, via: "session", may: [], accounts: true });
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    const untilMs = error.status === 429 ? store.ms() + 1000 * (error.retryAfterS || 30) : null;
    store.hold("signIn", { refused: error, untilMs });
    form.elements.password.select();
  }
}

const AWAY = html`<details class="more-ways"><summary>If you can’t sign in</summary><ul><li>On the chamber’s own computer, looking and stopping need no account, unless the service was started to stand behind a proxy.</li><li>A lost password: a maintainer removes the account and makes a new invitation.
  If the only maintainer lost it, <code>soakwarden account code</code>, on the computer where the service runs, makes a new code.</li><li>With a stop key, <a href="/stop">the plain page</a> stops the heat.</li></ul></details>`;

const KEYS = { "sign-in": "Sign in", join: "Make this account" };

function drawForm(view, held) {
  const joining = view.form === "join";
  return html`<form data-form="${view.form}" class="narrow" data-key="form-${view.form}">${joining ? field({ id: "code", label: "Code", hint: "As it was printed or given to you.", wrong: wrongAt(held, "code"), attributes: html`autocapitalize="characters" spellcheck="false"` }) : ""}${
    field({ id: "name", label: "Name", complete: "username", wrong: wrongAt(held, "name"), attributes: html`autocapitalize="none" spellcheck="false"` })}${
    field({ id: "password", label: joining ? "A new password" : "Password", type: "password", complete: joining ? "new-password" : "current-password", wrong: wrongAt(held, "password"),
      hint: joining && !wrongAt(held, "password") ? `At least ${SHORTEST} characters. A few words in a row are easier to keep than signs.` : "" })}${
    view.trouble ? html`<div class="trouble" role="alert">${mark("notallowed")}<p><b>${view.trouble.bold}</b> ${view.trouble.more}</p></div>` : ""}<button type="submit" class="key" ${view.may ? "" : html`disabled`}>${
    held?.sending ? "Asking" : KEYS[view.form]}</button></form>`;
}

export const sheet = {
  name: "Sign in",
  enter(context) {
    styled("rooms");
    context.root.addEventListener("submit", (event) => {
      event.preventDefault();
      if (["sign-in", "join"].includes(event.target.dataset.form)) send(context, event.target);
    }, { signal: context.signal });
  },
  render(state) {
    const held = state.held.signIn;
    const joining = /^#\/(?:at\/[^/]+\/)?join/u.test(location.hash);
    const view = presentSignIn(state.me, held, state.ms(), joining);
    const other = view.form === "join" && state.me?.accounts !== false ? html`<p class="links"><a href="#/sign-in">Sign in with an account</a></p>` : view.form === "sign-in" ? html`<p class="links"><a href="#/join">Join with a code</a></p>` : "";
    return html`<div class="sheet-head"><h1 tabindex="-1">${view.heading}</h1><p class="lead">${view.lead}</p></div>${drawForm(view, held)}${other}${AWAY}`;
  },
};
