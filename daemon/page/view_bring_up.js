// Bring-up: one question at a time in big type, where the probe goes, what is expected and what has been seen.
import { el, say, swap } from "./make.js";
import { boardDrawing, partDrawing } from "./locator.js";
import { limitText, readingText } from "./numbers.js";
import { mark, probeText } from "./words.js";
import { ServiceError, post } from "./service.js";

const CHECKS_SHOWN = 12;
const ANSWERS = { yes: "Yes", no: "No", done: "Done", skip: "Skip", redo: "Redo", stop: "Stop, all off" };
const PARTS_OF_PAIR = ["phase", "balance", "level_1", "level_2", "frequency"];

// The limits of a measurement as the board type has them, in words.
export function expectedOf(type, about, point) {
  if (!type) return [];
  const constant = (limit) => ({ lower: limit.lower?.[0]?.[1], upper: limit.upper?.[0]?.[1] });
  const line = (id, name) => {
    const limit = type.limits[id];
    return limit ? [`${name}${limitText(constant(limit), limit.unit)}`] : [];
  };
  const direct = [...line(about, ""), ...PARTS_OF_PAIR.flatMap((p) => line(`${about}.${p}`, `${p.replace("_", " ")} `))];
  return direct.length ? direct : line(point, "");
}

export class BringUpView {
  constructor(model) {
    this.model = model;
    this.shown = undefined;
    this.where = el("p", { class: "where" });
    this.card = el("section", { class: "question", "aria-live": "polite" });
    this.drawings = el("section", { class: "drawings", "aria-label": "Where it is on the board" });
    this.checks = el("section", { class: "checks", "aria-label": "What has been measured" });
    this.node = el("div", { class: "view bring-up" }, this.where, el("div", { class: "ask" }, this.card, this.drawings), this.checks);
  }

  enter() {
    this.shown = undefined;
    this.changed();
  }

  changed() {
    this.head();
    this.ask();
    this.list();
  }

  head() {
    const { model } = this;
    const run = model.underWay ? model.run : null;
    const parts = [];
    if (run) parts.push(`Board ${run.board}`, run.script);
    if (run && model.progress) parts.push(`${model.progress.done} of ${model.progress.planned} done`);
    const key = parts.join("|") + (model.question?.powered ?? "");
    if (key === this.headKey) return;
    this.headKey = key;
    swap(this.where, parts.join(" \u00b7 "), " ", model.question && (model.question.powered ? mark("warning", "The board is under power") : mark("none", "Power is off")));
  }

  ask() {
    const { question, boardType } = this.model;
    const key = `${question?.id}/${boardType?.board_type}/${question ? "" : this.stateText()}`;
    if (key === this.shown) return;
    const answering = this.card.contains(document.activeElement);
    this.shown = key;
    const same = this.card.dataset.id === String(question?.id ?? "");
    this.card.dataset.id = question?.id ?? "";
    if (!question) {
      swap(this.card, ...this.quiet());
      swap(this.drawings);
    } else {
      swap(this.card, ...this.questionParts(question));
      swap(this.drawings, partDrawing(boardType, question.part, question.pin || (question.kind === "question" ? 1 : 0)), boardDrawing(boardType, question) ?? (question.drawing && el("pre", { class: "drawing" }, question.drawing)));
    }
    // A drawing that came late takes nobody away from the answer.
    if (answering && !(same && this.card.contains(document.activeElement))) this.card.querySelector("h1")?.focus();
  }

