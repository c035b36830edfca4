// Boards: which are good? Verdicts at a glance, a list to sort and filter, and the batch behind them.
import { el, say, swap } from "./make.js";
import { quantityCharts } from "./batch_charts.js";
import { get } from "./service.js";
import { timeText } from "./numbers.js";
import { badness, mark, tone } from "./words.js";
import { byQuantity, bySerial } from "./stats.js";

const VERDICTS = ["pass", "conditional", "fail", "none"];
const COLUMNS = [
  ["Board", (a, b) => bySerial(a.board, b.board)],
  ["Verdict", (a, b) => badness(b.verdict) - badness(a.verdict) || bySerial(a.board, b.board)],
  ["Script", (a, b) => a.script.localeCompare(b.script) || bySerial(a.board, b.board)],
  ["Measured", (a, b) => (a.started < b.started ? 1 : a.started > b.started ? -1 : 0)],
  ["Runs", (a, b) => b.runs - a.runs || bySerial(a.board, b.board)],
  ["Files", null],
];

export function matching(boards, { text, verdicts, script }) {
  const words = text.toLowerCase().split(/[\s,]+/).filter(Boolean);
  return boards.filter((b) =>
    (words.length === 0 || words.some((w) => b.board.toLowerCase().includes(w))) &&
    (verdicts.size === 0 || verdicts.has(b.verdict)) && (script === "" || b.script === script));
}

