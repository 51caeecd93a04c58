/**
 * Make and edit a schedule. The draft is what stands in the fields, as text; the api judges it while it is typed, and
 * every mistake is told at its own field. Nothing here knows the limits: they come with the mistakes.
 */
import { html } from "../markup.js";
import { Refused, linkTo } from "../link.js";
import { clock, day, many, wait, warmShort, capital } from "../text.js";
import { drawPreview } from "../parts/preview.js";
import { titleBlock } from "../parts/titleblock.js";
import { mark } from "../parts/marks.js";
import { unreadable, loading } from "../parts/trouble.js";

const TYPED_MS = 180;
const FIELDS = {
  ramp: [["target_c", "to", "°C"], ["rate_c_per_h", "at", "°C/h"], ["band_c", "band ±", "°C"], ["longest_h", "at longest", "h"]],
  soak: [["target_c", "at", "°C"], ["soak_h", "in band for", "h"], ["band_c", "band ±", "°C"], ["longest_h", "at longest", "h"]],
  cool: [["target_c", "to", "°C"], ["rate_c_per_h", "at", "°C/h"], ["band_c", "band ±", "°C"], ["longest_h", "at longest", "h"]],
};
const KINDS = { ramp: "Ramp", soak: "Soak", cool: "Controlled cooling" };
const NEW = { format: "soakwarden-schedule-1", name: "", temperature_of: "part", resume: "never", note: "", segments: [
  { kind: "ramp", target_c: 105, rate_c_per_h: 20, band_c: 2, longest_h: 6 }, { kind: "soak", target_c: 105, soak_h: 8, band_c: 2, longest_h: 12 },
  { kind: "cool", target_c: 40, rate_c_per_h: 20, band_c: 2, longest_h: 12 }] };
const FRESH = { ramp: NEW.segments[0], soak: NEW.segments[1], cool: NEW.segments[2] };
let serial = 0;

/** A number as the file wants it; anything else goes as it was typed, so that the api can say what is wrong. */
export function number(text) {
  const plain = String(text).trim().replace(",", ".");
  return plain !== "" && Number.isFinite(Number(plain)) ? Number(plain) : plain;
}

/** The draft as a schedule file. */
export function written(draft) {
  return { ...draft.data, segments: draft.data.segments.map(({ kind, ...row }) =>
    ({ kind, ...Object.fromEntries(FIELDS[kind].map(([field]) => [field, number(row[field] ?? "")])) })) };
}

/** "segment 2 soak_h" -> the field's name on the page. */
export const fieldName = (field) => field.replace(/^segment (\d+) /u, "segment-$1-");

/** "segment 2 target_c" -> "the target of segment 2". */
const FIELD_WORDS = { target_c: "the target", rate_c_per_h: "the rate", band_c: "the band", soak_h: "the time in band", longest_h: "the longest time" };
export function fieldWords(field) {
  const [, at, name] = /^segment (\d+) (\w+)$/u.exec(field) ?? [];
  return at ? `${FIELD_WORDS[name] ?? name} of segment ${at}` : field.replace(/_/gu, " ");
}

/** Mistakes by field; those that belong to no field on the page stand under "". */
export function byField(mistakes, draft) {
  const shown = new Set(["name", "temperature_of", "resume", "note", ...draft.data.segments.flatMap((row, index) => FIELDS[row.kind].map(([field]) => `segment-${index + 1}-${field}`))]);
  const found = {};
  for (const one of mistakes) {
    const name = shown.has(fieldName(one.field)) ? fieldName(one.field) : "";
    (found[name] ??= []).push(one);
  }
  return found;
}

const fresh = (data, stored) => ({ key: `draft-${(serial += 1)}`, data: structuredClone(data), id: stored?.id ?? null, revision: stored?.revision ?? 0,
  curve: [], duration_us: 0, mistakes: [], cannot: [], judged: false, named: Boolean(stored), unsaved: false, saved: "", error: "" });

