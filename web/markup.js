/**
 * Text to page. `html` writes markup with every value escaped; `show` changes an element's children into it, touching
 * only what differs, so that focus, selection and a blade's movement survive a redraw.
 *
 * Why no framework: every part is a pure function from values to text, which can be tested without a browser, and the
 * whole of what a framework would do for us is the hundred lines below.
 */

const ESCAPES = { "&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&quot;", "'": "&#39;" };
const SHOWN = new WeakMap();

/** Markup that is already safe to place. */
export class Markup {
  constructor(text) {
    this.text = text;
  }

  toString() {
    return this.text;
  }
}

/** Any value as safe text: markup as it stands, lists joined, nothing for null, undefined and false. */
export function piece(value) {
  if (value instanceof Markup) return value.text;
  if (Array.isArray(value)) return value.map(piece).join("");
  if (value === null || value === undefined || value === false) return "";
  return String(value).replace(/[&<>"']/g, (letter) => ESCAPES[letter]);
}

/** Template tag: ``html`<b>${name}</b>` ``. */
export function html(strings, ...values) {
  let text = strings[0];
  values.forEach((value, index) => {
    text += piece(value) + strings[index + 1];
  });
  return new Markup(text);
}

/** A number for a drawing: two decimals are a hundredth of a pixel. */
export const px = (value) => String(Math.round(value * 100) / 100);

/** Make `element`'s children be `markup`. Returns whether anything was touched. */
export function show(element, markup) {
  const text = piece(markup);
  if (SHOWN.get(element) === text) return false;
  SHOWN.set(element, text);
  const template = document.createElement("template");
  template.innerHTML = text;
  changeChildren(element, template.content);
  return true;
}

/** The next `show` redraws even if the text is the same: for children that somebody else has changed. */
export function forget(element) {
  SHOWN.delete(element);
}

const keyOf = (node) => (node.nodeType === Node.ELEMENT_NODE ? node.id || node.dataset?.key || "" : "");

function changeChildren(old, wanted) {
  const keyed = new Map();
  for (const child of old.childNodes) if (keyOf(child)) keyed.set(keyOf(child), child);
  let at = old.firstChild;
  for (const next of [...wanted.childNodes]) {
    const found = fitting(next, at, keyed);
    if (!found) {
      old.insertBefore(next, at);
      continue;
    }
    if (found === at) at = at.nextSibling;
    else old.insertBefore(found, at);
    change(found, next);
  }
  while (at) {
    const gone = at;
    at = at.nextSibling;
    gone.remove();
  }
}

function fitting(next, at, keyed) {
  const key = keyOf(next);
  const found = key ? keyed.get(key) : at;
  const fits = found && found.nodeType === next.nodeType && found.nodeName === next.nodeName && keyOf(found) === key;
  return fits ? found : null;
}

function change(old, wanted) {
  if (old.nodeType !== Node.ELEMENT_NODE) {
    if (old.nodeValue !== wanted.nodeValue) old.nodeValue = wanted.nodeValue;
    return;
  }
  changeAttributes(old, wanted);
  if (!("keep" in old.dataset)) changeChildren(old, wanted); // a drawing by the chart library lives in there
}

function changeAttributes(old, wanted) {
  for (const { name, value } of wanted.attributes) if (old.getAttribute(name) !== value) old.setAttribute(name, value);
  for (const { name } of [...old.attributes]) {
    const others = (name === "open" && old.nodeName === "DETAILS") || (name === "style" && "keep" in old.dataset); // the reader's, the chart's
    if (!wanted.hasAttribute(name) && !others) old.removeAttribute(name);
  }
}
