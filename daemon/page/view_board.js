// One board: what its latest run found, beside an earlier run of it as a baseline.
import { el, say, swap } from "./make.js";
import { Chart } from "./chart.js";
import { Curves } from "./curves.js";
import { get, pointsOf } from "./service.js";
import { limitText, seriesText, timeText, valueText } from "./numbers.js";
import { mark } from "./words.js";
import { files } from "./view_boards.js";

const CHARTS_MOST = 8;

// Curves of two runs in one chart: the earlier one after the later.
export function together(now, before) {
  return now.map((chart) => {
    const other = before.find((c) => c.id === chart.id && c.axis === chart.axis);
    if (!other) return chart;
    const name = (series, which) => ({ ...series, plain: which === "baseline", name: [seriesText(series.at), which].filter(Boolean).join(", ") });
    return { ...chart, series: [...chart.series.map((s) => name(s, "this run")), ...other.series.map((s) => name(s, "baseline"))] };
  });
}

export class BoardView {
  constructor(model) {
    this.model = model;
    this.body = el("div", {});
    this.charts = [];
    this.node = el("div", { class: "view board" }, el("p", {}, el("a", { href: "#boards" }, "All boards")), this.body);
  }

  enter(board) {
    this.board = board;
    this.at = -1;
    this.choices = undefined;
    this.drawn = "";
    this.changed();
  }
  changed() {
    if (!this.model.started || this.at === this.model.storeVersion) return;
    this.at = this.model.storeVersion;
    this.load(this.choices?.run, this.choices?.baseline);
  }

  async load(run, baseline) {
    const { board } = this;
    this.choices = { run, baseline };
    try {
      const runs = (await get(`/v1/runs?board=${encodeURIComponent(board)}`)).runs;
      if (runs.length === 0) return swap(this.body, el("h1", {}, board), el("p", {}, "The store has no run of this board."));
      const shown = runs.find((r) => r.run === run) ?? runs[0];
      const others = runs.filter((r) => r !== shown && r.script === shown.script);
      const complete = others.filter((r) => r.outcome === "complete");
      const compared = baseline === "" ? undefined : (others.find((r) => r.run === baseline) ?? complete.at(-1));
      // Drawn again only when something of this board changed: somebody may be reading.
      const key = [board, shown.run, compared?.run, ...runs.map((r) => r.run + r.outcome)].join();
      if (key === this.drawn) return;
      this.drawn = key;
      await this.draw(runs, shown, others, compared);
    } catch (error) {
      swap(this.body, el("h1", {}, board), el("p", { role: "alert" }, `The board cannot be shown: ${error.message}`));
    }
  }

  async draw(runs, shown, others, compared) {
    const figures = (run) => get(`/v1/runs/${encodeURIComponent(run.run)}/figures`);
    const [mine, theirs] = await Promise.all([figures(shown), compared ? figures(compared) : null]);
    this.grid = el("div", { class: "charts" });
    swap(this.body,
      el("h1", {}, shown.board, " ", mark(shown.verdict)),
      el("p", { class: "soft" }, `${shown.board_type} \u00b7 ${shown.script} \u00b7 ${shown.bench}${shown.operator ? ` \u00b7 ${shown.operator}` : ""} \u00b7 ${shown.points} of ${shown.planned} points, ${shown.outcome}`),
      el("p", {}, files(shown.run)),
      el("div", { class: "filter" }, this.choice("run", "Run", runs, shown, (id) => this.load(id, undefined)),
        others.length > 0 && this.choice("baseline", "Beside it", [null, ...others], compared ?? null, (id) => this.load(shown.run, id))),
      this.table(mine.figures, theirs?.figures),
      this.grid);
    await this.curves(shown, compared);
  }

  choice(id, title, runs, chosen, act) {
    const select = el("select", { id: `${id}-choice`, key: `choice-${id}`, on: { change: () => act(select.value) } },
      runs.map((r) => (r ? el("option", { value: r.run, selected: r === chosen }, `${timeText(r.started, true)}, ${r.script}, ${r.verdict}`) : el("option", { value: "", selected: chosen === null }, "nothing"))));
    return el("p", {}, el("label", { for: `${id}-choice` }, title), select);
  }

  table(mine, theirs) {
    const heads = ["Quantity", "This run", ...(theirs ? ["Baseline", "Change"] : []), "Limit", "Decision"];
    const value = (f) => (f?.value === undefined ? "no reading" : valueText(f.value, f.unit ?? "", f.expanded_u ?? 0));
    const row = (f) => {
      const old = theirs?.find((o) => o.label === f.label && o.quantity === f.quantity);
      const both = old?.value !== undefined && f.value !== undefined;
      const u = Math.hypot(f.expanded_u ?? 0, old?.expanded_u ?? 0) || Math.abs(f.value) / 1000;
      return el("tr", {}, el("th", { scope: "row" }, f.title, el("span", { class: "soft" }, ` ${f.label}`)),
        el("td", {}, value(f), f.expanded_u > 0 && f.value !== undefined ? el("span", { class: "soft" }, ` U\u00a0${valueText(f.expanded_u, f.unit ?? "", f.expanded_u)}`) : null),
        theirs && el("td", {}, value(old)), theirs && el("td", {}, both && f.unit !== "yes/no" ? valueText(f.value - old.value, f.unit ?? "", u) : "\u2013"),
        el("td", {}, limitText(f, f.unit ?? "") || "\u2013"), el("td", {}, mark(f.decision)));
    };
    return el("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": "Worst readings" },
      el("table", {}, el("caption", {}, "The worst reading of each quantity"), el("thead", {}, el("tr", {}, heads.map((h) => el("th", { scope: "col" }, h)))), el("tbody", {}, mine.map(row))));
  }

  async curves(shown, compared) {
    const curvesOf = async (run) => {
      const curves = new Curves();
      for (const point of await pointsOf(run.run, run.planned)) curves.add(point);
      return curves.charts();
    };
    const [type, now, before] = await Promise.all([get(`/v1/runs/${encodeURIComponent(shown.run)}/board-type`), curvesOf(shown), compared ? curvesOf(compared) : []]);
    for (const chart of this.charts) chart.destroy();
    this.charts = together(now, before).slice(0, CHARTS_MOST).map((data) => {
      const chart = new Chart(data, type);
      this.grid.append(chart.node);
      chart.repaint();
      return chart;
    });
  }

  repaint() {
    for (const chart of this.charts) chart.repaint();
  }
}