/** Drafts that were changed and not stored, by schedule: whoever goes to look at another sheet finds them again. */
const keyOf = (draft) => draft.id ?? "new";
function keep(store, draft) {
  store.hold("draft", draft);
  store.hold("unsaved", { ...store.held.unsaved, [keyOf(draft)]: draft });
}

function drop(store, draft) {
  const { [keyOf(draft)]: _, ...others } = store.held.unsaved ?? {};
  store.hold("unsaved", others);
}

/** Does anything typed here stand nowhere else yet? */
export const anyUnsaved = (store) => Object.keys(store.held.unsaved ?? {}).length > 0;

/** Mistakes that are told: a new schedule has no name yet, which is no mistake before somebody stores it. */
const told = (draft) => (draft.named ? draft.mistakes : draft.mistakes.filter((one) => one.field !== "name"));

export async function enter(context, id) {
  const { store, ask, signal } = context;
  store.hold("draft", null);
  store.hold("revisions", null);
  try {
    const stored = id === "new" ? null : await ask(`/schedules/${Number(id)}`, { signal });
    const left = store.held.unsaved?.[stored?.id ?? "new"];
    store.hold("draft", left ? { ...left, key: `draft-${(serial += 1)}` } : fresh(stored?.schedule ?? NEW, stored));
    judge(context);
    if (stored) store.hold("revisions", (await ask(`/schedules/${stored.id}/revisions`, { signal })).revisions);
  } catch (error) {
    if (error instanceof Refused) store.hold("draft", { error: error.message });
  }
}

let judging = null;

/** Ask the api what the draft is worth; only the newest answer counts. */
async function judge({ store, ask, signal }) {
  judging?.abort();
  judging = new AbortController();
  const draft = store.held.draft;
  try {
    const answer = await ask("/schedules/preview", { body: written(draft), signal: AbortSignal.any([signal, judging.signal]) });
    if (store.held.draft.key !== draft.key) return;
    store.hold("draft", { ...store.held.draft, curve: answer.curve.length ? answer.curve : draft.curve, drawn: answer.curve.length > 0, from_mc: answer.from_mc, duration_us: answer.duration_us, mistakes: answer.mistakes,
      cannot: answer.cannot_start ?? [], judged: true, error: "" });
  } catch (error) {
    if (error instanceof Refused) store.hold("draft", { ...store.held.draft, error: error.message });
  }
}

let later = null;

/** A field changed: keep it in the draft, judge when the typing rests. */
export function typed(context, field) {
  const { store } = context;
  const draft = store.held.draft;
  if (!draft?.data) return;
  const data = structuredClone(draft.data);
  const [, index, name] = field.name.match(/^segment-(\d+)-(.+)$/u) ?? [];
  if (index) data.segments[Number(index) - 1][name] = field.value;
  else data[field.name] = field.value;
  keep(store, { ...draft, data, named: draft.named || field.name === "name", unsaved: true, saved: "" });
  clearTimeout(later);
  later = setTimeout(() => judge(context), TYPED_MS);
}

/** Change the list of segments; the fields are made anew so that each shows its own value. */
function reshape(context, change) {
  const { store } = context;
  const draft = store.held.draft;
  const data = structuredClone(draft.data);
  change(data.segments);
  keep(store, { ...draft, data, key: `draft-${(serial += 1)}`, unsaved: true, saved: "" });
  judge(context);
}

export const acts = {
  "segment-add": (context, key) => reshape(context, (rows) => rows.push(structuredClone(FRESH[key.dataset.value]))),
  "segment-remove": (context, key) => reshape(context, (rows) => rows.splice(Number(key.dataset.value), 1)),
  "segment-up": (context, key) => reshape(context, (rows) => {
    const at = Number(key.dataset.value);
    rows.splice(at - 1, 0, ...rows.splice(at, 1));
  }),
  "revision-take": (context, key) => {
    const old = context.store.held.revisions[Number(key.dataset.value)];
    keep(context.store, { ...fresh(old.schedule, context.store.held.draft), unsaved: true });
    judge(context);
  },
  "draft-drop": (context) => {
    const { draft } = context.store.held;
    drop(context.store, draft);
    enter(context, keyOf(draft));
  },
  "schedule-delete": async (context) => {
    const { store, ask, go } = context;
    if (store.held.deleting !== store.held.draft.id) return store.hold("deleting", store.held.draft.id);
    await ask(`/schedules/${store.held.draft.id}`, { method: "DELETE", body: {} });
    store.hold("deleting", null);
    return go("#/schedules");
  },
};

