// Bench: the instruments, how each is reached, whether they are well, and what their accuracy rests on.
import { el, swap } from "./make.js";
import { get } from "./service.js";
import { dayText, plainText, timeText } from "./numbers.js";
import { mark } from "./words.js";

// A calibration as a mark: due dates are ISO days, which compare as text.
export function calibration(instrument, today) {
  const { calibrated, calibration_due: due } = instrument;
  if (!calibrated && !due) return ["none", "not stated"];
  const age = calibrated ? Math.floor((new Date(today) - new Date(calibrated)) / 86400e3) : null;
  const of = age !== null && Number.isFinite(age) ? `${calibrated}, ${age} days ago` : (calibrated ?? "");
  if (!due) return ["info", of];
  if (due < today) return ["trouble", `was due ${due}`];
  const left = Math.floor((new Date(due) - new Date(today)) / 86400e3);
  return [left < 30 ? "warning" : "pass", `${of ? of + "; " : ""}due ${due}`];
}

export class BenchView {
  constructor(model, schemes) {
    this.model = model;
    this.schemes = schemes;
    this.health = el("section", { "aria-label": "Health" });
    this.body = el("div", {});
    this.node = el("div", { class: "view bench" }, el("h1", {}, "Bench"), this.health, this.body,
      el("h2", {}, "This screen"), this.schemeChoice());
  }

  enter() {
    this.at = "";
    this.changed();
  }
  changed() {
    const { model } = this;
    if (!model.started) return;
    const key = `${model.phase}/${model.trouble}/${model.storeVersion}`;
    if (key === this.at) return;
    this.at = key;
    this.load();
  }

  async load() {
    try {
      const bench = await get("/v1/bench");
      this.state(bench);
      swap(this.body, this.instruments(bench), el("div", { class: "two" }, this.wiring(bench), this.accuracy(bench)));
    } catch (error) {
      swap(this.health, el("p", { role: "alert" }, `The bench cannot be shown: ${error.message}`));
    }
  }

  state(bench) {
    const { model } = this;
    const link = (href, text) => el("a", { href, target: "_blank", rel: "noopener" }, text);
    swap(this.health,
      el("p", { class: "big" }, bench.trouble ? mark("trouble", "cannot be opened") : mark(bench.open ? "pass" : "info", bench.open ? "Open and well" : "Closed until it is needed"), ` ${bench.bench}`),
      bench.trouble && el("p", {}, bench.trouble),
      el("dl", { class: "facts" }, [["Kind", bench.kind], ["Phase", model.phase], ["Trouble since the start", String(bench.failures)], ["Service since", timeText(model.started)], ["Program", model.version]]
        .map(([k, v]) => el("div", {}, el("dt", {}, k), el("dd", {}, v)))),
      el("p", {}, link("/healthz", "health"), " \u00b7 ", link("/metrics", "metrics")));
  }

  instruments(bench) {
    const today = dayText(new Date());
    return el("section", { "aria-label": "Instruments" }, el("h2", {}, "Instruments"),
      el("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": "Instruments" }, el("table", { class: "list" },
        el("thead", {}, el("tr", {}, ["Name", "Role", "Answers as", "Link", "Calibrated"].map((t) => el("th", { scope: "col" }, t)))),
        el("tbody", {}, bench.instruments.map((i) => {
          const [word, text] = calibration(i, today);
          return el("tr", {}, el("th", { scope: "row" }, i.name), el("td", {}, i.role.replace("_", " ")), el("td", {}, i.identity ?? el("span", { class: "soft" }, "not asked yet")),
            el("td", {}, el("code", {}, i.resource ?? bench.kind)), el("td", {}, mark(word, text)));
        })))));
  }

  wiring(bench) {
    return el("section", { "aria-label": "Wiring" }, el("h2", {}, "Wiring"), el("table", { class: "list" },
      el("thead", {}, el("tr", {}, el("th", { scope: "col" }, "Port"), el("th", { scope: "col" }, "Is on"))),
      el("tbody", {}, bench.connections.map((c) => el("tr", {}, el("th", { scope: "row" }, c.port), el("td", {}, c.by_hand ? "a probe moved by hand" : c.at, c.via ? el("span", { class: "soft" }, ` through ${c.via}`) : null))))));
  }

  accuracy(bench) {
    const match = bench.scope_match;
    const of = match.calibrated ? `calibrated ${match.calibrated}` : "as the bench file states; no date";
    const rows = [["RF level at most", plainText(bench.safe.rf_level_most_dbm, "dBm")], ["Supply at most", `${plainText(bench.safe.supply_voltage_most_v, "V")}, ${plainText(bench.safe.supply_current_most_a, "A")}`],
      ["Scope channels' gain match", `${plainText(Number((match.gain * 100).toPrecision(4)), "%")} (${of})`], ["Scope channels' skew", `${plainText(match.skew_s, "s")} (${of})`]];
    return el("section", { "aria-label": "Safe limits and match" }, el("h2", {}, "Safe limits and match"), el("table", { class: "list" },
      el("tbody", {}, rows.map(([k, v]) => el("tr", {}, el("th", { scope: "row" }, k), el("td", {}, v))))));
  }

  schemeChoice() {
    const select = el("select", { id: "scheme", on: { change: () => this.schemes.set(select.value) } },
      [["", "as the system has it"], ["light", "light"], ["dark", "dark"]].map(([value, text]) => el("option", { value, selected: value === this.schemes.get() }, text)));
    return el("div", { class: "filter" }, el("p", {}, el("label", { for: "scheme" }, "Light or dark"), select));
  }
}

