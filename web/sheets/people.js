/** Sheet 8, People: who you are and what you may do; for a maintainer who else there is, and what was done at the desk. */
import { html } from "../markup.js";
import { Refused } from "../link.js";
import { capital, clock, day, many, wait } from "../text.js";
import { titleBlock } from "../parts/titleblock.js";
import { choice, copy, field, may, once, refusedWords, send, wrongAt } from "../parts/forms.js";
import { trouble } from "../parts/trouble.js";
import { mark } from "../parts/marks.js";
import { isLoopback } from "../told.js";
import { styled } from "../parts/styled.js";
import * as tokens from "./tokens.js";

export const ROLES = { viewer: "looks, stops the heat, acknowledges", operator: "also starts, holds and cools down runs, checks in, edits schedules, clears an abort", maintainer: "also commissions, tightens limits, clears trips, looks after accounts" };
const MINE = { viewer: "You may look, stop the heat and acknowledge.", operator: "You may look, stop the heat and acknowledge; start, hold and cool down runs, say that you are near, which keeps the heat on, edit schedules, and clear an abort.", maintainer: "You may do everything an operator may, and commission, tighten limits, clear trips and look after accounts." };
const AUDIT_MOST = 100;

/** What the head says of the person who asks. */
export function presentMe(me) {
  if (!me) return { sentence: "Asking who you are.", more: "" };
  const mine = MINE[me.role] ?? "";
  if (me.via === "local") return { sentence: "You are not signed in.", more: `This is the chamber’s own computer, where looking and stopping need no account. ${mine}` };
  if (me.via === "token") return { sentence: `You ask with the token of ${me.name}.`, more: mine };
  return { sentence: `You are signed in as ${me.name}.`, more: `${mine}${me.expires_utc_us ? ` This session ends ${day(me.expires_utc_us)} at ${clock(me.expires_utc_us)} at the latest.` : ""}` };
}

/** Is this person the one who asks? */
export const isMe = (person, me) => me?.via !== "local" && person.name === me?.name;

async function load(context) {
  const { store, ask, signal } = context;
  const read = async (name, path) => {
    try {
      store.hold(name, await ask(path, { signal }));
    } catch (error) {
      if (error instanceof Refused) store.hold(name, { error: error.message });
    }
  };
  await context.who();
  const { me } = store;
  if (!me?.name) return;
  await Promise.all([read("tokens", "/tokens"), ...(may(me, "look_after_people") ? [read("people", "/people"), read("audit", `/desk/audit?limit=${AUDIT_MOST}`)] : [])]);
}

const FORMS = {
  async password(context, form) {
    const body = { old: form.elements.old.value, new: form.elements.new.value };
    if (body.new !== form.elements.again.value) return context.store.hold("password", { refused: new Refused(0, { detail: "The two new passwords differ.", mistakes: [] }) });
    if (await send(context, "password", "/me/password", { body })) form.reset();
    return null;
  },
  async invite(context, form) {
    const made = await send(context, "invite", "/people/invitations", { body: { role: new FormData(form).get("role") } });
    if (!made) return;
    context.store.hold("invited", made);
    await load(context);
  },
  token: async (context, form) => { if (await tokens.make(context, form)) await load(context); },
};

const acts = {
  copy,
  role: async (context, key) => {
    const select = context.root.querySelector(`#role-${key.dataset.value}`);
    if (await send(context, "change", `/people/${key.dataset.value}`, { method: "PUT", body: { role: select.value } })) await load(context);
  },
  remove: async (context, key) => {
    const { store } = context;
    if (store.held.removing !== key.dataset.value) return store.hold("removing", key.dataset.value);
    store.hold("removing", null);
    if (await send(context, "change", `/people/${key.dataset.value}`, { method: "DELETE", body: {} })) await load(context);
    return null;
  },
  "take-back": async (context, key) => { if (await send(context, "change", `/people/invitations/${encodeURIComponent(key.dataset.value)}`, { method: "DELETE", body: {} })) await load(context); },
  "keep-person": ({ store }) => store.hold("removing", null),
  "end-token": async (context, key) => { if (await send(context, "change", `/tokens/${key.dataset.value}`, { method: "DELETE", body: {} })) await load(context); },
};

function drawMine(state) {
  const { me, held } = state;
  if (me.via === "local") return html`<section><p class="links"><a href="#/sign-in">Sign in with an account</a><a href="#/join">Join with a code</a></p>${me.accounts === false ? html`<p class="said">${mark("todo", 16)} No account exists yet. Until one does, no other device can open this page.</p>` : ""}</section>`;
  if (me.via === "token") return "";
  const form = held.password;
  return html`<section class="mine"><button type="button" class="key" data-do="sign-out">Sign out</button><details class="more-ways" data-key="password"><summary>Change my password</summary><form data-form="password" class="narrow"><input
    class="unseen" name="name" value="${me.name}" autocomplete="username" tabindex="-1" aria-hidden="true" readonly>${field({ id: "old", label: "The password now", type: "password", complete: "current-password", wrong: wrongAt(form, "old") })}${
    field({ id: "new", label: "The new password", type: "password", complete: "new-password", wrong: wrongAt(form, "new"), hint: wrongAt(form, "new") ? "" : "At least 10 characters." })}${field({ id: "again", label: "The new one again", type: "password", complete: "new-password" })}${
    refusedWords(form, ["old", "new"])}${form?.done ? html`<p role="status" class="said">The password was changed. Every other session and token of yours has ended.</p>` : ""}<button type="submit" class="key" ${form?.sending ? html`disabled` : ""}>Change it</button><p
    class="caption">Every other session and token of yours ends with it.</p></form></details></section>`;
}

