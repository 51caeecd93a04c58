/** Sheet 11, Messages: who is told, from what urgency on, whether it arrives, and what was told lately. */
import { html } from "../markup.js";
import { Refused } from "../link.js";
import { clock, day, many } from "../text.js";
import { EXAMPLES, LEAST, arrivalWords, beatWords, channelWords, deliveryWords, headline, letterLink, linksTodo, near, urgencyWords } from "../told.js";
import { titleBlock } from "../parts/titleblock.js";
import { field, may, refusedWords, send, wrongAt } from "../parts/forms.js";
import { notAllowed, unreadable } from "../parts/trouble.js";
import { mark } from "../parts/marks.js";
import { styled } from "../parts/styled.js";

const AGAIN_MS = 5000;

async function load({ store, ask, signal }) {
  try {
    store.hold("messages", await ask("/messages", { signal }));
    if (store.now?.chamber?.simulated) store.hold("mailbox", await ask("/messages/mailbox", { signal }));
  } catch (error) {
    if (error instanceof Refused) store.hold("messages", { ...store.held.messages, error });
  }
}

/** One form for a channel or a beat, new or changed. */
async function keep(context, form, noun, fields) {
  const body = Object.fromEntries(fields.map((name) => [name, form.elements[name].value.trim()]).filter(([name, value]) => value || name === "name"));
  const { id } = form.dataset;
  const done = await send(context, `${noun}_form`, `/messages/${noun}${id ? `/${id}` : ""}`, { method: id ? "PUT" : "POST", body });
  if (!done) return;
  drafts.delete(`${noun}/${id ?? ""}`);
  form.reset();
  for (const input of form.querySelectorAll("input")) input.value = ""; // a reset goes back to what was begun
  context.store.hold("changing", null);
  await load(context);
}

/** The page's address was kept. */
function taken(context) {
  drafts.delete("page/");
  return load(context);
}

const FORMS = {
  page: async (context, form) => { if (await send(context, "page_form", "/messages/page", { method: "PUT", body: { page: form.elements.page.value.trim() } })) await taken(context); },
  channels: (context, form) => keep(context, form, "channels", ["name", "url", "least"]),
  beats: (context, form) => keep(context, form, "beats", ["name", "url", "key"]),
};

const acts = {
  "use-page": async (context) => { if (await send(context, "page_form", "/messages/page", { method: "PUT", body: { page: location.origin } })) await taken(context); },
  try: async (context, key) => {
    await send(context, `try_${key.dataset.value}`, `/messages/${key.dataset.value}/try`, { body: {}, timeoutMs: 60000 });
    await load(context);
  },
  change: ({ store }, key) => store.hold("changing", key.dataset.value),
  "change-not": ({ store }) => store.hold("changing", null),
  drop: async (context, key) => {
    const { store } = context;
    if (store.held.dropping !== key.dataset.value) return store.hold("dropping", key.dataset.value);
    store.hold("dropping", null);
    const answer = await send(context, "drop", `/messages/${key.dataset.value}`, { method: "DELETE", body: {} });
    store.hold("dropped", answer?.warning ?? "");
    return load(context);
  },
};

const examples = html`<details class="more-ways"><summary>Forms of an address</summary><table class="facts"><tbody>${EXAMPLES.map(([kind, form]) => html`<tr><th scope="row">${kind}</th><td><code>${form}</code></td></tr>`)}</tbody></table><p>Any other address that the library behind it knows works too; hardware_notes say where its list is. Addresses hold passwords: they are kept on this computer and shown without them.</p></details>`;

/** What was begun to type, until it is kept or the page goes: a redraw, another sheet or a refusal takes nothing away. */
const drafts = new Map();
const begun = (form, id, name, kept) => drafts.get(`${form}/${id}`)?.[name] ?? kept;

function typed({ target }) {
  const { form } = target;
  if (!form || !FORMS[form.dataset.form]) return;
  const at = `${form.dataset.form}/${form.dataset.id ?? ""}`;
  drafts.set(at, { ...drafts.get(at), [target.name]: target.value });
}

const ofForm = (held, id) => ((held?.refused || held?.sending) ? held : null);

