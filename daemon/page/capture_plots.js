// The last capture that was kept: I against Q with equal scales, and both over time.
import { el, say } from "./make.js";
import { palette } from "./chart_paint.js";
import { plainText, scaleFor, valueText } from "./numbers.js";

const uPlot = globalThis.uPlot;

// Round steps of 1, 2 or 5 times a power of ten, about `wanted` of them up to `most`.
export function roundStep(most, wanted) {
  const raw = most / wanted;
  const power = 10 ** Math.floor(Math.log10(raw));
  return [1, 2, 5, 10].map((k) => k * power).find((s) => s >= raw);
}

function middle(values) {
  const good = values.filter((v) => v !== null);
  return good.length ? good.reduce((a, b) => a + b, 0) / good.length : 0;
}

export class IqPlot {
  constructor() {
    this.canvas = el("canvas", { class: "square", role: "img" });
    this.node = el("figure", { class: "chart" }, el("figcaption", {}, "I against Q", el("span", { class: "soft" }, ", last capture")), this.canvas);
    this.observer = new ResizeObserver(() => this.paint());
    this.observer.observe(this.canvas);
  }

  update(trace) {
    if (trace === this.trace) return;
    this.trace = trace;
    this.paint();
  }

  repaint() {
    this.paint();
  }

  paint() {
    const { canvas, trace } = this;
    const side = canvas.clientWidth;
    if (side === 0) return;
    const ratio = devicePixelRatio || 1;
    if (canvas.width !== Math.round(side * ratio)) canvas.width = canvas.height = Math.round(side * ratio);
    const ctx = canvas.getContext("2d");
    ctx.setTransform(ratio, 0, 0, ratio, 0, 0);
    ctx.clearRect(0, 0, side, side);
    if (!trace) return canvas.setAttribute("aria-label", "I against Q: no capture yet");
    const colours = palette(canvas);
    const [mi, mq] = [middle(trace.i_v), middle(trace.q_v)];
    const most = Math.max(1e-9, ...trace.i_v.map((v) => Math.abs((v ?? mi) - mi)), ...trace.q_v.map((v) => Math.abs((v ?? mq) - mq)));
    const step = roundStep(most, 2);
    const reach = most * 1.12;
    const place = (v) => side / 2 + (v / reach) * (side / 2 - 4);
    this.grid(ctx, side, step, reach, place, colours);
    ctx.strokeStyle = colours.series[0];
    ctx.lineWidth = 1.8;
    ctx.beginPath();
    for (let n = 0; n < Math.min(trace.i_v.length, trace.q_v.length); ++n) {
      const [i, q] = [trace.i_v[n], trace.q_v[n]];
      if (i === null || q === null) continue;
      ctx.lineTo(place(i - mi), side - place(q - mq));
    }
    ctx.stroke();
    canvas.setAttribute("aria-label", `I against Q of the last capture, up to ${plainText(Number(most.toPrecision(3)), "V")} from the middle; a circle is a good balance`);
  }

  grid(ctx, side, step, reach, place, colours) {
    ctx.strokeStyle = colours.grid;
    ctx.lineWidth = 1;
    ctx.fillStyle = colours.axis;
    ctx.font = colours.font;
    const scale = scaleFor("V", step);
    for (let k = -Math.floor(reach / step); k * step <= reach; ++k) {
      const p = Math.round(place(k * step)) + 0.5;
      ctx.beginPath();
      ctx.moveTo(p, 0);
      ctx.lineTo(p, side);
      ctx.moveTo(0, side - p);
      ctx.lineTo(side, side - p);
      ctx.stroke();
      if (k > 0 && p < side - 60) ctx.fillText(`${Number(((k * step) / scale.factor).toPrecision(3))} ${scale.unit}`, p + 3, side / 2 - 4);
    }
    ctx.strokeStyle = colours.axis;
    ctx.beginPath();
    ctx.moveTo(side / 2, 0);
    ctx.lineTo(side / 2, side);
    ctx.moveTo(0, side / 2);
    ctx.lineTo(side, side / 2);
    ctx.stroke();
    ctx.fillStyle = colours.ink;
    ctx.fillText("I", side - 12, side / 2 + 16);
    ctx.fillText("Q", side / 2 + 6, 14);
  }

  destroy() {
    this.observer.disconnect();
  }
}

export class TracePlot {
  constructor() {
    this.place = el("div", { class: "plot" });
    this.legend = el("p", { class: "readout" });
    this.node = el("figure", { class: "chart" },
      el("figcaption", {}, "I and Q over time", el("span", { class: "soft" }, ", last capture; I solid, Q dashed")), this.place, this.legend);
    this.observer = new ResizeObserver(() => this.fit());
    this.observer.observe(this.place);
  }

  update(trace) {
    if (!trace || trace === this.trace) return;
    this.trace = trace;
    const data = [trace.i_v.map((_, n) => n * trace.dt_s), trace.i_v, trace.q_v];
    if (this.plot) this.plot.setData(data);
    else this.build(data);
    const span = (v) => Math.max(...v.map((x) => x ?? -Infinity)) - Math.min(...v.map((x) => x ?? Infinity));
    say(this.legend, `I ${valueText(span(trace.i_v), "V", 0)} and Q ${valueText(span(trace.q_v), "V", 0)} peak to peak`);
  }

  build(data) {
    this.plot?.destroy();
    const colours = palette(this.place);
    const axis = { stroke: colours.axis, grid: { stroke: colours.grid, width: 1 }, ticks: { show: false }, font: colours.font };
    const texts = (unit) => (u, ticks) => {
      const scale = scaleFor(unit, ...ticks);
      return ticks.map((t, n) => `${Number((t / scale.factor).toPrecision(4))}${n === ticks.length - 1 ? " " + scale.unit : ""}`.replace("-", "\u2212"));
    };
    this.plot = new uPlot({
      ...this.size(), legend: { show: false }, cursor: { show: false },
      scales: { x: { time: false } },
      axes: [{ ...axis, values: texts("s"), space: 80 }, { ...axis, size: 66, values: texts("V") }],
      series: [{}, { stroke: colours.series[0], width: 2, points: { show: false } }, { stroke: colours.series[1], width: 2, dash: [7, 3], points: { show: false } }],
    }, data, this.place);
  }

  size() {
    const width = Math.max(240, Math.floor(this.place.clientWidth || 480));
    return { width, height: Math.round(Math.min(340, Math.max(190, width * 0.5))) };
  }
  fit() {
    if (this.plot && this.place.clientWidth > 0 && this.plot.width !== this.size().width) this.plot.setSize(this.size());
  }
  repaint() {
    if (this.plot) this.build(this.plot.data);
  }
  destroy() {
    this.observer.disconnect();
    this.plot?.destroy();
  }
}
