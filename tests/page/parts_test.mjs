// The page's pure parts: numbers as text, curves of a run, spread of a batch, places on the board.
import assert from "node:assert/strict";
import { describe, it } from "node:test";
import { Curves } from "../../daemon/page/curves.js";
import { pinPlaces, placeOf } from "../../daemon/page/locator.js";
import * as numbers from "../../daemon/page/numbers.js";
import { serialsOf } from "../../daemon/page/queue_form.js";
import { byQuantity, bySerial, median, spread } from "../../daemon/page/stats.js";
import { matching } from "../../daemon/page/view_boards.js";
import { calibration } from "../../daemon/page/view_bench.js";
import { expectedOf } from "../../daemon/page/view_bring_up.js";

describe("numbers", () => {
  it("shows U with two significant digits and the value to the same place (GUM 7.2.6)", () => {
    assert.equal(numbers.valueText(-0.31234, "dB", 0.0214), "\u22120.312\u00a0dB");
    assert.equal(numbers.valueText(0.0214, "dB", 0.0214), "0.021\u00a0dB");
    assert.equal(numbers.valueText(4.98123, "V", 0.0031), "4.9812\u00a0V");
  });
  it("takes prefixes where the unit does", () => {
    assert.equal(numbers.plainText(10125000, "Hz"), "10.125\u00a0MHz");
    assert.equal(numbers.plainText(0.08, "A"), "80\u00a0mA");
    assert.equal(numbers.plainText(-2, "deg"), "\u22122°");
    assert.equal(numbers.plainText(0, "V"), "0\u00a0V");
  });
  it("never says 0 for what is missing", () => {
    assert.equal(numbers.readingText({ unit: "dB", reason: "clipped" }).value, "no reading");
    assert.equal(numbers.readingText({ unit: "dB", value: 70, expanded_u: 1, low: 61.2, open_above: true }).value, "better than 61.2\u00a0dB");
  });
  it("says limits and times", () => {
    assert.equal(numbers.limitText({ lower: 38 }, "dB"), "at least 38\u00a0dB");
    assert.equal(numbers.limitText({ lower: -0.5, upper: 0.5 }, "dB"), "\u22120.5\u00a0dB to 0.5\u00a0dB");
    assert.equal(numbers.durationText(7500), "2\u00a0h 05\u00a0min");
    assert.equal(numbers.durationText(NaN), "");
    assert.equal(numbers.seriesText({ offset_hz: -5000, level_dbm: -40 }), "5\u00a0kHz below LO, \u221240\u00a0dBm");
  });
});

function point(ordinal, rf_hz, offset_hz, value) {
  return { ordinal, label: "response", at: { rf_hz, offset_hz, lo_hz: rf_hz - offset_hz, level_dbm: -40 }, readings: [{ quantity: "gain_balance", unit: "dB", value, limit: { lower: -0.5, upper: 0.5 }, decision: "pass" }] };
}

describe("curves", () => {
  it("makes one curve for each setting beside the axis, named by what differs", () => {
    const curves = new Curves();
    for (let n = 0; n < 6; ++n) curves.add(point(n, 10.1e6 + (n % 3) * 1e4, n < 3 ? 5000 : -5000, n / 10));
    const [chart] = curves.charts();
    assert.equal(chart.axis, "rf_hz");
    assert.deepEqual(chart.series.map((s) => s.at), [{ offset_hz: 5000 }, { offset_hz: -5000 }]);
    assert.equal(chart.series[1].points.get(10.12e6).value, 0.5);
    assert.deepEqual(chart.limits.get(10.1e6), [-0.5, 0.5]);
  });
  it("keeps its memory however many points come", () => {
    const curves = new Curves();
    for (let n = 0; n < 100_000; ++n) curves.add(point(n, 10e6 + n, 5000, 0));
    assert.ok(curves.points.length <= 4000 && curves.points.length > 1500, `${curves.points.length} points`);
  });
  it("leaves out points that stand nowhere and keeps a gap a gap", () => {
    const curves = new Curves();
    curves.add({ ordinal: 0, label: "supplies", readings: [] });
    curves.add(point(1, 10.1e6, 5000, undefined));
    assert.equal(curves.charts()[0].series[0].points.get(10.1e6).value, null);
    assert.equal(curves.points.length, 1);
  });
});