function channelForm(held, one, simulated) {
  const form = ofForm(held.channels_form);
  const id = one?.id ?? "new";
  return html`<form data-form="channels" data-id="${one?.id ?? ""}" data-key="channel-form-${id}" class="narrow">${field({ id: `channel-name-${id}`, name: "name", label: "Name", value: begun("channels", one?.id ?? "", "name", one?.name ?? ""), hint: "As people call it: “phone”, “neighbour”.", wrong: wrongAt(form, "name") })}${
    field({ id: `channel-url-${id}`, name: "url", label: one ? "New address" : "Address", value: begun("channels", one?.id ?? "", "url", ""), hint: one ? `Left empty, it stays ${one.url ?? "as it is"}.` : simulated ? "mailbox:// keeps messages on this page: for a simulation only." : "Its form depends on the kind; some stand below.", wrong: wrongAt(form, "url"), attributes: html`spellcheck="false" autocapitalize="none"` })}<div
    class="field"><label for="least-${id}">Told from</label><select id="least-${id}" name="least">${Object.entries(LEAST).map(([least, words]) => html`<option value="${least}" ${least === begun("channels", one?.id ?? "", "least", one?.least ?? "can_wait") ? html`selected` : ""}>${words}</option>`)}</select></div>${
    refusedWords(form, ["name", "url"])}<span class="keys"><button type="submit" class="key" ${form?.sending ? html`disabled` : ""}>${one ? "Keep the change" : "Add this channel"}</button>${one ? html` <button type="button" class="plain" data-do="change-not">Leave it as it is</button>` : ""}</span></form>`;
}

const dropKeys = (held, path, name) => (held.dropping === path ? html`<button type="button" class="key" data-do="drop" data-value="${path}">Take ${name} away</button>`
  : html`<button type="button" class="plain" data-do="drop" data-value="${path}">Take away…<span class="unseen"> ${name}</span></button>`);

function drawChannel(one, held, nowUs, simulated, edits) {
  const state = channelWords(one, nowUs);
  const arrival = arrivalWords(one, nowUs);
  const tried = held[`try_channels/${one.id}`];
  const changing = held.changing === `channels/${one.id}`;
  return html`<li data-key="channel-${one.id}" class="told-row"><div><h3>${one.name}</h3><p class="said">${one.kind ? `${one.kind}, ` : ""}${one.url ? html`<code>${one.url}</code>. ` : ""}Told: ${LEAST[one.least] ?? one.least}.</p><p>${state.mark ? mark(state.mark, 16) : ""}${state.words}</p><p class="${arrival.counts ? "" : "asks"}">${
    arrival.counts ? "" : mark("todo", 16)}${arrival.words}</p>${tried?.sending ? html`<p role="status">Sending. Some providers take half a minute.</p>` : ""}${refusedWords(tried)}</div><div class="keys"><button type="button" class="key" data-do="try" data-value="channels/${one.id}" ${tried?.sending ? html`disabled` : ""}>Send a test message<span class="unseen"> over ${one.name}</span></button>${edits ? html`<button
    type="button" class="plain" data-do="change" data-value="channels/${one.id}">Change<span class="unseen"> ${one.name}</span></button>${dropKeys(held, `channels/${one.id}`, one.name)}` : ""}</div>${changing ? channelForm(held, one, simulated) : ""}</li>`;
}

function beatForm(held, one) {
  const form = ofForm(held.beats_form);
  const id = one?.id ?? "";
  const at = one ? `-${one.id}` : "";
  return html`<form data-form="beats" data-id="${id}" data-key="beat-form-${id || "new"}" class="narrow">${field({ id: `beat-name${at}`, name: "name", label: "Name", value: begun("beats", id, "name", one?.name ?? ""), wrong: wrongAt(form, "name") })}${
    field({ id: `beat-url${at}`, name: "url", label: one ? "New address" : "Address", value: begun("beats", id, "url", ""), hint: one ? `Left empty, it stays ${one.url ?? "as it is"}.` : "As http://192.0.2.7:8652/", wrong: wrongAt(form, "url"), attributes: html`spellcheck="false" autocapitalize="none"` })}${
    field({ id: `beat-key${at}`, name: "key", label: one ? "New key" : "Key", value: begun("beats", id, "key", ""), hint: one?.signed ? "Left empty, it stays as it is." : "The listener prints it when it is set up. Without a key anybody on the network could keep it quiet.", wrong: wrongAt(form, "key"), attributes: html`spellcheck="false" autocapitalize="none"` })}${
    refusedWords(form, ["name", "url", "key"])}<span class="keys"><button type="submit" class="key" ${form?.sending ? html`disabled` : ""}>${one ? "Keep the change" : "Add it"}</button>${one ? html` <button type="button" class="plain" data-do="change-not">Leave it as it is</button>` : ""}</span></form>`;
}