export class BoardsView {
  constructor(model) {
    this.model = model;
    this.boards = [];
    this.batch = null;
    this.sort = { column: 1, down: false };
    this.filter = { text: "", verdicts: new Set(), script: "" };
    this.at = -1;
    this.open = false;
    this.tally = el("section", { class: "tally", "aria-label": "Verdicts" });
    this.text = el("input", { type: "search", id: "find", autocomplete: "off", placeholder: "H30-0", on: { input: () => this.filtered({ text: this.text.value }) } });
    this.scripts = el("select", { id: "script", on: { change: () => this.filtered({ script: this.scripts.value }) } });
    this.count = el("p", { class: "soft", role: "status" });
    this.table = el("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": "Boards" });
    this.charts = el("section", { class: "batches", "aria-label": "The batch" });
    this.trouble = el("p", { role: "alert" });
    this.node = el("div", { class: "view boards" }, el("h1", {}, "Boards"), this.tally,
      el("form", { class: "filter", on: { submit: (e) => e.preventDefault() } },
        el("p", {}, el("label", { for: "find" }, "Serial number"), this.text),
        el("p", {}, el("label", { for: "script" }, "Script"), this.scripts)),
      this.trouble, this.count, this.table, this.charts);
  }

  enter() {
    this.changed();
  }
  changed() {
    if (this.model.started && this.at !== this.model.storeVersion) this.load();
  }

  async load() {
    this.at = this.model.storeVersion;
    try {
      this.boards = (await get("/v1/boards")).boards;
      say(this.trouble, "");
      this.options();
      this.draw();
      await this.loadBatch();
    } catch (error) {
      say(this.trouble, `The boards cannot be shown: ${error.message}`);
    }
  }

  async loadBatch() {
    const script = this.filter.script;
    const batch = await get(`/v1/batch${script ? `?script=${encodeURIComponent(script)}` : ""}`);
    if (script !== this.filter.script) return;
    this.batch = batch;
    this.drawBatch();
  }

  options() {
    const names = [...new Set(this.boards.map((b) => b.script))].sort();
    swap(this.scripts, el("option", { value: "" }, "all"), names.map((n) => el("option", { value: n, selected: n === this.filter.script }, n)));
  }

  filtered(change) {
    Object.assign(this.filter, change);
    this.draw();
    if ("script" in change) this.loadBatch().catch((error) => say(this.trouble, error.message));
    else this.drawBatch();
  }

  toggle(verdict) {
    const { verdicts } = this.filter;
    if (!verdicts.delete(verdict)) verdicts.add(verdict);
    this.filtered({});
  }

  draw() {
    const { boards, filter } = this;
    const all = boards.length;
    swap(this.tally, VERDICTS.map((v) => {
      const count = boards.filter((b) => b.verdict === v).length;
      return el("button", { type: "button", key: `tally-${v}`, class: `count ${tone(v)}`, "aria-pressed": filter.verdicts.has(v) ? "true" : "false", on: { click: () => this.toggle(v) } },
        el("span", { class: "figure" }, String(count)), mark(v));
    }));
    const rows = matching(boards, filter);
    const [, order] = COLUMNS[this.sort.column];
    rows.sort((a, b) => (this.sort.down ? -order(a, b) : order(a, b)));
    say(this.count, all === 0 ? "The store is empty: no board has been measured." : rows.length === all ? `${all} boards` : `${rows.length} of ${all} boards`);
    swap(this.table, all > 0 && this.rows(rows));
  }

  rows(rows) {
    return el("table", { class: "list" },
      el("thead", {}, el("tr", {}, COLUMNS.map(([name, order], n) => el("th", { scope: "col", "aria-sort": n === this.sort.column ? (this.sort.down ? "descending" : "ascending") : null },
        order ? el("button", { type: "button", class: "sort", key: `sort-${n}`, on: { click: () => this.sortBy(n) } }, name, el("span", { "aria-hidden": "true" }, n === this.sort.column ? (this.sort.down ? " \u25be" : " \u25b4") : "")) : name)))),
      el("tbody", {}, rows.map((b) => el("tr", {},
        el("th", { scope: "row" }, el("a", { href: `#board/${encodeURIComponent(b.board)}`, key: `open-${b.board}` }, b.board)),
        el("td", {}, mark(b.verdict), b.outcome !== "complete" ? el("span", { class: "soft" }, ` ${b.outcome}, ${b.points} of ${b.planned}`) : null),
        el("td", {}, b.script),
        el("td", {}, timeText(b.started)),
        el("td", { class: "n" }, String(b.runs)),
        el("td", {}, files(b.run))))));
  }

  sortBy(column) {
    this.sort = { column, down: this.sort.column === column && !this.sort.down };
    this.draw();
  }

  drawBatch() {
    if (!this.batch) return;
    const rows = matching(this.batch.boards.map((b) => ({ ...b, script: this.batch.script })), { ...this.filter, script: "" });
    const judged = rows.filter((b) => b.verdict !== "none").length;
    const good = rows.filter((b) => b.verdict === "pass").length;
    const yieldText = judged > 0 ? `Yield ${Math.round((100 * good) / judged)} %: ${good} of ${judged} boards pass.` : "No board of it has a verdict.";
    swap(this.charts, rows.length === 0 ? null : [el("h2", {}, `Batch: ${this.batch.script}`),
      el("p", { class: "yield" }, yieldText),
      el("p", { class: "soft" }, "The worst reading of each board's latest complete run, against its limits. A cross is outside; a board far from the others is named (modified z-score beyond 3.5)."),
      this.quantities(byQuantity(rows))]);
  }

  // Judged quantities; the others on request, because they are many.
  quantities(groups) {
    const judged = groups.filter((g) => g.limited);
    const others = groups.filter((g) => !g.limited);
    const rest = el("details", { class: "add", open: this.open || judged.length === 0 }, el("summary", { key: "others" }, `${others.length} quantities without a limit`));
    const fill = () => {
      this.open = rest.open;
      if (rest.open && rest.childElementCount === 1) rest.append(...others.map(quantityCharts));
    };
    rest.addEventListener("toggle", fill);
    fill();
    return [judged.map(quantityCharts), others.length > 0 && rest];
  }
}

export function files(run) {
  const id = encodeURIComponent(run);
  const link = (what, text) => el("a", { href: `/v1/runs/${id}/${what}`, target: "_blank", rel: "noopener" }, text);
  return [link("report", "report"), " \u00b7 ", link("readings", "CSV"), " \u00b7 ", link("results", "JSON"), " \u00b7 ", link("junit", "JUnit")];
}

