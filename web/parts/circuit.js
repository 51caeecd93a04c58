/**
 * The heater circuit, L to N, as one line: what each symbol is, what the line weighs, and the drawings of it
 * (across, upright, small). `presentCircuit` is pure; the drawings only place it.
 */
import { html, px } from "../markup.js";
import { THIN, percent, clockSeconds, age, simulatedWords, together, warmShort } from "../text.js";
import { ACTIVE, gravest } from "../heat.js";
import { mark, markAt } from "./marks.js";
import { symbol, contact, coil, flag } from "./symbols.js";
import { waitsShort } from "./notices.js";

/** Drawing order, designation, name. */
export const PARTS = [
  ["supply", "-F1", "supply"],
  ["thermal_link", "-F2", "thermal link"],
  ["limiter", "-F3", "limiter"],
  ["contactor", "-Q1", "contactor"],
  ["modulator", "-Q2", "modulator"],
  ["element", "-E1", "element"],
];

/** What the snapshot's words for a state mean to the line. A word that is not here is drawn as unknown. */
const LETS_THROUGH = {
  on: "closed", whole: "closed", closed: "closed", passing: "closed", heating: "closed", off: "closed", cold: "closed",
  gone: "gone", open: "open", "not passing": "open", blown: "open", stuck: "closed", broken: "broken", "not fitted": "absent", unknown: "unknown",
};

/** Which symbol a guard accuses. Guards that accuse none put their flag at the permit's contact. */
export const ACCUSES = {
  rise_with_heat_off: "modulator", limiter_open: "limiter", no_rise: "element",
};

const WORDS_FOR_ACCUSED = { rise_with_heat_off: "stuck on", limiter_open: "has opened", no_rise: "no heat" };

/** A switch that was stuck and reads open by now: the accusation is of then, the blade of now. */
const accusedWords = (guard, state) => `${ACCUSES[guard] === "modulator" && state === "open" ? "was " : ""}${WORDS_FOR_ACCUSED[guard]}`;

/** Parts that cannot open by themselves: when nobody can see them, the line goes on as it came. */
const GOES_ON = new Set(["supply", "thermal_link", "element"]);

/** Everything the drawings need, from a snapshot. `staleMs` is the age when it is too old to believe, else null. */
export function presentCircuit(now, staleMs = null, facts = null, unit = "C", guards = null) {
  const first = now.latches?.find((latch) => latch.first_out) ?? null;
  const accused = first ? ACCUSES[first.guard] ?? null : null;
  const blamed = contactOf(now, first, guards);
  const unknown = staleMs !== null || !now.board?.present;
  const works = !unknown && atWork(now);
  let into = unknown ? "unknown" : now.circuit.supply.state === "gone" ? "thin" : "volt";
  const parts = PARTS.map(([kind, ref, name]) => {
    const said = { ...(now.circuit[kind] ?? { state: "unknown", current: false, words: "" }), ...(works ? WORKING[kind]?.(now) : null) };
    const state = unknown ? "unknown" : LETS_THROUGH[said.state] ?? "unknown";
    if (!unknown && said.current) into = "amp";
    const out = state === "unknown" && !unknown && GOES_ON.has(kind) ? into : after(state, into);
    const part = { kind, ref, name, state, into, out, culprit: (kind === accused || stuck(now, kind, state)) && !unknown, asks: state === "gone", said: said.state, ...partWords(said, staleMs, now.utc_us) };
    if (staleMs === null && part.lines.length < 2) part.lines.push(...moreWords(kind, now, facts, unit));
    if (part.culprit) part.word = kind === accused ? accusedWords(first.guard, state) : STUCK[kind];
    into = state === "absent" ? into : out;
    return part;
  });
  return { parts, double: Boolean(now.chamber?.simulated), simulated: simulatedWords(now), unknown, last: into,
    permit: presentPermit(now, staleMs, first, blamed), request: presentRequest(now, unknown),
    flag: staleMs === null && first ? (!unknown && accused) || `permit:${blamed}` : null };
}

/** Told to open, and seen closed while the element still heats. */
const STUCK = { contactor: "still closed", modulator: "still passing" };
const stuck = (now, kind, state) => Boolean(STUCK[kind] && state === "closed" && (now.still_on || now.circuit[kind].state === "stuck"));