function drawBeats(held, nowUs, edits) {
  const beats = held.messages.beats ?? [];
  return html`<section><h2>A second computer that notices silence</h2><p class="said">While a run is on or waits, a beat goes out every 2 min. <code>soakwarden listen</code> on the second computer alarms there when none has come for 10 min, when something trips, or when a run is late: 30 min past the end it first promised, or a tenth of its planned length if that is more. Use the same key on both.</p>${
    beats.length ? html`<ul class="list told">${beats.map((one) => {
      const state = beatWords(one, nowUs);
      return html`<li data-key="beat-${one.id}" class="told-row"><div><h3>${one.name}</h3><p class="said"><code>${one.url ?? ""}</code></p><p>${state.mark ? mark(state.mark, 16) : ""}${state.words}${one.signed === false ? " It has no key: anybody on the network could keep it quiet." : ""}</p>${refusedWords(held[`try_beats/${one.id}`])}</div><div class="keys"><button type="button" class="key" data-do="try" data-value="beats/${one.id}">Send a beat now<span class="unseen"> to ${one.name}</span></button>${
        edits ? html`<button type="button" class="plain" data-do="change" data-value="beats/${one.id}">Change<span class="unseen"> ${one.name}</span></button>${dropKeys(held, `beats/${one.id}`, one.name)}` : ""}</div>${edits && held.changing === `beats/${one.id}` ? beatForm(held, one) : ""}</li>`;
    })}</ul>` : html`<p>None yet. If this computer or the network dies in a run, nobody hears of it.</p>`}${edits ? html`<details class="more-ways" data-key="beat-form"><summary>Add a second computer</summary>${beatForm(held, null)}</details>` : ""}</section>`;
}

function drawPage(held) {
  const form = ofForm(held.page_form);
  const todo = linksTodo(held.messages.page, location.origin);
  return html`${todo ? html`<div class="asks to-do">${mark("todo", 20)}<p><b>Links in messages lead to this computer only.</b> They begin with ${held.messages.page}, which no phone can open; a test message could not arrive. ${
    todo.offer ? html`<button type="button" class="key must" data-do="use-page">Use this page’s address, ${todo.offer}</button>` : "Open this page under the address that a phone uses, and take that one over here."}</p></div>` : ""}<details class="more-ways" data-key="page-form"><summary>Links in messages begin with ${held.messages.page}</summary><form data-form="page" class="narrow">${field({ id: "page-address", name: "page", label: "Address of this page, as a phone opens it", value: begun("page", "", "page", held.messages.page), wrong: wrongAt(form, "page"), hint: "As http://192.0.2.5:8650", attributes: html`spellcheck="false" autocapitalize="none"` })}${
    refusedWords(form, ["page"])}<button type="submit" class="key">Keep it</button></form></details>`;
}

function drawMailbox(held) {
  const letters = held.mailbox?.letters;
  if (!letters) return "";
  return html`<section><h2>Demo mailbox</h2><p class="said">In a simulation, messages to mailbox:// are kept here instead of being sent. Everything in them is invented.</p>${letters.length ? html`<ol class="list">${letters.map((one) => {
    const to = one.link ? letterLink(one.link, location.origin) : null;
    return html`<li><details class="more-ways" data-key="letter-${one.utc_us}"><summary>${day(one.utc_us)} ${clock(one.utc_us)}: ${one.title}</summary><p class="letter">${one.text}</p>${to ? html`<p class="links"><a href="${to}" target="_blank" rel="noopener">Open its link</a></p>` : one.link ? html`<p class="said">Its link leads elsewhere: ${one.link}</p>` : ""}</details></li>`;
  })}</ol>` : html`<p>Empty.</p>`}</section>`;
}

