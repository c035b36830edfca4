// A batch in two pictures for each quantity: how the boards spread against the limits, and the trend over serial
// numbers. Every board is a mark that opens it under a pointer; boards outside their limits and outliers are named below,
// for every way of reading.
import { el, svg } from "./make.js";
import { roundStep } from "./capture_plots.js";
import { limitText, plainText, scaleFor, unitText, valueText } from "./numbers.js";
import { spread } from "./stats.js";
import { wordOf } from "./words.js";

const W = 640;
const LEFT = 58;
const RIGHT = 14;
const BINS = 48;
const MOST_NAMES = 8;

function isOut(row) {
  return row.decision === "fail" || row.decision === "conditional fail";
}

// Values and limits, rounded outwards; null when no board has a value.
function rangeOf(rows, withU) {
  const all = rows.flatMap((r) => [r.value, r.lower, r.upper, ...(withU ? [r.value - r.u, r.value + r.u] : [])]).filter((v) => v !== null && Number.isFinite(v));
  if (all.length === 0) return null;
  let [low, high] = [Math.min(...all), Math.max(...all)];
  const room = (high - low || Math.abs(high) * 0.1 || 1) * 0.06;
  return [low - room, high + room];
}

function ticks([low, high], wanted) {
  const step = roundStep((high - low), wanted);
  const out = [];
  for (let k = Math.ceil(low / step); k * step <= high; ++k) out.push(k * step);
  return { out, step };
}

function tickText(value, step, scale) {
  const decimals = Math.min(6, Math.max(0, -Math.floor(Math.log10(step / scale.factor) + 1e-9)));
  return (value / scale.factor).toFixed(decimals).replace(/^-/, "\u2212");
}

// Both ends of a limit over the batch: it may depend on frequency.
function limitsOf(rows) {
  const of = (key) => rows.map((r) => r[key]).filter((v) => v !== null);
  const span = (values) => (values.length ? [Math.min(...values), Math.max(...values)] : null);
  return { lower: span(of("lower")), upper: span(of("upper")) };
}

function shape(row, x, y, r) {
  if (isOut(row)) return svg("path", { class: "dot out", d: `M${x - r} ${y - r}L${x + r} ${y + r}M${x + r} ${y - r}L${x - r} ${y + r}` });
  return svg("circle", { class: "dot", cx: x, cy: y, r });
}

function named(row, group, node) {
  const u = row.u > 0 ? ` (U = ${valueText(row.u, group.unit, row.u)})` : "";
  const limit = limitText({ lower: row.lower, upper: row.upper }, group.unit);
  node.append(svg("title", {}, `${row.board}: ${valueText(row.value, group.unit, row.u)}${u}${limit ? `, limit ${limit}` : ""}, ${wordOf(row.decision)}`));
  return svg("g", { class: "board", "data-board": row.board }, node);
}

// Boards to be named: outside first, then outliers, each once.
export function toName(rows) {
  const { outliers } = spread(rows.map((r) => r.value));
  const picked = rows.filter(isOut);
  for (const n of outliers) if (!picked.includes(rows[n])) picked.push(rows[n]);
  return picked;
}

// Marks stacked where they crowd, on a common axis.
function distribution(group, rows) {
  const range = rangeOf(rows, false);
  const x = (v) => LEFT / 2 + ((v - range[0]) / (range[1] - range[0])) * (W - LEFT / 2 - RIGHT);
  const heights = new Array(BINS).fill(0);
  const place = rows.map((row) => {
    const bin = Math.min(BINS - 1, Math.floor(((row.value - range[0]) / (range[1] - range[0])) * BINS));
    return heights[bin]++;
  });
  const tallest = Math.max(...heights, 3);
  const step = Math.min(11, 110 / tallest);
  const base = 40 + tallest * step;
  const out = svg("svg", { class: "batch", viewBox: `0 0 ${W} ${base + 34}`, role: "img", "aria-label": `Distribution of ${group.title} over ${rows.length} boards` });
  limitZones(out, limitsOf(rows), x, 14, base, range);
  const { out: marks, step: tickStep } = ticks(range, 6);
  const scale = scaleFor(group.unit, ...marks);
  out.append(svg("path", { class: "axis", d: `M${LEFT / 2} ${base}H${W - RIGHT}` }));
  marks.forEach((t, n) => out.append(
    svg("path", { class: "axis", d: `M${x(t)} ${base}v5` }),
    svg("text", { class: "tick", x: x(t), y: base + 20 }, tickText(t, tickStep, scale) + (n === marks.length - 1 && scale.unit ? ` ${scale.unit}` : ""))));
  const dots = svg("g", {});
  rows.forEach((row, n) => {
    const y = base - step * (place[n] + 0.6);
    dots.append(named(row, group, shape(row, x(row.value), y, Math.min(4.6, step * 0.46))));
  });
  out.append(dots);
  const m = spread(rows.map((r) => r.value)).median;
  out.append(svg("path", { class: "median", d: `M${x(m)} 24V${base}` }), svg("text", { class: "name", x: Math.min(W - 90, Math.max(60, x(m))), y: 18 }, `median ${valueText(m, group.unit, 0)}`));
  return out;
}