/** Permit given, contactor closed, and the modulator is asked for heat or gave some in its last window. */
const atWork = (now) => now.permit.given && now.circuit.supply.state !== "gone" && ["closed", "not fitted"].includes(now.circuit.contactor.state)
  && ((now.seen?.duty_e4 ?? 0) > 0 || (now.request?.duty_e4 ?? 0) > 0);

const seconds = (s) => `${Number(s.toFixed(1))}${THIN}s`;

/**
 * What a modulator at work makes of three parts. It passes current for a share of each window: the line is drawn as the
 * last report saw it, on or between two pulses, and the words say that it pulses, so that both are seen to be right.
 */
const WORKING = {
  thermal_link: (now) => (now.circuit.thermal_link.state === "unknown" && now.passed ? { state: "whole", word: "whole at the last pulse", words: "it shows only while current flows" } : null),
  modulator(now) {
    const [seen, asked] = [now.seen.duty_e4, now.request.duty_e4];
    const [on, windowS] = [now.circuit.modulator.state === "passing", (now.chamber.window_ms ?? 0) / 1000];
    const last = `${on ? "on" : "off"} at the last report`;
    if (!on && now.circuit.modulator.current) return null; // a current through an open switch is no pulse
    if (seen >= 1e4 && on) return { words: `all of each ${seconds(windowS)}; ${last}` };
    if (!seen) return { word: on ? "passing" : "waiting", words: [last, `told ${percent(asked)}, no whole window seen yet`] };
    return { word: "pulsing", words: `${percent(seen)} of each ${seconds(windowS)}; ${last}` };
  },
  element(now) {
    const { element, modulator } = now.circuit;
    if (!now.seen.duty_e4 || (element.state !== "heating" && modulator.state === "passing")) return null;
    const mean = `${Math.round((now.seen.duty_e4 / 1e4) * now.chamber.element_w)}${THIN}W of ${now.chamber.element_w}${THIN}W on average`;
    return { word: element.state === "heating" ? "heating" : "between two pulses", words: mean };
  },
};

function after(state, into) {
  if (state === "open" || state === "gone" || state === "broken") return "thin";
  if (state === "unknown") return "unknown";
  return into;
}

function partWords(said, staleMs, seenUtcUs) {
  if (staleMs === null) {
    const told = [said.words ?? ""].flat().map((words) => (words === said.state ? "" : words.replace(`${said.state}: `, "")));
    return { word: said.word ?? (said.state === "unknown" ? "not known" : said.state), lines: told.filter(Boolean) };
  }
  const seen = said.state === "unknown" ? "not known before either" : `last seen ${said.state}`;
  return { word: "not known", lines: [seen, seenUtcUs ? `${clockSeconds(seenUtcUs)}, ${age(staleMs)} ago` : ""] };
}

/** What else is worth a line: from the chamber's file, and what the permit says. */
function moreWords(kind, now, facts, unit) {
  const limits = facts?.limits;
  const closed = now.permit.contacts.filter((one) => one.closed).length;
  const words = {
    thermal_link: limits?.thermal_link_mc && `opens once, at ${warmShort(limits.thermal_link_mc, unit)}`,
    limiter: limits?.limiter_mc && now.circuit.limiter.state !== "not fitted" && `set at ${warmShort(limits.limiter_mc, unit)}, own sensor`,
    contactor: contactorWords(now, closed, now.permit.contacts.length),
    element: now.current_ma !== null && now.current_ma !== undefined && `${(now.current_ma / 1000).toFixed(2)}${THIN}A in the last report`,
  }[kind];
  return words ? [words] : [];
}

/** What the permit lacks: a contact, or that a start which waits begins. All closed and none given is no puzzle then. */
function contactorWords(now, closed, of) {
  if (now.permit.given) return `permit given, ${closed} of ${of}`;
  return closed < of ? `no permit, ${closed} of ${of}` : `no permit yet: ${now.pending ? `the start ${waitsShort(now.pending)}` : "no run asks for heat"}`;
}

/** The contact that what tripped first counts under, from the guard table; without the table the first open one. */
function contactOf(now, first, guards) {
  const named = Array.isArray(guards) ? guards.find((guard) => guard.id === first?.guard)?.contact : null;
  const open = now.permit.contacts.filter((one) => !one.closed);
  return (open.find((one) => one.name === named) ?? open[0])?.name ?? "no trip";
}

