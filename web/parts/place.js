/** Where words fit into a drawing: the first of some places where they touch no line. Pure; all in pixels. */

const AIR = 3;

/** Does the line piece [x0, y0, x1, y1] come into the box {x, y, width, height}, or within 3 px of it? */
export function touches(box, [x0, y0, x1, y1]) {
  let [from, to] = [0, 1];
  const sides = [[x0 - x1, x0 - (box.x - AIR)], [x1 - x0, box.x + box.width + AIR - x0], [y0 - y1, y0 - (box.y - AIR)], [y1 - y0, box.y + box.height + AIR - y0]];
  for (const [toward, room] of sides) {
    if (toward === 0 && room < 0) return false;
    if (toward < 0) from = Math.max(from, room / toward);
    if (toward > 0) to = Math.min(to, room / toward);
  }
  return from <= to;
}

/** The pieces of a line through [x, y] points, thinned to about `most`; null is a gap. */
export function pieces(points, most = 120) {
  const every = Math.max(1, Math.ceil(points.length / most));
  const kept = points.filter((point, index) => point === null || index % every === 0 || index === points.length - 1);
  return kept.slice(1).flatMap((point, index) => (point && kept[index] ? [[...kept[index], ...point]] : []));
}

/** A box as two lines across it, to keep other words out of it. */
export const crossed = ({ x, y, width, height }) => [[x, y, x + width, y + height], [x, y + height, x + width, y]];

/** The box of `size` beside a dimension from `left` to `right` at `y` that touches nothing; else the first inside the plot. */
export function placeBeside({ left, right, y }, size, plot, lines) {
  const middle = (left + right - size.width) / 2;
  const gap = 6;
  const rows = [y + gap, y - gap - size.height];
  const first = [
    ...rows.flatMap((top) => [middle, right - size.width - gap, left + gap].map((x) => ({ x, y: top }))),
    ...[right + 10, left - 10 - size.width].map((x) => ({ x, y: y - size.height / 2 })),
    ...rows.flatMap((top) => [right + 10, left - 10 - size.width].map((x) => ({ x, y: top }))),
  ];
  const inside = ({ x, y: top }) => x >= plot.left && x + size.width <= plot.right && top >= plot.top && top + size.height <= plot.bottom;
  const free = (place) => inside(place) && !lines.some((line) => touches({ ...place, ...size }, line));
  return { ...(first.find(free) ?? anywhere(plot, size, { x: middle, y }).find(free) ?? first.find(inside) ?? first[0]), ...size };
}

/** The whole plot in steps, nearest to `from` first. */
function anywhere(plot, size, from) {
  const places = [];
  for (let { top } = plot; top <= plot.bottom - size.height; top += 12) for (let { left } = plot; left <= plot.right - size.width; left += 16) places.push({ x: left, y: top });
  const far = (place) => Math.hypot(place.x - from.x, 2 * (place.y - from.y));
  return places.sort((a, b) => far(a) - far(b));
}