describe("a batch", () => {
  it("finds the outlier of a published example", () => {
    // Tietjen and Moore, Technometrics 14 (1972), as in NIST/SEMATECH e-Handbook 1.3.5.17.1 (from memory): readings
    // of a uranium isotope, of which 245.57 is the outlier.
    const { outliers } = spread([199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]);
    assert.deepEqual(outliers, [7]);
  });
  it("names nobody where all are alike or few", () => {
    assert.deepEqual(spread([1, 1, 1, 1, 1, 2]).outliers, []);
    assert.deepEqual(spread([1, 2, 90]).outliers, []);
    assert.equal(median([3, 1, 2, 10]), 2.5);
  });
  it("is ordered as people count", () => {
    assert.deepEqual(["H30-10", "H30-9", "H30-100"].sort(bySerial), ["H30-9", "H30-10", "H30-100"]);
  });
  it("puts judged quantities first and leaves questions out", () => {
    const f = (quantity, more) => ({ label: "a", quantity, title: quantity, unit: "dB", value: 1, decision: "not judged", ...more });
    const groups = byQuantity([{ board: "B", run: "r", figures: [f("free"), f("judged", { lower: 0 }), f("seen", { unit: "yes/no", lower: 1 })] }]);
    assert.deepEqual(groups.map((g) => g.quantity), ["judged", "free"]);
  });
  it("is filtered by any of several serial numbers and by verdicts", () => {
    const boards = [{ board: "H30-001", verdict: "pass", script: "r" }, { board: "H30-002", verdict: "fail", script: "r" }, { board: "H30-011", verdict: "pass", script: "s" }];
    const found = (filter) => matching(boards, { text: "", verdicts: new Set(), script: "", ...filter }).map((b) => b.board);
    assert.deepEqual(found({ text: "001, 002" }), ["H30-001", "H30-002"]);
    assert.deepEqual(found({ verdicts: new Set(["fail"]) }), ["H30-002"]);
    assert.deepEqual(found({ script: "s" }), ["H30-011"]);
  });
});

describe("the locator", () => {
  it("counts pins anticlockwise from the upper left", () => {
    const places = pinPlaces(8);
    const [first, fourth, fifth, eighth] = [0, 3, 4, 7].map((n) => places[n]);
    assert.ok(first.x < 0 && first.y > fourth.y);
    assert.ok(fifth.x > 0 && fifth.y === fourth.y && eighth.y === first.y);
  });
  it("turns a part anticlockwise", () => {
    const part = { pins: 8, rotation_deg: 90, place_mm: [20, 10] };
    const type = { parts: { U3: part }, test_points: { a: { part: "U3", pin: 1 } } };
    const [x, y] = placeOf(type, "a");
    assert.ok(x < 20 && y < 10, "pin 1 of a part turned by 90 degrees is at the lower left");
  });
  it("has no place for what the board type does not place", () => {
    assert.equal(placeOf({ parts: {}, test_points: {} }, "x", "U9", 1), null);
  });
});

describe("small things", () => {
  it("reads ranges of serial numbers", () => {
    assert.deepEqual(serialsOf("H30-008..H30-011, A1 A1"), ["H30-008", "H30-009", "H30-010", "H30-011", "A1"]);
    assert.deepEqual(serialsOf("H30-08..10"), ["H30-08", "H30-09", "H30-10"]);
    assert.deepEqual(serialsOf("A1..B3"), ["A1..B3"]);
  });
  it("tells how old a calibration is and when it was due", () => {
    assert.deepEqual(calibration({ calibrated: "2026-01-01", calibration_due: "2027-01-01" }, "2026-01-11"), ["pass", "2026-01-01, 10 days ago; due 2027-01-01"]);
    assert.equal(calibration({ calibration_due: "2026-01-20" }, "2026-01-11")[0], "warning");
    assert.equal(calibration({ calibration_due: "2026-01-10" }, "2026-01-11")[0], "trouble");
    assert.equal(calibration({}, "2026-01-11")[1], "not stated");
  });
  it("knows what a measurement should show", () => {
    const type = { limits: { r: { unit: "ohm", upper: [[null, 2]] }, "p.phase": { unit: "deg", lower: [[null, -100]], upper: [[null, -80]] }, v: { unit: "V", lower: [[null, 2]] } } };
    assert.deepEqual(expectedOf(type, "r", ""), ["at most 2\u00a0Ω"]);
    assert.deepEqual(expectedOf(type, "p", ""), ["phase \u2212100° to \u221280°"]);
    assert.deepEqual(expectedOf(type, "DC", "v"), ["at least 2\u00a0V"]);
  });
});