/** Store it: a new schedule, or the next revision. Mistakes stay at their fields. */
export async function save(context) {
  const { store, ask, go } = context;
  const draft = store.held.draft;
  const put = draft.id ? { method: "PUT", headers: { "If-Match": `"${draft.revision}"` } } : {};
  try {
    const stored = await ask(draft.id ? `/schedules/${draft.id}` : "/schedules", { ...put, body: written(draft) });
    drop(store, draft);
    if (!draft.id) return go(`#/schedules/${stored.id}`);
    store.hold("draft", { ...draft, unsaved: false, revision: stored.revision, saved: `Stored as revision ${stored.revision}.`, mistakes: [], error: "" });
    store.hold("revisions", (await ask(`/schedules/${stored.id}/revisions`)).revisions);
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    store.hold("draft", { ...draft, named: true, mistakes: error.mistakes.length ? error.mistakes : draft.mistakes, error: error.mistakes.length ? "" : error.message });
  }
  return null;
}

const mistakesAt = (found, name) => (found[name] ?? []).map((one) => html`<span class="mistake">${mark("faulted", 14)}${one.value} stands here; allowed is ${one.allowed}. ${one.advice}</span>`);

function textField(found, { name, label, value, unit = "", after = "" }) {
  const wrong = Boolean(found[name]?.length);
  return html`<div class="field ${wrong ? "wrong" : ""}"><label for="${name}">${label}</label><span class="holds"><input id="${name}" name="${name}" value="${value ?? ""}" ${
    unit ? html`inputmode="decimal" size="6"` : html`maxlength="120"`} autocomplete="off" aria-invalid="${wrong ? "true" : "false"}" ${wrong ? html`aria-describedby="why-${name}"` : ""}>${
    unit ? html`<span class="unit">${unit}</span>` : ""}${after}</span><span id="why-${name}">${mistakesAt(found, name)}</span></div>`;
}

function choice(name, legend, value, options) {
  return html`<fieldset class="choice"><legend>${legend}</legend>${options.map(([key, words]) => html`<label><input type="radio" name="${name}" value="${key}" ${
    key === value ? html`checked` : ""}> ${words}</label>`)}</fieldset>`;
}

function segmentRow(row, index, count, found, unit) {
  const at = index + 1;
  return html`<fieldset class="segment"><legend>${at}. ${KINDS[row.kind]}</legend><div class="fields">${FIELDS[row.kind].map(([field, label, unitText]) =>
    textField(found, { name: `segment-${at}-${field}`, label, value: row[field], unit: unitText, after: field === "target_c" && unit === "F" && typeof number(row[field]) === "number" ? html`<span
      class="also">${warmShort(number(row[field]) * 1000, "F")}</span>` : "" }))}</div><span class="moves">${index ? html`<button type="button" class="plain" data-do="segment-up" data-value="${index}">Move up</button>` : ""}${
    count > 1 ? html`<button type="button" class="plain" data-do="segment-remove" data-value="${index}">Remove</button>` : ""}</span></fieldset>`;
}

