// The response report as people meet it: on a screen, on a phone, by keyboard, on paper.
import assert from "node:assert/strict";
import { spawnSync } from "node:child_process";
import { readFileSync } from "node:fs";
import { after, before, describe, it } from "node:test";
import { fileURLToPath } from "node:url";
import * as h from "./harness.mjs";
import { measure, nightbench, program } from "./samples.mjs";

const boards = { "H30-001": "Pass", "H30-004": "Fail" };
let browser;
let samples;

before(async () => {
  samples = measure(Object.keys(boards));
  browser = await h.launch();
});
after(async () => {
  await browser?.close();
  samples?.remove();
});

async function seen(board, options, look) {
  const view = await browser.open(samples.report(board), options);
  try {
    await look(view.page, view);
    h.noOtherAddress(view);
  } finally {
    await view.close();
  }
}

for (const [board, word] of Object.entries(boards)) {
  describe(`report of ${board}`, () => {
    it("says on its first screen whether the board is good, what is wrong and what to do next", () =>
      seen(board, { width: 1280, height: 800 }, async (page) => {
        assert.equal(await page.locator(".banner .word").innerText(), word);
        const wanted = [".banner .word", ".banner .line", ".next li"];
        if (word !== "Pass") wanted.push(".why li");
        for (const each of wanted) assert.ok(await h.inFirstScreen(page, each), `${each} is in the first screen`);
      }));

    it("says so on a phone too", () =>
      seen(board, { width: 360, height: 740, touch: true }, async (page) => {
        for (const each of [".banner .word", ".banner .line"]) assert.ok(await h.inFirstScreen(page, each), each);
      }));

    // A phone in the dark and a large screen by day: each width and each scheme, with few of axe's slow rounds.
    for (const [width, scheme] of [[360, "dark"], [1920, "light"]]) {
      {
        it(`has no serious violation and fits at ${width} px, ${scheme}`, () =>
          seen(board, { width, height: 900, scheme }, async (page) => {
            await h.noSidewaysScroll(page);
            await h.noSeriousViolation(page);
          }));
      }
    }

    it("can be read and walked through by keyboard alone", () =>
      seen(board, { width: 360, height: 740 }, async (page) => {
        const stops = await h.tabThrough(page);
        assert.ok(stops.length > 5, `${stops.length} stops`);
        for (const stop of stops) {
          assert.ok(stop.ring, `${stop.what} shows that it has the focus`);
          assert.ok(stop.inView, `${stop.what} is scrolled into view`);
        }
      }));

    it("says values under the pointer and by the arrow keys", () =>
      seen(board, { width: 1280, height: 800 }, async (page) => {
        const figure = page.locator("#curves ~ .curves figure").first();
        const picture = figure.locator("svg");
        await picture.scrollIntoViewIfNeeded();
        const box = await picture.boundingBox();
        await page.mouse.move(box.x + box.width / 2, box.y + box.height / 2);
        const said = figure.locator(".readout");
        const value = /^RF 10\.\d+ MHz, .* LO, -40 dBm: \d+\.\d+ dB \(U = \d/;
        assert.match(await said.innerText(), value);
        assert.equal(await figure.locator(".nb-here").count(), 1);
        await page.mouse.move(1, 1);
        assert.equal(await said.innerText(), "");
        await figure.focus();
        await page.keyboard.press("Home");
        const first = await said.innerText();
        assert.match(first, value);
        await page.keyboard.press("ArrowRight");
        const second = await said.innerText();
        assert.match(second, value);
        assert.notEqual(second, first);
        await page.keyboard.press("ArrowLeft");
        assert.equal(await said.innerText(), first);
        await page.keyboard.press("Escape");
        assert.equal(await said.innerText(), "");
      }));

    it("shows everything without scripts", () =>
      seen(board, { scripts: false }, async (page) => {
        assert.ok((await page.locator("figure svg").count()) >= 4);
        assert.equal(await page.locator(".banner .word").innerText(), word);
        assert.equal(await page.locator(".hint:visible").count(), 0);
        assert.match(await page.locator("#curves ~ .curves svg title").first().innerHTML(), /MHz.*dB/);
      }));

    it("prints on A4 with page numbers and repeated table heads", () =>
      seen(board, {}, async (page) => {
        const paper = await h.printed(page);
        assert.ok(Math.abs(paper.width_pt - 595) < 2 && Math.abs(paper.height_pt - 842) < 2, paper.facts);
        assert.ok(paper.pages >= 3 && paper.pages <= 12, `${paper.pages} pages`);
        for (let n = 1; n <= paper.pages; ++n) {
          assert.match(paper.text(n), new RegExp(`\\b${n} / ${paper.pages}\\b`), `page ${n} has its number`);
          assert.match(paper.text(n), new RegExp(`Board ${board}`), `page ${n} names its board`);
          assert.doesNotMatch(paper.text(n), /file:\/\//, "no line of the browser's own");
        }
        assert.match(paper.text(1), new RegExp(word));
        assert.match(paper.text(1), /What to do next/);
        // The long table goes over several pages; each part of it has its heads.
        const parts = [];
        for (let n = 1; n <= paper.pages; ++n) {
          if (/IF (\d+ k?Hz )?|kHz (above|below) LO/.test(paper.text(n)) && /Point\s+Quantity/.test(paper.text(n))) parts.push(n);
        }
        const first = parts[0];
        const last = [...Array(paper.pages).keys()].map((n) => n + 1).filter((n) => /^Cautions/m.test(paper.text(n)) && n >= first)[0];
        assert.ok(last - first >= 1, `the table of readings goes over pages ${first} to ${last}`);
        for (let n = first; n < last; ++n) assert.ok(parts.includes(n), `page ${n} repeats the heads`);
      }));
  });
}

describe("nightbench report", () => {
  it("makes the same report again from the store, byte for byte", () => {
    const file = fileURLToPath(samples.report("H30-004"));
    const before = readFileSync(file);
    nightbench("report", "H30-004", "--store", samples.folder);
    assert.ok(before.equals(readFileSync(file)));
  });

  it("prints it with --pdf, without the browser's own head and foot", () => {
    const said = JSON.parse(nightbench("report", "H30-004", "--store", samples.folder, "--pdf", "--json"));
    const paper = h.pdf(readFileSync(said.pdf));
    assert.ok(Math.abs(paper.width_pt - 595) < 2 && Math.abs(paper.height_pt - 842) < 2, paper.facts);
    assert.match(paper.text(1), /Fail/);
    assert.match(paper.text(paper.pages), new RegExp(`\\b${paper.pages} / ${paper.pages}\\b`));
    assert.doesNotMatch(paper.all, /file:\/\//);
  });

  it("says what to do where there is no Chromium", () => {
    const env = { ...process.env, PATH: "/nowhere", NIGHTBENCH_CHROMIUM: "" };
    const done = spawnSync(program, ["report", "H30-004", "--store", samples.folder, "--pdf"], { env, encoding: "utf8" });
    assert.equal(done.status, 2);
    assert.match(done.stderr, /needs Chromium.*apt-get install chromium.*NIGHTBENCH_CHROMIUM/);
  });
});
