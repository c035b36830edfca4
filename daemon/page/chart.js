// One quantity over one coordinate: curves with U as a band, limit lines with their forbidden side hatched,
// values under the pointer and by the arrow keys. Draws with uPlot.
import { el, say } from "./make.js";
import { drawLimits, drawMarkers, palette } from "./chart_paint.js";
import { coordinate, limitText, plainText, scaleFor, seriesText, unitText, valueText } from "./numbers.js";

const uPlot = globalThis.uPlot;
const DASHES = [[], [8, 4], [2, 3], [10, 3, 2, 3]];
export const MOST_SERIES = 6;

// Both ends of U around a value, null where there is none.
function interval(reading, y) {
  if (y === null) return [null, null];
  const u = Number.isFinite(reading.u) ? reading.u : 0;
  return [reading.low ?? y - u, reading.high ?? y + u];
}

// Columns for uPlot: x, then for each curve the value and both ends of its interval; a `plain` curve has no band.
export function columns(chart) {
  const xs = [...new Set(chart.series.flatMap((s) => [...s.points.keys()]))].sort((a, b) => a - b);
  const data = [xs];
  for (const series of chart.series.slice(0, MOST_SERIES)) {
    const value = [], high = [], low = [];
    for (const x of xs) {
      const reading = series.points.get(x);
      const y = reading?.value ?? null;
      value.push(y);
      const [from, to] = series.plain ? [y, y] : interval(reading, y);
      high.push(to);
      low.push(from);
    }
    data.push(value, high, low);
  }
  return data;
}

function yRange(lines, least, most) {
  let [low, high] = [least ?? 0, most ?? 1];
  for (const line of lines) {
    for (const [, bound] of line) {
      low = Math.min(low, bound);
      high = Math.max(high, bound);
    }
  }
  const room = (high - low || Math.abs(high) || 1) * 0.08;
  return [low - room, high + room];
}

// [lower, upper] as lines of [x, y]: the board type's over frequency, else what the points have met.
export function limitLines(chart, type) {
  const known = chart.axis === "rf_hz" ? type?.limits[chart.quantity] : undefined;
  if (known) return [known.lower ?? [], known.upper ?? []].map((line) => line.map(([x, y]) => [x ?? 0, y]));
  const at = [...chart.limits].sort((a, b) => a[0] - b[0]);
  return [0, 1].map((end) => at.filter(([, bounds]) => bounds[end] !== null).map(([x, bounds]) => [x, bounds[end]]));
}

function xRange(chart, band, least, most) {
  let [low, high] = [least ?? 0, most ?? 1];
  if (chart.axis === "rf_hz" && band && low >= band[0] && high <= band[1]) [low, high] = band;
  const room = (high - low || Math.abs(high) / 1e4 || 1) * 0.02;
  return [low - room, high + room];
}

export function seriesName(series, n, count) {
  return series.name ?? (seriesText(series.at) || (count > 1 ? `curve ${n + 1}` : ""));
}

export class Chart {
  // chart: of Curves.charts(); type: the board type as the service tells it, or null.
  constructor(chart, type) {
    this.type = type;
    this.readout = el("p", { class: "readout", role: "status" });
    this.place = el("div", { class: "plot" });
    this.legend = el("ul", { class: "legend" });
    const unit = unitText(chart.unit);
    this.caption = el("figcaption", {}, chart.title, unit && el("span", { class: "soft" }, ` in ${unit}`));
    this.node = el("figure", { class: "chart", tabindex: "0", on: { keydown: (e) => this.key(e), blur: () => this.at(null) } },
      this.caption, this.legend, this.place, this.readout);
    this.shape = null;
    this.observer = new ResizeObserver(() => this.fit());
    this.observer.observe(this.place);
    this.update(chart);
  }

  update(chart) {
    this.chart = chart;
    this.lines = limitLines(chart, this.type);
    const shape = chart.series.map((s, n) => seriesName(s, n, chart.series.length)).join("|");
    const data = columns(chart);
    if (shape !== this.shape) {
      this.shape = shape;
      this.build(data);
    } else if (this.plot) {
      this.plot.setData(data);
    }
    const points = chart.series.reduce((sum, s) => sum + s.points.size, 0);
    this.node.setAttribute("aria-label", `${chart.title}, ${points} points; arrow keys step through the values`);
  }

  build(data) {
    this.plot?.destroy();
    const colours = (this.colours = palette(this.place.isConnected ? this.place : document.body));
    const names = this.chart.series.slice(0, MOST_SERIES).map((s, n) => seriesName(s, n, this.chart.series.length));
    this.legend.replaceChildren(...(names.length > 1 ? names.map((name, n) => el("li", { class: `s${n % 6}` }, legendKey(n), name)) : []));
    const series = [{}];
    const bands = [];
    names.forEach((name, n) => {
      const stroke = colours.series[n % 6];
      series.push({ label: name, stroke, width: 2, dash: DASHES[n % 4], spanGaps: false, points: { show: false } });
      series.push({ stroke: "transparent", width: 0, points: { show: false } }, { stroke: "transparent", width: 0, points: { show: false } });
      bands.push({ series: [2 + 3 * n, 3 + 3 * n], fill: colours.band(stroke) });
    });
    this.plot = new uPlot(this.options(series, bands), data, this.place);
  }