/**
 * Without a trip, the first open contact that keeps the heat from somebody who wants it: in a run, before one, or while a
 * person at the chamber holds it open. At rest an open door is no fault, and "no run asks for heat" never is.
 */
function hindering(now, first) {
  const open = now.permit.contacts.find((one) => !one.closed && one.known !== false && one.why !== NO_RUN);
  if (first || !open) return null;
  const waits = now.pending && open.name !== "armed"; // a start that waits for its button or its time waits as it should
  const wanted = ACTIVE.has(now.run?.state) || waits || now.local_stop || now.alarms?.some((alarm) => alarm.cause === open.why);
  return wanted ? open.name : null;
}

const NO_RUN = "No run asks for heat.";

function presentPermit(now, staleMs, first, blamed) {
  const unknown = staleMs !== null;
  const hinders = hindering(now, first);
  let into = unknown ? "unknown" : "volt";
  const closed = now.permit.contacts.filter((one) => one.closed).length;
  const contacts = now.permit.contacts.map((one) => {
    const state = unknown || one.known === false ? "unknown" : one.closed ? "closed" : "open";
    const out = after(state, into);
    const made = { name: one.name, why: together(one.name === blamed && first ? gravest(now).cause : one.why), state, into, out, culprit: state === "open" && one.name === blamed && Boolean(first), asks: state === "open" && one.name === hinders };
    into = out;
    return made;
  });
  const open = now.permit.contacts.find((one) => !one.closed);
  const captions = {
    unknown: `Permit: not heard for ${age(staleMs)}. The chamber judges it for itself and needs no page to do so.`,
    given: "Permit: all of these, every second",
    none: now.pending && open?.name === "armed" ? `Permit: none yet. ${together(sentence(open.why || "A start waits"))}` : now.run?.heat_withheld ? "Permit: none. The heat waits until you say go on" : open ? `Permit: none. ${together(sentence(open.why || `${open.name} is open`))}` : now.pending ? `Permit: none yet. The start ${waitsShort(now.pending)}` : "Permit: none asked for",
  };
  const standing = unknown ? "unknown" : now.permit.given ? "given" : "none";
  const refused = first && standing === "none" ? `Permit: refused since ${clockSeconds(first.utc_us)}` : captions[standing];
  return { contacts, closed, of: now.permit.contacts.length, caption: refused,
    coil: { unknown: "?", given: "permit", none: "none" }[standing], given: standing === "given", after: into };
}

const sentence = (text) => `${text[0].toUpperCase()}${text.slice(1).replace(/\.$/, "")}`;

function presentRequest(now, unknown) {
  if (unknown) return { word: "?", words: ["not heard", ""], duty: null };
  return { word: percent(now.request?.duty_e4 ?? 0), words: ["asked for by", "the regulator"], duty: (now.seen?.duty_e4 ?? 0) / 1e4 };
}

/** Rails; a simulated chamber's are double. */
function rail(x, y, half, double, beyond) {
  const twin = double ? html`<path class="w rail" d="M${x + 4 * beyond} ${y - half}V${y + half}"/>` : "";
  return html`<path class="w rail" d="M${x} ${y - half}V${y + half}"/>${twin}`;
}

const FIRST = 30;
const SYMBOL = 72;

/** Left edges of the six symbols for a line `width` long. */
export function places(width, lead = FIRST, tail = 135) {
  const pitch = (width - lead - SYMBOL - tail) / (PARTS.length - 1);
  return PARTS.map((_, index) => lead + index * pitch);
}

/** The line across: permit above, six symbols, rails. Height 172. */
export function drawAcross(view, width) {
  const tail = width < 1000 ? 60 : 135;
  const xs = places(width, FIRST, tail);
  const y = 138;
  const flagged = view.parts.findIndex((part) => part.kind === view.flag);
  return html`<svg class="circuit ${view.loading ? "loading" : ""}" width="${width}" height="172" viewBox="0 0 ${width} 172" aria-hidden="true">
    ${drawPermit(view, xs, y, width)}
    ${rail(1, y, 30, view.double, 1)}${rail(width - 1, y, 30, view.double, -1)}
    <text class="strong" x="11" y="${y - 16}">L</text><text class="strong end" x="${width - 11}" y="${y - 16}">N</text>
    ${view.simulated ? html`<text class="small strong" x="11" y="${y + 27}">${view.simulated.split(",")[0]}</text>` : ""}
    ${wires(view, xs, y, width)}
    ${view.parts.map((part, index) => symbol(part.kind, part, { x: xs[index], y }))}
    ${flagged >= 0 ? flag(xs[flagged] + 80, y - 40) : ""}
  </svg>`;
}

