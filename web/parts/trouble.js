/** A sheet that can't be read: diamond, one sentence, what still works. And: not allowed. Pure. */
import { html } from "../markup.js";
import { mark } from "./marks.js";

export const trouble = (bold, more, link = "") => html`<div class="trouble">${mark("faulted")}<p><b>${bold}</b> ${more} ${link}</p></div>`;

/** The same, where it is all that the sheet has to say. */
export const unreadable = (bold, more, link = "") => html`<div class="trouble">${mark("faulted")}<div><h1 tabindex="-1">${bold}</h1><p>${more} ${link}</p></div></div>`;

/** A sheet whose answer has not come yet. */
export const loading = (words) => html`<h1 tabindex="-1" class="loading-line">${words}</h1>`;

export const notAllowed = (bold, more, link = "") => html`<div class="trouble">${mark("notallowed")}<p><b>${bold}</b> ${more} ${link}</p></div>`;

/** A refusal of the controller beside the key that asked. */
export const refusal = (held) => (held ? html`<div class="trouble" role="alert">${mark("notallowed")}<p><b>Refused.</b> ${held.message}</p></div>` : "");

/** One controller of several that ended stays ended: nobody starts it while the others run. */
export const ANEW = "If it ended, it is not started again by itself while other chambers run: end the service and start it anew, once those may stop too.";