function personRow(person, state) {
  const me = isMe(person, state.me);
  const asking = state.held.removing === String(person.id);
  return html`<tr data-key="person-${person.id}"><th scope="row">${person.name}${me ? html` <span class="caption">you</span>` : ""}</th><td>since ${day(person.created_utc_us)}, ${
    person.sessions ? `signed in on ${many(person.sessions, "device")}` : "not signed in"}</td><td class="rolecell"><label class="unseen" for="role-${person.id}">Role of ${person.name}</label><select id="role-${person.id}">${Object.keys(ROLES).map((role) => html`<option value="${role}" ${role === person.role ? html`selected` : ""}>${role}</option>`)}</select><button
    type="button" class="plain" data-do="role" data-value="${person.id}">Give this role</button></td><td class="keys">${asking ? html`<span class="said">Ends every session and token of ${person.name}.</span> <button type="button" class="key" data-do="remove" data-value="${person.id}">Remove ${person.name}</button> <button type="button" class="plain" data-do="keep-person">Keep</button>`
    : html`<button type="button" class="plain" data-do="remove" data-value="${person.id}">Remove…<span class="unseen"> ${person.name}</span></button>`}</td></tr>`;
}

function drawInvited(held, nowUs) {
  const made = held.invited;
  if (!made) return "";
  return once({ id: "invitation", label: `Code for a new ${made.role}, shown once`, value: made.code,
    hint: `Give it to one person. It is entered at ${location.origin}/#/join, ${isLoopback(location.origin) ? "which opens on this computer only: name the address that the other device uses instead; it " : ""}works once, and until ${day(made.expires_utc_us)} ${clock(made.expires_utc_us)}, ${wait(made.expires_utc_us - nowUs)} from now.` });
}

function drawOthers(state) {
  const { people } = state.held;
  if (!people) return html`<p class="loading-line">Reading who there is.</p>`;
  if (people.error) return trouble("The accounts can’t be read.", people.error);
  const open = people.invitations ?? [];
  return html`<section><h2>${many(people.people.length, "account")}</h2>${refusedWords(state.held.change)}<table class="rows people"><thead><tr><th scope="col">Name</th><th scope="col">Known</th><th scope="col">Role</th><th scope="col"><span class="unseen">Keys</span></th></tr></thead><tbody>${
    people.people.map((person) => personRow(person, state))}</tbody></table>
    <details class="more-ways" data-key="invite" ${people.people.length > 1 ? "" : html`open`}><summary>Invite somebody</summary><form data-form="invite" class="narrow">${choice({ name: "role", legend: "What may they do?", options: Object.entries(ROLES).map(([role, words]) => [role, capital(role), words]), chosen: "viewer" })}${refusedWords(state.held.invite)}<button
    type="submit" class="key">Make a code</button></form></details>${drawInvited(state.held, Date.now() * 1000)}${open.length ? html`<ul class="list">${open.map((one) => html`<li>A code for a new ${one.role} waits, until ${day(one.expires_utc_us)} ${clock(one.expires_utc_us)}${one.by ? `; made by ${one.by}` : ""}. <button type="button" class="plain" data-do="take-back" data-value="${one.id}">Take it back</button></li>`)}</ul>` : ""}</section>`;
}

/** A line of the desk's audit as a sentence's pieces. */
export const auditWords = (row) => [`${row.what} ${row.about}`.trim(), row.detail].filter(Boolean).join(", ");

function drawAudit(held) {
  const { audit } = held;
  if (!audit) return "";
  if (audit.error) return trouble("What was done at the desk can’t be read.", audit.error);
  const rows = audit.lines;
  return html`<details class="more-ways" data-key="audit"><summary>What was done at the desk</summary>${rows.length ? html`<ol class="events audit">${rows.map((row) => html`<li><time>${day(row.utc_us)} ${clock(row.utc_us)}</time> <span>${row.by}: ${auditWords(row)}</span></li>`)}</ol>` : html`<p>Nothing yet.</p>`}</details>`;
}

export const sheet = {
  number: 8,
  name: "People",
  enter(context) {
    styled("rooms");
    context.root.addEventListener("submit", (event) => {
      event.preventDefault();
      FORMS[event.target.dataset.form]?.(context, event.target);
    }, { signal: context.signal });
    context.store.held.invited = context.store.held.token = null; // a secret is shown once
    return load(context);
  },
  acts,
  render(state) {
    const { me, held } = state;
    const { sentence, more } = presentMe(me);
    const keeper = Boolean(me?.name) && may(me, "look_after_people");
    return html`<div class="sheet-head"><h1 tabindex="-1">${sentence}</h1><p class="lead">${more}</p></div>${me?.name ? html`${drawMine(state)}${keeper ? drawOthers(state) : ""}${tokens.draw(state)}${keeper ? drawAudit(held) : ""}` : ""}
      ${titleBlock([[{ label: "Sheet", value: "People", wide: true }, { label: "You", value: me?.name ?? "not known" }, { label: "Role", value: me?.role ?? "not known" }]], { now: state.now, dataMs: state.ageMs() })}`;
  },
};
