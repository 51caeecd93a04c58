/** The plan of a start that waits, for Now: the snapshot names its schedule, and the list of schedules has its shape. */
import { Refused, ask } from "../link.js";
import { drawPreview } from "./preview.js";

/** Hold {name, duration_us, curve, segments, draw} as `waiting`; nothing where no schedule, or more than one, has the name. */
export async function loadPlan(store) {
  const name = store.now?.pending?.schedule;
  const { at } = store;
  try {
    const { schedules } = await ask("/schedules");
    const found = schedules.filter((row) => row.schedule.name === name);
    if (found.length !== 1) return;
    const { curve, duration_us } = await ask("/schedules/preview", { body: found[0].schedule });
    if (at === store.at && curve?.length > 1) store.hold("waiting", { name, duration_us, curve, segments: found[0].schedule.segments, draw: drawPreview });
  } catch (error) {
    if (!(error instanceof Refused)) throw error; // the words stand without it
  }
}