function drawTold(held, nowUs) {
  const told = held.messages.told ?? [];
  return html`<section><h2>Told lately</h2>${told.length ? html`<ol class="list">${told.map((one) => html`<li class="told-message"><time>${near(one.utc_us, nowUs)}</time><div><p><b>${one.what}</b> <span class="said">${one.chamber}, ${urgencyWords(one.urgency)}</span></p>${one.done ? html`<p>Done already: ${one.done}</p>` : ""}${
    one.do ? html`<p>Do: ${Array.isArray(one.do) ? one.do.join(" ") : one.do}</p>` : ""}<p class="said">${(one.deliveries ?? []).map((each) => html`<span class="delivery">${each.state === "failed" ? mark("alarm", 14) : ""}${deliveryWords(each)}</span> `)}</p></div></li>`)}</ol><p class="caption">Left means that the provider took it, not that somebody read it.</p>` : html`<p>Nothing yet.</p>`}</section>`;
}

function body(state) {
  const { held, now } = state;
  const simulated = Boolean(now?.chamber?.simulated);
  const nowUs = Date.now() * 1000;
  const edits = may(state.me, "edit_messages");
  const channels = held.messages.channels ?? [];
  return html`<section><h2>${many(channels.length, "channel")}</h2>${refusedWords(held.drop)}${held.dropped && !channels.length ? html`<p class="asks" role="alert">${mark("alarm", 16)} ${held.dropped}</p>` : ""}${channels.length ? html`<ul class="list told">${channels.map((one) => drawChannel(one, held, nowUs, simulated, edits))}</ul>` : ""}${edits ? html`<details class="more-ways" data-key="channel-form" ${
    channels.length ? "" : html`open`}><summary>Add a channel</summary>${channelForm(held, null, simulated)}${examples}</details>${drawPage(held)}` : html`<p class="said">A maintainer adds and changes channels.</p>`}</section>${simulated ? drawMailbox(held) : ""}${drawBeats(held, nowUs, edits)}${drawTold(held, nowUs)}`;
}

export const sheet = {
  number: 11,
  name: "Messages",
  enter(context) {
    styled("rooms");
    const again = setInterval(() => { if (document.visibilityState !== "hidden") load(context); }, AGAIN_MS);
    context.signal.addEventListener("abort", () => clearInterval(again), { once: true });
    context.root.addEventListener("submit", (event) => {
      event.preventDefault();
      FORMS[event.target.dataset.form]?.(context, event.target);
    }, { signal: context.signal });
    for (const kind of ["input", "change"]) context.root.addEventListener(kind, typed, { signal: context.signal });
    return load(context);
  },
  acts,
  render(state) {
    const held = state.held.messages;
    const { error } = held ?? {};
    if (error?.status === 403) return html`<div class="sheet-head"><h1 tabindex="-1">Who is told is an operator’s to see.</h1></div>${notAllowed("Not allowed.", `${error.message} Looking, stopping and acknowledging go on.`, html`<a href="#/people">Who you are</a>`)}${block(state)}`;
    if (error && !held.channels) return html`${unreadable("Who is told can’t be read.", `${error.message} ${error.advice} The heat does not depend on messages.`)}${block(state)}`;
    const { sentence, more } = headline(held, Date.now() * 1000);
    return html`<div class="sheet-head"><h1 tabindex="-1">${sentence}</h1><p class="lead">${more}</p></div>${error ? html`<p class="said" role="status">${mark("stale", 16)} Not read anew: ${error.message}</p>` : ""}${held ? body(state) : html`<p class="loading-line">Reading the channels.</p>`}${block(state)}`;
  },
};

const block = (state) => titleBlock([[{ label: "Sheet", value: "Messages", wide: true }, { label: "Channels", value: state.held.messages?.channels?.length ?? "not known" }]], { now: state.now, dataMs: state.ageMs() });