function wires(view, xs, y, width) {
  const ends = [...xs, width - 1];
  const first = html`<path class="w ${view.parts[0].into}" d="M1 ${y}H${px(xs[0])}"/>`;
  return html`${first}${view.parts.map((part, index) =>
    html`<path class="w ${part.out}" d="M${px(xs[index] + SYMBOL)} ${y}H${px(ends[index + 1])}"/>`)}`;
}

/** The contact that a person has to look at: red after a trip, amber before one; each with its mark and word. */
const toneOf = (one) => (one.culprit ? "bad" : one.asks ? "warned" : "");
const markOf = (one) => (one.culprit ? "trip" : "alarm");

/** The same where there is no room for seven contacts: one line of words. */
export function permitWords(view) {
  const open = view.permit.contacts.find((one) => toneOf(one)) ?? view.permit.contacts.find((one) => one.state === "open");
  if (!open) return html`<p class="permit-words">${view.permit.caption}.</p>`;
  return html`<p class="permit-words ${toneOf(open)}">${toneOf(open) ? mark(markOf(open), 18) : ""}<span>No permit: the contact “${open.name}” is open${open.why ? `. ${open.why.replace(/\.$/u, "")}` : ""}.</span></p>`;
}

/** Whether one contact is the one to look at. */
export const isBlamed = (view) => view.permit.contacts.some((one) => toneOf(one));

function drawPermit(view, xs, y, width) {
  const { permit, request } = view;
  const middle = xs[3] + 36;
  const coilX = middle - 27;
  const pitch = (coilX - FIRST) / permit.contacts.length;
  const scale = Math.min(0.55, (pitch - 10) / 72);
  const line = 50;
  const flagged = permit.contacts.findIndex((one) => view.flag === `permit:${one.name}`);
  const modulator = xs[4] + 36;
  return html`<text class="cap" x="${FIRST}" y="15">${permit.caption}</text>
    <circle class="spot" cx="${FIRST}" cy="${line}" r="3.4"/>
    ${permit.contacts.map((one, index) => {
      const x = FIRST + 2 + index * pitch;
      return html`${contact(one, x, line, scale)}<path class="w ${one.out}" d="M${px(x + 72 * scale)} ${line}H${px(x + pitch)}"/><text
        class="${toneOf(one) || "cap"}" x="${px(x + 8)}" y="72">${one.name}</text>${toneOf(one) ? html`${markAt(markOf(one), x + 7, 27, 14)}<text class="${toneOf(one)}" x="${px(
        x + 17)}" y="32">open</text>` : ""}`;
    })}
    ${coil(permit.coil, coilX, line, 54, permit.after === "thin")}
    <path class="w link" d="M${px(middle)} ${line + 12}V${y - (view.parts[3].state === "open" ? 14 : 6)}"/>
    <circle class="spot" cx="${px(modulator - 40)}" cy="${line}" r="3.4"/><path class="w ${view.unknown ? "unknown" : ""}"
      d="M${px(modulator - 40)} ${line}H${px(modulator - 22)}"/>
    ${coil(request.word, modulator - 22, line, 44, request.duty === null)}
    <path class="w link" d="M${px(modulator)} ${line + 12}V${y - 30}"/>
    ${width > 1000 ? html`<text class="cap" x="${px(modulator + 34)}" y="${line - 3}">${request.words[0]}</text><text class="cap"
      x="${px(modulator + 34)}" y="${line + 15}">${request.words[1]}</text>` : ""}
    ${view.flag === "modulator" || request.duty === null || width < 1000 ? "" : pulse(xs[4] + 92, y - 19, request.duty)}
    ${flagged >= 0 ? flag(FIRST + flagged * pitch - 26, 82) : ""}`;
}

/** One window of the pulse train that was seen: on for its share, then off. */
function pulse(x, y, duty) {
  const on = Math.max(0, Math.min(1, duty)) * 84;
  return html`<path class="w thin" d="M${px(x)} ${y}${on > 0 ? `V${y - 12}H${px(x + on)}V${y}` : ""}H${px(x + 84)}"/>`;
}