  questionParts(q) {
    this.remark = el("input", { type: "text", maxlength: "1000", autocomplete: "off", id: "remark" });
    this.trouble = el("p", { role: "alert" });
    const expected = q.kind === "move" ? expectedOf(this.model.boardType, q.about, q.test_point) : [];
    const point = this.model.boardType?.test_points[q.test_point];
    const place = q.part ? `${q.part}${q.pin ? ` pin ${q.pin}` : ""}` : (point?.title ?? q.test_point ?? "");
    const move = q.kind === "move" && q.port && place;
    return [
      move && el("p", { class: "kicker" }, q.title.split(": ")[0]),
      el("h1", { tabindex: "-1", key: "title" }, move ? [probeText(q.port).replace(/^./, (c) => c.toUpperCase()), " \u2192 ", el("span", { class: "place" }, place)] : q.title),
      move && point && el("p", { class: "kicker" }, point.title),
      q.doubt && el("p", { class: "doubt" }, mark("warning", "Once more"), " ", q.doubt),
      q.text && el("p", { class: "text" }, q.text),
      expected.length > 0 && el("p", { class: "expected" }, el("span", { class: "soft" }, "Expected: "), expected.join(", ")),
      el("div", { class: "answers" }, q.answers.map((word) => el("button", { type: "button", key: word, class: word === "stop" ? "answer stop" : word === q.answers[0] ? "answer first" : "answer", on: { click: () => this.answer(q.id, word) } }, ANSWERS[word] ?? word))),
      this.trouble,
      el("p", { class: "remark" }, el("label", { for: "remark" }, "Remark for the record (optional)"), this.remark),
    ];
  }

  stateText() {
    const { model } = this;
    if (!model.underWay) return "idle";
    const last = model.checks.at(-1);
    return last ? `${last.ordinal}/${last.reading.quantity}` : "begun";
  }

  // No question is open: the latest reading in big figures, or that nothing goes on.
  quiet() {
    const { model } = this;
    if (!model.underWay) {
      return [el("h1", { tabindex: "-1" }, "No question is open"), el("p", { class: "text" }, "Start one: ", el("a", { href: "#queue/bring-up" }, "add a board with the script bring-up"), "."),
        el("p", { class: "soft" }, "Check polarity before power, wear a wrist strap, and mind that scope grounds are mains earth. Local rules come first.")];
    }
    const last = model.checks.at(-1);
    if (!last) return [el("h1", { tabindex: "-1" }, "Measuring \u2026")];
    const text = readingText(last.reading);
    return [el("h1", { tabindex: "-1" }, last.reading.title ?? last.reading.quantity), el("p", { class: "huge" }, text.value), el("p", { class: "text" }, mark(last.reading.decision), " ", limitText(last.reading.limit, last.reading.unit))];
  }

  async answer(id, word) {
    const buttons = [...this.card.querySelectorAll(".answer")];
    for (const b of buttons) b.disabled = true;
    try {
      const remark = this.remark.value.trim();
      await post(`/v1/questions/${id}/answer`, remark ? { answer: word, remark } : { answer: word });
      this.card.querySelector("h1")?.focus();
    } catch (error) {
      if (!(error instanceof ServiceError)) throw error;
      say(this.trouble, error.status === 409 ? "Somebody has answered already." : `The answer did not arrive: ${error.message}`);
      for (const b of buttons) b.disabled = false;
    }
  }

  list() {
    const all = this.model.run ? this.model.checks : [];
    const checks = all.filter((c) => c.reading.decision !== "not judged");
    const key = `${this.model.run?.run}/${checks.at(-1)?.ordinal}/${checks.length}`;
    if (key === this.listKey) return;
    this.listKey = key;
    const rows = checks.slice(-CHECKS_SHOWN).reverse();
    swap(this.checks, el("h2", {}, "Seen so far"), rows.length === 0 ? el("p", { class: "soft" }, "Nothing yet.") :
      el("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": "Checks, latest first" }, el("table", {},
        el("thead", {}, el("tr", {}, ["Check", "Seen", "Expected", ""].map((t) => el("th", { scope: "col" }, t || el("span", { class: "unseen" }, "Decision"))))),
        el("tbody", {}, rows.map(({ label, reading }) => {
          const text = readingText(reading);
          return el("tr", {}, el("th", { scope: "row" }, reading.title ?? reading.quantity, label && el("span", { class: "soft" }, ` ${label}`)), el("td", {}, text.value), el("td", {}, limitText(reading.limit, reading.unit) || "\u2013"),
            el("td", {}, mark(reading.decision)));
        })))));
  }
}
