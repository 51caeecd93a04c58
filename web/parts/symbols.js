/**
 * The circuit's symbols (after IEC 60617), each 72 wide with its line at y 0, drawn in the state it is in. Pure.
 *
 * A pose is {state, into, out, culprit}: state is closed, open, unknown, broken, gone or absent; `into` and `out` are
 * the weights of the line before and after: amp (current flows), volt (voltage stands), thin (nothing), unknown, absent.
 */
import { html } from "../markup.js";

/** Weights of the line, heaviest first. */
export const WEIGHTS = ["amp", "volt", "thin", "unknown", "absent"];

const line = (weight, d) => html`<path class="w ${weight}" d="${d}"/>`;
const box = (x, y, width, height, more = "") =>
  html`<rect class="w ${more}" x="${x}" y="${y}" width="${width}" height="${height}"/>`;

/** Greek theta at x, y: an ellipse with a bar. `turn` keeps it upright in an upright circuit. */
const theta = (x, y, turn) =>
  html`<g transform="translate(${x} ${y})${turn ? " rotate(-90)" : ""}"><ellipse class="w" rx="3.6" ry="5.6"/><path
    class="w" d="M-3.4 0H3.4"/></g>`;

const STATE_CLASS = { open: "open", unknown: "unknown" };

function blades({ state, into, out }) {
  const blade = state === "closed" ? out : state === "unknown" ? "unknown" : into;
  const post = out === "amp" ? "volt" : out;
  return html`<g class="${STATE_CLASS[state] ?? "closed"}">${line(into, "M0 0H14")}${line(out, "M58 0H72")}${line(
    post,
    "M58 -12V0",
  )}<g transform="translate(14 0)"><path class="w blade ${blade}" d="M0 0H46.6"/></g><circle class="w fillpaper" cx="14"
    cy="0" r="4.2"/></g>`;
}

function absent() {
  return html`${line("absent", "M0 0H72")}`;
}

/** Small, its ends are filled, so that it is not taken for the thermal link; what is between them stays to be seen. */
function fuse(pose) {
  const through = { gone: html`${line(pose.into, "M0 0H14")}${line("thin", "M58 0H72")}` }[pose.state];
  const ends = pose.small ? html`<path class="w solid ends" d="M14 -8H24V8H14zM48 -8H58V8H48z"/>` : "";
  return html`${box(14, -8, 44, 16)}${ends}${through ?? line(pose.state === "unknown" ? "unknown" : pose.into, "M0 0H72")}`;
}

function thermalLink(pose) {
  const cut = pose.state === "open" || pose.state === "broken";
  const through = cut
    ? html`${line(pose.into, "M0 0H28")}${line("thin", "M44 0H72")}`
    : line(pose.state === "unknown" ? "unknown" : pose.into, "M0 0H72");
  return html`${box(14, -8, 44, 16)}${through}${theta(36, -17, pose.turn)}`;
}

function limiter(pose) {
  return html`${blades(pose)}${line("link", `${pose.state === "open" ? "M36 -12V" : "M36 -5V"}${pose.turn ? -23 : -26}`)}<g
    ${pose.turn ? html`transform="rotate(-90 36 -37)"` : ""}>${box(22, -48, 28, 22)}${theta(30.5, -37, false)}<path class="w"
    d="M38.5 -40.5L44 -37L38.5 -33.5"/></g>`;
}

function contactor(pose) {
  return html`${blades(pose)}${line(pose.out === "amp" ? "volt" : pose.out, "M58 0a5 5 0 0 0 10 0")}`;
}

function modulator(pose) {
  return html`${box(5, -30, 62, 43)}${blades(pose)}<g ${pose.turn ? html`transform="rotate(-90 55.5 -21)"` : ""}><path
    class="w" d="M48 -17.5L51.6 -25L55.2 -17.5zM56 -25H63.2L59.6 -17.5z"/></g>`;
}

function element(pose) {
  const broken = pose.state === "broken" || pose.state === "open";
  const bars = broken ? [16, 24, 48, 56] : [16, 26, 36, 46, 56];
  const cuts = broken ? html`<path class="w" d="M31 15L36 -15M37 15L42 -15"/>` : "";
  const frame = broken ? html`<path class="w" d="M32 -13H6V13H31M42 -13H66V13H38"/>` : box(6, -13, 60, 26);
  return html`${line(pose.into, "M0 0H6")}${line(broken ? "thin" : pose.out, "M66 0H72")}${frame}${bars.map((x) =>
    html`<path class="w" d="M${x} -13V13"/>`)}${cuts}`;
}

const DRAW = { supply: fuse, thermal_link: thermalLink, limiter, contactor, modulator, element };

/** One symbol at x, y; `scale` shrinks the geometry, never the lines; `turn` draws it upright. */
export function symbol(kind, pose, { x = 0, y = 0, scale = 1, turn = false } = {}) {
  const drawn = pose.state === "absent" ? absent() : DRAW[kind]({ ...pose, turn, small: scale < 1 });
  const place = `translate(${x} ${y})${turn ? " rotate(90)" : ""}${scale === 1 ? "" : ` scale(${scale})`}`;
  return html`<g class="symbol ${pose.culprit ? "culprit" : ""}" data-part="${kind}" data-state="${pose.state}"
    transform="${place}">${drawn}</g>`;
}

/** A plain contact of the permit line. */
export const contact = (pose, x, y, scale) =>
  html`<g class="symbol ${pose.culprit ? "culprit" : pose.asks ? "asks" : ""}" data-state="${pose.state}"
    transform="translate(${x} ${y}) scale(${scale})">${blades(pose)}</g>`;

/** A box holding a word, its left edge at x and its middle at y. */
export const coil = (word, x, y, width, quiet = false) =>
  html`<rect class="w fillpaper ${quiet ? "thin" : ""}" x="${x}" y="${y - 12}" width="${width}" height="24"/><text
    class="small strong middle" x="${x + width / 2}" y="${y + 4.6}">${word}</text>`;

/** The flag at the symbol that tripped first, its pole at x, y. */
export const flag = (x, y, word = "first-out") =>
  html`<g class="first-out" transform="translate(${x} ${y})"><path class="flag" d="M0 0H76L70 11L76 22H0z"/><text
    class="on-flag" x="9" y="15.4">${word}</text></g>`;
