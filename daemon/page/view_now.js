// Now: what is measured at this moment, in figures that are read from two metres, and its curves as they grow.
import { el, say, swap } from "./make.js";
import { Chart } from "./chart.js";
import { IqPlot, TracePlot } from "./capture_plots.js";
import { durationText, timeText } from "./numbers.js";
import { mark } from "./words.js";
import { paced } from "./model.js";
import { ServiceError, get, post } from "./service.js";

const CHARTS_MOST = 12;
const NOTES_SHOWN = 40;
const LATEST_SHOWN = 24;

export class NowView {
  constructor(model) {
    this.model = model;
    this.charts = new Map();
    this.drawn = -1;
    this.board = el("h1", {}, "");
    this.what = el("p", { class: "what" });
    this.percent = el("p", { class: "figure" });
    this.left = el("p", { class: "figure" });
    this.bar = el("div", { class: "progress", role: "progressbar", "aria-label": "Points measured", "aria-valuemin": "0", "aria-valuemax": "100" }, el("div", { class: "fill" }));
    this.state = el("div", { class: "state" });
    this.stop = el("button", { class: "plain", type: "button", on: { click: () => this.end() } }, "Stop this run");
    this.latest = el("ol", { class: "latest", "aria-label": "Measured last" });
    this.grid = el("div", { class: "charts" });
    this.all = false;
    this.more = el("button", { type: "button", class: "plain more", hidden: true, "aria-expanded": "false", on: { click: () => this.showAll() } });
    this.iq = new IqPlot();
    this.trace = new TracePlot();
    this.notes = el("ol", { class: "notes", tabindex: "0", "aria-label": "Events, latest first" });
    this.hero = el("section", { class: "hero", "aria-label": "The run" },
      el("div", {}, this.board, this.what),
      el("dl", { class: "figures" }, el("div", {}, el("dt", {}, "measured"), el("dd", {}, this.percent)), el("div", {}, el("dt", {}, "time left"), el("dd", {}, this.left))),
      this.bar, this.state);
    this.node = el("div", { class: "view now" }, this.hero,
      el("section", { "aria-label": "Curves" }, this.grid, this.more),
      el("section", { class: "charts last", "aria-label": "Last capture and events" }, this.iq.node, this.trace.node,
        el("div", { class: "chart" }, el("h2", {}, "Events"), this.notes)));
    this.update = () => this.words();
    this.curves = paced(() => this.drawCurves(), 100);
  }

  enter() {
    this.drawn = -1;
    this.changed();
  }
  changed() {
    this.words();
    this.curves();
  }

  words() {
    const { model } = this;
    const { run, progress } = model;
    this.node.classList.toggle("idle", run === null);
    if (run === null) return this.idle();
    say(this.board, run.board);
    say(this.what, [run.script, run.board_type_title ?? run.board_type, model.underWay && model.label ? `step: ${model.label}` : ""].filter(Boolean).join(" \u00b7 "));
    const planned = progress?.planned ?? run.planned_points ?? 0;
    const share = planned > 0 ? Math.floor((100 * (progress?.done ?? 0)) / planned) : 0;
    say(this.percent, `${share}\u00a0%`);
    say(this.left, model.underWay ? durationText(progress?.left_s ?? NaN) || "\u2013" : "over");
    this.bar.setAttribute("aria-valuenow", String(share));
    this.bar.firstChild.style.width = `${share}%`;
    this.stateLine(progress, planned);
    this.noteList();
  }

  idle() {
    const { model } = this;
    say(this.board, model.phase === "idle" ? "The bench is free" : { opening: "Opening the bench", placing: "Waiting for the board" }[model.phase] ?? "Nightbench");
    say(this.what, model.entry && model.phase !== "idle" ? `${model.entry.board} \u00b7 ${model.entry.script}` : "Nothing is being measured.");
    const last = model.last;
    swap(this.state, last ? el("p", {}, "Last: ", last.board, " ", mark(last.verdict)) : null,
      el("p", {}, el("a", { href: "#queue", key: "add" }, "Add boards to the queue"), " or ", el("a", { href: "#boards", key: "see" }, "look at those that were measured"), "."), this.latest);
    if (this.latestOf === model.storeVersion) return;
    this.latestOf = model.storeVersion;
    get("/v1/boards").then(({ boards }) => this.drawLatest(boards), () => {}); // the state line says when nobody answers
  }

