// The response report as people meet it: on a screen, on a phone, by keyboard, on paper.
import assert from "node:assert/strict";
import { after, before, describe, it } from "node:test";
import * as h from "./harness.mjs";
import { measure } from "./samples.mjs";

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

    for (const width of [360, 1920]) {
      for (const scheme of ["light", "dark"]) {
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

    it("shows everything without scripts", () =>
      seen(board, { scripts: false }, async (page) => {
        assert.ok((await page.locator("figure svg").count()) >= 4);
        assert.equal(await page.locator(".banner .word").innerText(), word);
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
        const last = [...Array(paper.pages).keys()].map((n) => n + 1).filter((n) => /Events/.test(paper.text(n)) && n >= first)[0];
        assert.ok(last - first >= 1, `the table of readings goes over pages ${first} to ${last}`);
        for (let n = first; n < last; ++n) assert.ok(parts.includes(n), `page ${n} repeats the heads`);
      }));
  });
}
