/** What a step asks to be typed: numbers with unit and range, choices as native radio buttons, mistakes at their field. Pure. */
import { html } from "../markup.js";
import { together } from "../text.js";
import { asked, rangeWords, wrongWords } from "../proving.js";
import { mark } from "./marks.js";

const WORDS = { yes: "Yes", no: "No" };

function numberField(field, id, value, wrong, unit) {
  const it = asked(field, unit);
  return html`<div class="field ${wrong ? "wrong" : ""}"><label for="${id}">${together(it.ask)}</label><span class="holds"><input id="${id}" name="${it.key}" type="text" inputmode="decimal" autocomplete="off" value="${value}" aria-describedby="${id}-range${wrong ? ` ${id}-wrong` : ""}" ${wrong ? html`aria-invalid="true"` : ""}><span class="unit">${it.unit}</span><span
    class="also" id="${id}-range">${rangeWords(it)}</span></span>${mistake(id, wrong)}</div>`;
}

const mistake = (id, wrong) => (wrong ? html`<span class="mistake" id="${id}-wrong">${mark("faulted", 14)}${together(wrong)}</span>` : "");

function choiceField(field, id, value, wrong) {
  return html`<fieldset class="field choice ${wrong ? "wrong" : ""}" ${wrong ? html`aria-describedby="${id}-wrong"` : ""}><legend>${together(field.ask)}</legend>${field.choices.map((one, index) => html`<label><input type="radio" name="${field.key}" id="${id}${index ? `-${index}` : ""}" value="${one}" ${one === value ? html`checked` : ""}>${WORDS[one] ?? one}</label>`)}${mistake(id, wrong)}</fieldset>`;
}

/** All fields of a step with what is typed so far. `about` keeps those of one sensor apart from those of the next. */
export function drawFields(step, typed, wrong, unit, about) {
  return step.fields.map((field) => {
    const row = wrong.find((one) => one.field === field.key);
    const words = row ? wrongWords(row, field, unit) : "";
    const id = `prove-${about.replace(/[^\w-]/gu, "-")}-${field.key}`;
    return html`<div data-key="${id}">${field.choices.length ? choiceField(field, id, typed[field.key] ?? "", words) : numberField(field, id, typed[field.key] ?? "", words, unit)}</div>`;
  });
}