  // In the morning the first question is which boards are good.
  drawLatest(boards) {
    swap(this.latest, boards.slice(0, LATEST_SHOWN).map((b) => el("li", {}, el("a", { href: `#board/${encodeURIComponent(b.board)}`, key: `latest-${b.board}` }, b.board), mark(b.verdict))));
  }

  stateLine(progress, planned) {
    const { model } = this;
    const parts = [el("p", {}, `${progress?.done ?? 0} of ${planned} points`)];
    parts.push(el("p", {}, model.misses === 0 ? mark("pass", "no reading outside its limits so far") : mark("fail", `${model.misses} readings outside their limits`)));
    if (model.ended) {
      const word = model.ended.verdict ?? (model.ended.outcome === "complete" ? "none" : "interrupted");
      parts.unshift(el("p", { class: "verdict", role: "status" }, model.ended.verdict ? mark(word) : mark(model.ended.outcome === "complete" ? "done" : "interrupted", model.ended.outcome)));
      parts.push(el("p", {}, el("a", { href: `/v1/runs/${encodeURIComponent(model.run.run)}/report`, target: "_blank", key: "report" }, "Report"), " \u00b7 ",
        el("a", { href: `#board/${encodeURIComponent(model.run.board)}`, key: "board" }, "This board")));
      if (model.ended.detail) parts.push(el("p", {}, model.ended.detail));
    } else {
      parts.push(this.stop);
    }
    const shape = [parts.length, model.misses, progress?.done, model.ended?.verdict, model.ended?.outcome].join();
    if (shape === this.shape) return;
    this.shape = shape;
    const held = document.activeElement === this.stop;
    swap(this.state, ...parts);
    if (held && this.stop.isConnected) this.stop.focus();
  }

  noteList() {
    const { notes } = this.model;
    const key = `${this.model.run?.run}/${notes.length}/${notes.at(-1)?.time}`;
    if (key === this.noteKey) return;
    this.noteKey = key;
    const list = notes.slice(-NOTES_SHOWN).reverse();
    this.notes.replaceChildren(...(list.length ? list.map((n) => el("li", {}, el("time", {}, timeText(n.time, true)), " ", n.severity === "info" ? null : mark(n.severity), " ", n.text ?? n.id)) : [el("li", { class: "soft" }, "None yet.")]));
  }

  drawCurves() {
    if (!this.node.isConnected) return;
    const { model } = this;
    this.iq.update(model.trace);
    this.trace.update(model.trace);
    if (this.drawn === model.curves.version && this.of === model.curves) return;
    if (this.of !== model.curves) this.clear();
    this.of = model.curves;
    this.drawn = model.curves.version;
    const all = model.curves.charts();
    const judged = all.filter((c) => c.limits.size > 0);
    const others = all.length - judged.length;
    this.more.hidden = judged.length === 0 || others === 0;
    say(this.more, this.all ? "Only quantities with limits" : `Show ${others} more quantities`);
    for (const data of (this.all || judged.length === 0 ? all : judged).slice(0, CHARTS_MOST)) {
      const chart = this.charts.get(data.id);
      if (chart) {
        chart.type = model.boardType;
        chart.update(data);
        continue;
      }
      const made = new Chart(data, model.boardType);
      this.charts.set(data.id, made);
      this.grid.append(made.node);
      made.fit();
    }
  }

  showAll() {
    this.all = !this.all;
    this.more.setAttribute("aria-expanded", String(this.all));
    this.clear();
    this.drawn = -1;
    this.drawCurves();
  }

  clear() {
    for (const chart of this.charts.values()) chart.destroy();
    this.charts.clear();
    this.grid.replaceChildren();
  }

  async end() {
    this.stop.disabled = true;
    try {
      await post(`/v1/queue/${this.model.run.entry}/cancel`);
    } catch (error) {
      if (!(error instanceof ServiceError)) throw error;
      this.state.append(el("p", { role: "alert" }, `It could not be stopped: ${error.message}`));
    }
    this.stop.disabled = false;
  }

  repaint() {
    for (const chart of this.charts.values()) chart.repaint();
    this.iq.repaint();
    this.trace.repaint();
  }
}
