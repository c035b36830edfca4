// Queue: what is to be measured, in its order, and what became of it.
import { el, say, swap } from "./make.js";
import { get, post } from "./service.js";
import { timeText } from "./numbers.js";
import { mark } from "./words.js";
import { QueueForm } from "./queue_form.js";

const OPEN = new Set(["waiting", "held", "running"]);

export class QueueView {
  constructor(model) {
    this.model = model;
    this.at = -1;
    this.entries = [];
    this.trouble = el("p", { role: "alert" });
    this.open = el("ol", { class: "entries" });
    this.over = el("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": "Over" });
    this.form = new QueueForm(() => this.load());
    this.node = el("div", { class: "view queue" }, el("h1", {}, "Queue"), this.trouble, this.open,
      el("details", { class: "add" }, el("summary", {}, "Add boards"), this.form.node), el("h2", {}, "Over"), this.over);
  }

  enter(script) {
    this.at = -1;
    this.form.enter(script);
    if (script) this.node.querySelector("details").open = true;
    this.changed();
  }
  changed() {
    if (this.model.started && this.at !== this.model.queueVersion) this.load();
  }

  async load() {
    this.at = this.model.queueVersion;
    try {
      this.entries = (await get("/v1/queue?over=50")).entries;
      say(this.trouble, "");
      this.draw();
    } catch (error) {
      say(this.trouble, `The queue cannot be shown: ${error.message}`);
    }
  }

  draw() {
    const open = this.entries.filter((e) => OPEN.has(e.state));
    const over = this.entries.filter((e) => !OPEN.has(e.state));
    swap(this.open, open.length === 0 ? el("li", { class: "soft" }, "Nothing waits.") : open.map((e, n) => this.card(e, open, n)));
    swap(this.over, over.length === 0 ? el("p", { class: "soft" }, "Nothing yet.") : el("table", { class: "list" },
      el("thead", {}, el("tr", {}, ["No.", "Board", "Script", "Ended", "Verdict", "When"].map((t, n) => el("th", { scope: "col", class: n === 0 && "n" }, t)))),
      el("tbody", {}, over.map((e) => el("tr", {}, el("td", { class: "n" }, String(e.id)),
        el("th", { scope: "row" }, e.run ? el("a", { href: `#board/${encodeURIComponent(e.board)}` }, e.board) : e.board), el("td", {}, e.script),
        el("td", {}, mark(e.state), e.detail ? el("span", { class: "soft" }, ` ${e.detail}`) : null), el("td", {}, e.verdict ? mark(e.verdict) : "\u2013"), el("td", {}, timeText(e.changed)))))));
  }

  card(entry, open, n) {
    const movable = (e) => e !== undefined && e.state !== "running";
    const act = (word, text, does, when = true) => el("button", { type: "button", class: "plain", disabled: !when, key: `${word}-${entry.id}`, "aria-label": `${text}: ${entry.board}`, on: { click: () => this.act(does) } }, text);
    const path = `/v1/queue/${entry.id}`;
    const times = [entry.not_before && `not before ${timeText(entry.not_before)}`, entry.until && `until ${timeText(entry.until)}`].filter(Boolean).join(", ");
    return el("li", { class: `entry ${entry.state}` },
      el("div", { class: "about" }, el("p", { class: "big" }, entry.board, " ", mark(entry.state)),
        el("p", { class: "soft" }, `No. ${entry.id} \u00b7 ${entry.script}${entry.operator ? ` \u00b7 ${entry.operator}` : ""}${times ? ` \u00b7 ${times}` : ""}`),
        entry.parameters && el("p", { class: "soft small" }, Object.entries(entry.parameters).map(([k, v]) => `${k} ${v}`).join(", ")),
        entry.detail && el("p", {}, entry.detail)),
      el("div", { class: "acts" },
        act("earlier", "Earlier", () => post(`${path}/move`, { before: open[n - 1].id }), movable(entry) && movable(open[n - 1])),
        act("later", "Later", () => post(`${path}/move`, { before: open[n + 2]?.id ?? null }), movable(entry) && Boolean(open[n + 1])),
        entry.state === "held" ? act("hold", "Release", () => post(`${path}/release`)) : act("hold", "Hold", () => post(`${path}/hold`), entry.state === "waiting"),
        act("cancel", entry.state === "running" ? "Stop" : "Cancel", () => post(`${path}/cancel`))));
  }

  async act(does) {
    try {
      await does();
      say(this.trouble, "");
    } catch (error) {
      say(this.trouble, `That did not work: ${error.message}`);
    }
    await this.load();
  }
}
