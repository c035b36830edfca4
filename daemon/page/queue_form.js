// The form that adds boards to the queue: serial numbers, a script of the library and its parameters.
import { el, say, swap } from "./make.js";
import { get, post } from "./service.js";

// "H30-001, H30-002 H30-010..H30-012": serial numbers, with ranges of their last number.
export function serialsOf(text) {
  const out = [];
  for (const word of text.split(/[\s,;]+/).filter(Boolean)) {
    const range = /^(.*?)(\d+)\.\.(.*?)(\d+)$/.exec(word);
    if (!range || (range[3] !== "" && range[3] !== range[1])) {
      out.push(word);
      continue;
    }
    const [, stem, from, , to] = range;
    for (let n = Number(from); n <= Number(to) && out.length < 1000; ++n) out.push(stem + String(n).padStart(from.length, "0"));
  }
  return [...new Set(out)];
}

// A time of this screen's clock from <input type="datetime-local"> as the service wants it.
function instant(input) {
  const when = new Date(input.value);
  return input.value && !Number.isNaN(when.getTime()) ? when.toISOString() : undefined;
}

export class QueueForm {
  constructor(added) {
    this.added = added;
    this.library = null;
    this.boards = el("input", { id: "add-boards", type: "text", required: true, autocomplete: "off", spellcheck: "false", "aria-describedby": "add-hint" });
    this.script = el("select", { id: "add-script", on: { change: () => this.parameters() } });
    this.fields = el("div", { class: "parameters" });
    this.person = el("input", { id: "add-operator", type: "text", maxlength: "100", autocomplete: "name" });
    this.notBefore = el("input", { id: "add-not-before", type: "datetime-local" });
    this.until = el("input", { id: "add-until", type: "datetime-local" });
    this.held = el("input", { id: "add-held", type: "checkbox" });
    this.inPlace = el("input", { id: "add-in-place", type: "checkbox" });
    this.said = el("p", { role: "status" });
    const field = (input, text, hint) => el("p", {}, el("label", { for: input.id }, text), input, hint && el("span", { class: "soft small", id: "add-hint" }, hint));
    const tick = (input, text) => el("p", { class: "tick" }, input, el("label", { for: input.id }, text));
    this.node = el("form", { class: "add-form", on: { submit: (e) => this.submit(e) } },
      field(this.boards, "Serial numbers", "Several with blanks between them; H30-001..H30-020 is a range."),
      field(this.script, "Script"), this.fields, field(this.person, "Operator"), field(this.notBefore, "Not before"), field(this.until, "Until"),
      tick(this.held, "Hold until I release it"), tick(this.inPlace, "The board is on the bench already"),
      el("button", { type: "submit", class: "first" }, "Add"), this.said);
  }

  async enter(script) {
    try {
      this.library ??= await get("/v1/library");
      const chosen = script || this.script.value || "response";
      swap(this.script, this.library.scripts.map((s) => el("option", { value: s.name, selected: s.name === chosen }, `${s.name}: ${s.title}`)));
      this.parameters();
    } catch (error) {
      say(this.said, `The library cannot be read: ${error.message}`);
    }
  }

  parameters() {
    const script = this.library?.scripts.find((s) => s.name === this.script.value);
    const list = Object.entries(script?.parameters ?? {});
    swap(this.fields, list.length > 0 && el("fieldset", {}, el("legend", {}, "Parameters"), list.map(([name, value], n) =>
      el("p", {}, el("label", { for: `add-p${n}` }, name.replaceAll("_", " ")), el("input", { id: `add-p${n}`, name, type: "text", value, "data-default": value })))));
  }

  async submit(event) {
    event.preventDefault();
    const boards = serialsOf(this.boards.value);
    const entry = { script: this.script.value, operator: this.person.value.trim(), held: this.held.checked, in_place: this.inPlace.checked, not_before: instant(this.notBefore), until: instant(this.until) };
    const parameters = {};
    for (const input of this.fields.querySelectorAll("input")) {
      if (input.value !== input.dataset.default) parameters[input.name] = input.value;
    }
    if (Object.keys(parameters).length) entry.parameters = parameters;
    let done = 0;
    try {
      for (const board of boards) {
        await post("/v1/queue", { board, ...entry });
        ++done;
      }
      say(this.said, `${done} added.`);
      this.boards.value = "";
    } catch (error) {
      say(this.said, `${done} added; ${boards[done]} is refused: ${error.message}`);
    }
    this.added();
  }
}