function limitZones(out, limits, x, top, base, range) {
  const zone = (from, to) => out.append(svg("rect", { class: "zone", x: Math.min(x(from), x(to)), y: top, width: Math.abs(x(to) - x(from)), height: base - top }));
  const line = (v) => out.append(svg("path", { class: "limit", d: `M${x(v)} ${top}V${base}` }));
  if (limits.lower) {
    zone(range[0], limits.lower[0]);
    limits.lower.forEach(line);
  }
  if (limits.upper) {
    zone(limits.upper[1], range[1]);
    limits.upper.forEach(line);
  }
}

// Value and U of each board in the order of serial numbers.
function trend(group, rows, names) {
  const range = rangeOf(rows, rows.length <= 60);
  const [top, base] = [12, 196];
  const y = (v) => base - ((v - range[0]) / (range[1] - range[0])) * (base - top);
  const x = (n) => LEFT + 10 + (rows.length === 1 ? 0.5 : n / (rows.length - 1)) * (W - LEFT - RIGHT - 20);
  const out = svg("svg", { class: "batch", viewBox: `0 0 ${W} 232`, role: "img", "aria-label": `${group.title} over serial numbers` });
  const { out: marks, step } = ticks(range, 5);
  const scale = scaleFor(group.unit, ...marks);
  for (const t of marks) out.append(svg("path", { class: "grid", d: `M${LEFT} ${y(t)}H${W - RIGHT}` }), svg("text", { class: "tick end", x: LEFT - 6, y: y(t) + 4 }, tickText(t, step, scale)));
  const limits = limitsOf(rows);
  for (const [v, edge] of [...(limits.lower ?? []).map((v) => [v, base]), ...(limits.upper ?? []).map((v) => [v, top])]) {
    out.append(svg("rect", { class: "zone", x: LEFT, y: Math.min(y(v), edge), width: W - LEFT - RIGHT, height: Math.abs(edge - y(v)) }), svg("path", { class: "limit", d: `M${LEFT} ${y(v)}H${W - RIGHT}` }));
  }
  out.append(svg("path", { class: "axis", d: `M${LEFT} ${top}V${base}H${W - RIGHT}` }));
  if (rows.length <= 60) rows.forEach((row, n) => row.u > 0 && out.append(svg("path", { class: "bar", d: `M${x(n)} ${y(row.value - row.u)}V${y(row.value + row.u)}` })));
  const size = rows.length > 80 ? 3 : 4.4;
  rows.forEach((row, n) => out.append(named(row, group, shape(row, x(n), y(row.value), size))));
  names.slice(0, MOST_NAMES).forEach((row) => {
    const n = rows.indexOf(row);
    const late = x(n) > W - 110;
    out.append(svg("text", { class: late ? "name end" : "name start", x: x(n) + (late ? -8 : 8), y: y(row.value) + 4 }, row.board));
  });
  serials(out, rows, x, base);
  return out;
}

function serials(out, rows, x, base) {
  const wanted = Math.min(rows.length, 5);
  for (let k = 0; k < wanted; ++k) {
    const n = wanted === 1 ? 0 : Math.round((k * (rows.length - 1)) / (wanted - 1));
    const place = k === 0 && wanted > 1 ? "start" : k === wanted - 1 && wanted > 1 ? "end" : "";
    out.append(svg("path", { class: "axis", d: `M${x(n)} ${base}v5` }), svg("text", { class: `tick ${place}`, x: x(n) + (place === "start" ? -10 : place === "end" ? 10 : 0), y: base + 20 }, rows[n].board));
  }
}

function openBoard(event) {
  const at = event.target.closest("[data-board]");
  if (at) location.hash = `#board/${encodeURIComponent(at.dataset.board)}`;
}

export function quantityCharts(group) {
  const rows = group.rows.filter((r) => r.value !== null);
  const title = el("h3", {}, group.title, unitText(group.unit) && el("span", { class: "soft" }, ` in ${unitText(group.unit)}`));
  const missing = group.rows.length - rows.length;
  if (rows.length === 0) return el("section", { class: "quantity" }, title, el("p", { class: "soft" }, "No board has a reading of it."));
  const names = toName(rows);
  const { median } = spread(rows.map((r) => r.value));
  const out = rows.filter(isOut).length;
  const facts = [`median ${valueText(median, group.unit, 0)}`, `${rows.length} boards`, ...(group.limited ? [out ? `${out} outside the limits` : "all inside the limits"] : [])];
  if (missing) facts.push(`${missing} without a reading`);
  return el("section", { class: "quantity" }, title,
    el("p", { class: "soft small" }, facts.join(", ") + "."),
    el("div", { class: "two", on: { click: openBoard } }, distribution(group, rows), trend(group, rows, names)),
    names.length > 0 && el("p", { class: "small" }, "To look at: ",
      names.slice(0, 20).flatMap((row, n) => [n ? ", " : "", el("a", { href: `#board/${encodeURIComponent(row.board)}` }, row.board),
        ` (${valueText(row.value, group.unit, row.u)}${isOut(row) ? "" : ", outlier"})`]), names.length > 20 ? " and more" : "", "."));
}
