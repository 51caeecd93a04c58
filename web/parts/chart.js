/**
 * The curves of a stored run, drawn by uPlot on a canvas under our own SVG: it brings the zoom and the reading under the
 * pointer. The band, rulers, plumb line and balloons are not its business. Loaded only when a run is opened.
 */
let loading = null;

/** The library, once. It is a classic script, so it comes by its own element. */
function library() {
  loading ??= new Promise((resolve, reject) => {
    const sheet = Object.assign(document.createElement("link"), { rel: "stylesheet", href: "vendor/uplot/uPlot.min.css" });
    const script = Object.assign(document.createElement("script"), { src: "vendor/uplot/uPlot.iife.min.js" });
    script.addEventListener("load", () => resolve(globalThis.uPlot), { once: true });
    script.addEventListener("error", () => reject(new Error("The drawing of curves could not be loaded.")), { once: true });
    document.head.append(sheet, script);
  });
  return loading;
}

const token = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

/** Columns of an api curve as uPlot data: seconds, then least and most of each channel; a null column at every gap. */
export function aligned(curve, names = ["control_mc", "part_mc"]) {
  const gaps = curve.gaps.map(([from]) => from);
  const x = [];
  const rows = names.flatMap(() => [[], []]);
  curve.utc_us.forEach((us, index) => {
    const broken = gaps.find((from) => index && from >= curve.utc_us[index - 1] && from < us);
    if (broken !== undefined) {
      x.push((curve.utc_us[index - 1] + us) / 2e6);
      for (const row of rows) row.push(null);
    }
    x.push(us / 1e6);
    names.forEach((name, at) => {
      rows[at * 2].push(curve.columns[name].min[index]);
      rows[at * 2 + 1].push(curve.columns[name].max[index]);
    });
  });
  return [x, ...rows];
}

function options(box, view, told) {
  const ink = token("--ink");
  const line = (width) => ({ stroke: ink, width, points: { show: false }, spanGaps: false });
  return {
    width: box.width, height: box.height, padding: [0, 0, 0, 0], legend: { show: false },
    axes: [{ show: false }, { show: false }],
    scales: { x: { time: false, range: () => [view.fromUs / 1e6, view.toUs / 1e6] }, y: { range: () => [view.lowMc, view.highMc] } },
    series: [{}, line(0.7), line(0.7), line(1.7), line(1.7)],
    bands: [{ series: [2, 1], fill: ink }, { series: [4, 3], fill: ink }],
    cursor: { y: false, points: { show: false }, drag: { x: true, y: false, setScale: false } },
    hooks: {
      setCursor: [(chart) => told.pointed(chart.cursor.idx)],
      setSelect: [(chart) => {
        if (chart.select.width < 8) return;
        told.chosen(chart.posToVal(chart.select.left, "x") * 1e6, chart.posToVal(chart.select.left + chart.select.width, "x") * 1e6);
        chart.setSelect({ left: 0, width: 0, top: 0, height: 0 }, false);
      }],
    },
  };
}

/** One chart in one host. `show` draws it anew only when box, view or data changed. */
export class Chart {
  #chart = null;
  #drawn = "";
  #told;

  constructor(told) {
    this.#told = told;
  }

  async show(host, box, view, curve) {
    const dark = matchMedia("(prefers-color-scheme: dark)").matches;
    const wanted = JSON.stringify([box, view, curve.run_id, curve.utc_us.length, curve.utc_us[0], dark]);
    if (wanted === this.#drawn && host.firstChild) return;
    this.#drawn = wanted;
    const Plot = await library();
    if (wanted !== this.#drawn || !host.isConnected) return;
    this.#chart?.destroy();
    Object.assign(host.style, { left: `${box.left}px`, top: `${box.top}px`, width: `${box.width}px`, height: `${box.height}px` });
    this.#chart = new Plot(options(box, view, this.#told), aligned(curve), host);
  }

  remove() {
    this.#chart?.destroy();
    this.#chart = null;
    this.#drawn = "";
  }
}
