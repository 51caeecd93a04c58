/** What somebody may not do: a ring with a slash, and whose role is needed. Pure; the api judges each request again. */
import { html } from "../markup.js";
import { mark } from "./marks.js";

/** Whether the one who asks may do this, as far as GET /me said. */
export const may = (me, what) => !me?.may || me.may.includes(what);

/** The least role for what is not everybody's. */
const WHOSE = { clear: "a maintainer", tighten: "a maintainer", look_after_people: "a maintainer", edit_messages: "a maintainer", prove: "a maintainer" };
export const whose = (what) => WHOSE[what] ?? "an operator";

/** "Hold, Cool down: for an operator." */
export const notYours = (words, what) => html`<span class="notyours">${mark("notallowed", 16)} ${words}: for ${whose(what)}.</span>`;

/** Keys with a `need`, parted into those that are offered and the words of the others. */
export function parted(me, keys) {
  return { yours: keys.filter((key) => may(me, key.need)), others: keys.filter((key) => !may(me, key.need)) };
}
