/** A sheet that can't be read: diamond, one sentence, what still works. And: not allowed. Pure. */
import { html } from "../markup.js";
import { mark } from "./marks.js";

export const trouble = (bold, more, link = "") => html`<div class="trouble">${mark("faulted")}<p><b>${bold}</b> ${more} ${link}</p></div>`;

export const notAllowed = (bold, more, link = "") => html`<div class="trouble">${mark("notallowed")}<p><b>${bold}</b> ${more} ${link}</p></div>`;

/** A refusal of the controller beside the key that asked. */
export const refusal = (held) => (held ? html`<div class="trouble" role="alert">${mark("notallowed")}<p><b>Refused.</b> ${held.message}</p></div>` : "");