  options(series, bands) {
    const { colours } = this;
    const x = coordinate(this.chart.axis);
    const axis = { stroke: colours.axis, grid: { stroke: colours.grid, width: 1 }, ticks: { stroke: colours.grid, width: 1 }, font: colours.font, labelFont: colours.font };
    return {
      ...this.size(),
      series, bands,
      legend: { show: false },
      cursor: { drag: { x: false, y: false }, points: { show: false }, y: false },
      scales: {
        x: { time: false, range: (u, least, most) => xRange(this.chart, this.type?.band_hz, least, most) },
        y: { range: (u, least, most) => yRange(this.lines, least, most) },
      },
      axes: [
        { ...axis, size: 32, label: x.title, labelSize: 20, labelGap: 0, space: 70, values: (u, ticks) => tickTexts(ticks, x.unit, false) },
        { ...axis, size: 58, values: (u, ticks) => tickTexts(ticks, this.chart.unit, true) },
      ],
      hooks: {
        drawClear: [(u) => drawLimits(u, this.lines, colours)],
        draw: [(u) => drawMarkers(u, this.chart, colours)],
        setCursor: [(u) => this.tell(u.cursor.idx)],
      },
    };
  }

  size() {
    const width = Math.max(240, Math.floor(this.place.clientWidth || 480));
    return { width, height: Math.round(Math.min(380, Math.max(200, width * 0.5))) };
  }
  fit() {
    if (this.plot && this.place.clientWidth > 0 && this.plot.width !== this.size().width) this.plot.setSize(this.size());
  }

  tell(index) {
    const x = index === null || index === undefined ? undefined : this.plot?.data[0][index];
    if (x === undefined) return say(this.readout, "");
    const c = coordinate(this.chart.axis);
    const parts = this.chart.series.slice(0, MOST_SERIES).flatMap((series, n) => {
      const reading = series.points.get(x);
      if (!reading) return [];
      const name = seriesName(series, n, this.chart.series.length);
      const value = reading.value === null ? `no reading (${reading.reason})` : valueText(reading.value, reading.unit, reading.u);
      const u = reading.value !== null && reading.u > 0 ? ` (U\u00a0=\u00a0${valueText(reading.u, reading.unit, reading.u)})` : "";
      return [`${name ? name + ": " : ""}${value}${u}`];
    });
    const limits = this.chart.limits.get(x);
    const limit = limits ? limitText({ lower: limits[0], upper: limits[1] }, this.chart.unit) : "";
    say(this.readout, `${c.title} ${plainText(x, c.unit)}: ${parts.join("; ")}${limit ? `; limit ${limit}` : ""}`);
  }

  at(index) {
    if (!this.plot) return;
    this.index = index;
    if (index === null) return this.plot.setCursor({ left: -10, top: -10 });
    const x = this.plot.valToPos(this.plot.data[0][index], "x");
    this.plot.setCursor({ left: x, top: this.plot.over.clientHeight / 2 });
    this.tell(index);
  }

  key(event) {
    const last = (this.plot?.data[0].length ?? 0) - 1;
    if (last < 0) return;
    const here = this.index ?? -1;
    const to = { ArrowRight: Math.min(last, here + 1), ArrowLeft: Math.max(0, here - 1), Home: 0, End: last, Escape: null }[event.key];
    if (to === undefined) return;
    event.preventDefault();
    this.at(to);
  }

  // Colours may have changed.
  repaint() {
    if (this.plot) this.build(this.plot.data);
  }
  destroy() {
    this.observer.disconnect();
    this.plot?.destroy();
    this.plot = null;
  }
}

function legendKey(n) {
  const canvas = el("canvas", { width: "56", height: "20", "aria-hidden": "true" });
  queueMicrotask(() => drawMarkers.key(canvas, n, DASHES[n % 4]));
  return canvas;
}

function tickTexts(ticks, unit, alone) {
  const scale = scaleFor(unit, ...ticks);
  const step = ticks.length > 1 ? Math.abs(ticks[1] - ticks[0]) / scale.factor : 1;
  const decimals = Math.min(6, Math.max(0, -Math.floor(Math.log10(step) + 1e-9)));
  return ticks.map((t, n) => {
    const text = (t / scale.factor).toFixed(decimals).replace("-", "\u2212");
    const told = alone && scale.factor === 1; // by the caption
    return !told && n === ticks.length - 1 ? `${text} ${scale.unit}` : text;
  });
}
