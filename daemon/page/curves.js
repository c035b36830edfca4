// The points of a run as curves: for each quantity of each step one chart, for each setting beside the x axis
// one curve. Memory stays bounded however long the run is: beyond MOST points every second one is left out.

const MOST = 4000;
const AXES = ["rf_hz", "offset_hz", "level_dbm", "repeat"];
const BESIDE = new Set(["lo_hz", "repeat", "time_s"]); // follow from the others, or come round again

// What a chart needs of a point; the rest is let go.
function kept(point) {
  const readings = point.readings.map((r) => ({
    quantity: r.quantity, title: r.title ?? r.quantity, unit: r.unit ?? "", value: r.value ?? null,
    u: r.expanded_u ?? 0, low: r.low, high: r.high, decision: r.decision, reason: r.reason ?? "",
    lower: r.limit?.lower ?? null, upper: r.limit?.upper ?? null,
  }));
  return { ordinal: point.ordinal, label: point.label ?? "", at: point.at ?? {}, readings };
}

function axisOf(points) {
  for (const key of AXES) {
    const seen = new Set();
    for (const point of points) {
      if (point.at[key] !== undefined) seen.add(point.at[key]);
      if (seen.size > 1) return key;
    }
  }
  return points.some((p) => p.at.rf_hz !== undefined) ? "rf_hz" : null;
}

function seriesKey(point, axis) {
  const at = {};
  for (const key of Object.keys(point.at).sort()) {
    if (key !== axis && !BESIDE.has(key)) at[key] = point.at[key];
  }
  return [JSON.stringify(at), at];
}

// Coordinates that are the same on every curve of a chart say nothing there.
function varying(series) {
  const keys = new Set(series.flatMap((s) => Object.keys(s.at)));
  for (const key of [...keys]) {
    if (new Set(series.map((s) => s.at[key])).size < 2) keys.delete(key);
  }
  for (const s of series) s.at = Object.fromEntries(Object.entries(s.at).filter(([key]) => keys.has(key)));
}

function chartsOfStep(label, points) {
  const axis = axisOf(points);
  if (axis === null) return [];
  const charts = new Map();
  for (const point of points) {
    const x = point.at[axis];
    if (x === undefined) continue;
    const [key, at] = seriesKey(point, axis);
    for (const reading of point.readings) {
      let chart = charts.get(reading.quantity);
      if (!chart) {
        chart = { id: `${label}/${reading.quantity}`, label, axis, quantity: reading.quantity, title: reading.title, unit: reading.unit, series: new Map(), limits: new Map() };
        charts.set(reading.quantity, chart);
      }
      let series = chart.series.get(key);
      if (!series) chart.series.set(key, (series = { at, points: new Map() }));
      series.points.set(x, reading); // measured again: the latest counts
      if (reading.lower !== null || reading.upper !== null) chart.limits.set(x, [reading.lower, reading.upper]);
    }
  }
  for (const chart of charts.values()) {
    chart.series = [...chart.series.values()];
    varying(chart.series);
  }
  return [...charts.values()];
}

export class Curves {
  constructor() {
    this.points = [];
    this.every = 1;
    this.version = 0;
  }

  add(point) {
    if (Object.keys(point.at ?? {}).length === 0) return;
    if (point.ordinal % this.every !== 0) return;
    this.version += 1;
    this.points.push(kept(point));
    if (this.points.length <= MOST) return;
    this.every *= 2;
    this.points = this.points.filter((p) => p.ordinal % this.every === 0);
  }

  // Charts in the order of first appearance, those that are judged first.
  charts() {
    const steps = new Map();
    for (const point of this.points) {
      if (!steps.has(point.label)) steps.set(point.label, []);
      steps.get(point.label).push(point);
    }
    const all = [...steps].flatMap(([label, points]) => chartsOfStep(label, points));
    return [...all.filter((c) => c.limits.size > 0), ...all.filter((c) => c.limits.size === 0)];
  }
}