/** Under the line across: one column a symbol. It is the list a screen reader gets. */
export function listAcross(view) {
  return html`<ul class="circuit-list across" aria-label="Heater circuit, from L to N">${view.parts.map((part) =>
    html`<li><span class="name"><span class="ref">${part.ref}</span> ${part.name}</span> <strong class="${toneOf(part)}">${
      toneOf(part) ? mark(markOf(part), 18) : ""}${part.word}</strong>${part.lines.map((line) => html`<span class="detail">${line}</span>`)}</li>`)}</ul>`;
}

/** For ears: the permit's contacts in words. */
export const permitList = (view) =>
  html`<ul class="unseen" aria-label="Permit: ${view.permit.coil}">${view.permit.contacts.map((one) =>
    html`<li>${one.name}: ${one.state}${one.why ? `, ${one.why}` : ""}</li>`)}</ul>`;

const UP = 48;
const UP_X = 22;

/** The line upright: each row draws its own 48 px of it, and the wire goes on beneath if the words need more room. */
export function drawUpright(view) {
  const scale = UP / SYMBOL;
  return html`<div class="upright ${view.loading ? "loading" : ""}">${endRail("top", view, "L")}
    <ul class="circuit-list" aria-label="Heater circuit, from L to N">${view.parts.map((part) =>
      html`<li class="out-${part.out}"><svg width="64" height="${UP}" viewBox="0 0 64 ${UP}" aria-hidden="true">${symbol(
        part.kind, part, { x: UP_X, y: 0, scale, turn: true })}</svg><span class="words"><span class="name">${part.name} <strong class="${
        toneOf(part)}">${toneOf(part) ? mark(markOf(part), 18) : ""}${part.word}</strong></span>${part.lines.slice(0, view.unknown ? 2 : 1).map((line) =>
        html` <span class="detail">${line}</span>`)}</span></li>`)}</ul>${endRail("bottom", view, "N")}</div>`;
}

function endRail(end, view, letter) {
  const y = end === "top" ? 6 : 12;
  const twin = view.double ? html`<path class="w rail" d="M4 ${end === "top" ? y - 4 : y + 4}H40"/>` : "";
  const wire = end === "top" ? [view.parts[0].into, `M${UP_X} ${y}V18`] : [view.last, `M${UP_X} 0V${y}`];
  const word = letter === "L" && view.simulated ? html`L <tspan class="strong">${view.simulated}</tspan>` : letter;
  return html`<svg class="end" width="100%" height="18" aria-hidden="true"><path class="w rail" d="M4 ${y}H40"/>${twin}<path
    class="w ${wire[0]}" d="${wire[1]}"/><text class="cap" x="50" y="${y + 5}">${word}</text></svg>`;
}

/** The small line: head of every other sheet, and of a trip on a phone. */
export function drawSmall(view, width) {
  const scale = width < 420 ? 0.62 : 0.64;
  const lead = width < 420 ? 14 : 20;
  const pitch = (width - lead * 2 - SYMBOL * scale) / (PARTS.length - 1);
  const y = 40;
  const xs = PARTS.map((_, index) => lead + index * pitch);
  const culprit = view.parts.findIndex((part) => part.culprit);
  const ends = [...xs, width - 1];
  return html`<svg class="circuit small-circuit ${view.loading ? "loading" : ""}" width="${width}" height="56" viewBox="0 0 ${width} 56"
    role="img" aria-label="Heater circuit: ${circuitWords(view)}">
    ${rail(1, y, 12, view.double, 1)}${rail(width - 1, y, 12, view.double, -1)}
    <path class="w ${view.parts[0].into}" d="M1 ${y}H${px(xs[0])}"/>
    ${view.parts.map((part, index) => html`<path class="w ${part.out}" d="M${px(xs[index] + SYMBOL * scale)} ${y}H${px(ends[index + 1])}"/>${symbol(
      part.kind, part, { x: px(xs[index]), y, scale })}`)}
    ${culprit >= 0 ? markAt("trip", xs[culprit] + SYMBOL * scale, y - 22, 16) : ""}
  </svg>`;
}

/** The circuit in one sentence. */
export const circuitWords = (view) => view.parts.map((part) => `${part.name} ${part.word}`).join(", ");