function form(draft, state) {
  const found = byField(told(draft), draft);
  const { data } = draft;
  return html`<form data-form="schedule" data-key="${draft.key}" novalidate>${textField(found, { name: "name", label: "Name", value: data.name })}
    <div class="choices">${choice("temperature_of", "Its temperatures mean", data.temperature_of, [["part", "the part"], ["air", "the air"]])}${choice("resume", "After a power cut", data.resume,
      [["never", "a person decides"], ["short outage", "a short one may be gone over"]])}</div>
    ${data.segments.map((row, index) => segmentRow(row, index, data.segments.length, found, state.unit))}
    <p class="adds">Add ${Object.entries({ ramp: "a ramp", soak: "a soak", cool: "cooling" }).map(([kind, words]) => html`<button type="button" class="plain" data-do="segment-add" data-value="${kind}">${words}</button> `)}</p>
    <div class="field"><label for="note">Note</label><textarea id="note" name="note" rows="2">${data.note}</textarea>${mistakesAt(found, "note")}</div>
    ${mistakesAt(found, "")}<div class="under"><button type="submit" class="key">${draft.id ? `Store as revision ${draft.revision + 1}` : "Store it"}</button>${
    draft.id ? html`${draft.unsaved ? "" : html`<a class="key" href="#/schedules/${draft.id}/start">Start…</a>`}<a class="plain" href="${linkTo(`/schedules/${draft.id}/text`)}" download>Text file</a><button type="button" class="plain" data-do="schedule-delete">${
      state.held.deleting === draft.id ? "Delete it: press again" : "Delete"}</button>` : ""}<span class="saved" role="status">${
    draft.unsaved ? html`Not stored yet${draft.id ? ", so it can’t start as it stands here" : ""}. <button type="button" class="plain" data-do="draft-drop">Drop the changes</button>` : draft.saved}${draft.error}</span></div></form>`;
}

function verdict(draft, unit) {
  if (!draft.judged) return "Being looked at.";
  const mistakes = told(draft);
  if (mistakes.length) return html`${mark("faulted", 18)} <b>${many(mistakes.length, "mistake")}.</b> Each stands at its field; ${draft.drawn ? "the curve is right all the same" : draft.curve.length ? "the curve is the last one without" : "there is no curve until it is right"}.`;
  if (draft.cannot.length) return html`${mark("notallowed", 18)} <b>Too hot for this chamber.</b> It can be stored, not started: ${fieldWords(draft.cannot[0].field)} is ${draft.cannot[0].value}; ${draft.cannot[0].allowed}.`;
  if (!draft.curve.length) return "There is no curve of it yet.";
  const hottest = Math.max(...draft.curve.map(([, mc]) => mc));
  return `It takes at least ${wait(draft.duration_us)} from ${warmShort(draft.from_mc, unit)} and goes to ${warmShort(hottest, unit)}. Time out of band is added.`;
}

function revisions(rows, current) {
  if (!rows?.length) return "";
  return html`<section class="revisions"><h2>Revisions</h2><table class="rows"><tbody>${rows.map((row, index) => html`<tr><th scope="row">rev ${row.revision}</th><td>${day(row.changed_utc_us)} ${
    clock(row.changed_utc_us)}</td><td>${row.changed_by}</td><td class="keys">${row.revision === current ? "in use" : html`<button type="button" class="plain" data-do="revision-take" data-value="${index}">Take it up again</button>`}</td></tr>`)}</tbody></table></section>`;
}

export function render(state) {
  const { draft } = state.held;
  if (!draft) return loading("Reading the schedule.");
  if (!draft.data) return unreadable("This schedule can’t be read.", draft.error, html`<a href="#/schedules">All schedules</a>`);
  const wide = state.layout.kind === "wide";
  const width = wide ? Math.floor(state.layout.width * 0.5) - 20 : state.layout.width;
  const name = draft.data.name.trim();
  return html`<div class="sheet-head"><p class="kicker"><a href="#/schedules">Schedules</a>${draft.id ? `, number ${draft.id}` : ""}</p><h1 tabindex="-1">${name ? capital(name) : "A new schedule."}</h1><p class="lead" id="verdict">${
    verdict(draft, state.unit)}</p></div><div class="editor"><div>${form(draft, state)}</div><div><h2>As it would run from the air’s present ${warmShort(draft.from_mc ?? 25000, state.unit)}, if nothing waits</h2>${
    drawPreview(draft.curve, { width, unit: state.unit, segments: written(draft).segments })}${revisions(state.held.revisions, draft.revision)}</div></div>
    ${titleBlock([[{ label: draft.id ? `Schedule ${draft.id}` : "Schedule", value: name || "no name yet", wide: true }, { label: "Revision", value: draft.revision || "not stored" }]], { now: state.now, dataMs: state.ageMs() })}`;
}
