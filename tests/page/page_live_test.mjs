// A run seen live on the bench page, from its first point to its last and its verdict.
import assert from "node:assert/strict";
import { after, before, describe, it } from "node:test";
import * as h from "./harness.mjs";
import { start } from "./service.mjs";

let browser;
let service;

before(async () => {
  [browser, service] = await Promise.all([h.launch(), start()]);
});
after(async () => {
  await browser?.close();
  await service?.stop();
});

// How many readings the page's charts hold, from their accessible names.
function pointsShown(page) {
  return page.evaluate(() => [...document.querySelectorAll(".now .charts figure[aria-label]")].map((f) => Number(/, (\d+) points/.exec(f.getAttribute("aria-label"))?.[1])));
}

describe("a run seen live", () => {
  it("grows point by point, ends with its verdict and leads to the report", async () => {
    const view = await browser.open(service.page("now"), { allow: service.origin });
    const { page } = view;
    await page.getByText("The bench is free").waitFor();
    // Every number of points that was ever shown, noted in the page as it changes.
    await page.evaluate(() => {
      globalThis.seen = new Set();
      new MutationObserver(() => {
        const text = /(\d+) of \d+ points/.exec(document.querySelector(".state")?.textContent ?? "");
        if (text) globalThis.seen.add(Number(text[1]));
      }).observe(document.body, { subtree: true, childList: true, characterData: true });
    });
    const entry = await service.add("H30-004", { parameters: { points: 60 } });
    await page.getByRole("heading", { level: 1, name: "H30-004" }).waitFor();
    const over = await service.over(entry.id);
    assert.equal(over.verdict, "fail");
    await page.locator(".state .verdict", { hasText: "Fail" }).waitFor();
    const { points } = await service.get(`/v1/runs/${over.run}`);
    await page.getByText(`${points} of ${points} points`).waitFor();
    const seen = await page.evaluate(() => [...globalThis.seen]);
    assert.ok(seen.length >= 4 && Math.min(...seen) < points / 2, `it was seen to grow: ${seen}`);
    await page.waitForFunction(() => [...document.querySelectorAll(".now .charts figure[aria-label]")].some((f) => f.getAttribute("aria-label").includes(", 120 points")));
    assert.ok((await pointsShown(page)).length >= 4, "the judged quantities have charts");
    assert.match(await page.locator(".state").innerText(), /\d+ readings outside their limits/);
    const report = await page.getByRole("link", { name: "Report" }).getAttribute("href");
    assert.ok((await fetch(service.origin + report)).ok);
    h.noOtherAddress(view);
    await view.close();
  });

  it("shows to one who comes in the middle what was measured before", async () => {
    const entry = await service.add("H30-001", { parameters: { points: 100 } });
    const watcher = await browser.open(service.page("now"), { allow: service.origin });
    await watcher.page.getByRole("heading", { level: 1, name: "H30-001" }).waitFor();
    await watcher.page.waitForFunction(() => Number(/(\d+) of/.exec(document.querySelector(".state").textContent)?.[1]) > 20);
    const late = await browser.open(service.page("now"), { allow: service.origin });
    await service.over(entry.id);
    for (const view of [watcher, late]) {
      await view.page.locator(".state .verdict", { hasText: "Pass" }).waitFor();
      await view.page.waitForFunction(() => [...document.querySelectorAll(".now .charts figure[aria-label]")].some((f) => f.getAttribute("aria-label").includes(", 200 points")));
      h.noOtherAddress(view);
      await view.close();
    }
  });

  it("says values by the arrow keys", async () => {
    const view = await browser.open(service.page("board/H30-001"), { allow: service.origin });
    const figure = view.page.locator("figure.chart", { hasText: "Image rejection" }).first();
    await figure.focus();
    await view.page.keyboard.press("Home");
    const said = figure.locator(".readout");
    assert.match(await said.innerText(), /^RF 10\.1\sMHz: .*dB \(U\s=\s.*dB\).*; limit at least 38\sdB$/);
    const first = await said.innerText();
    await view.page.keyboard.press("ArrowRight");
    assert.notEqual(await said.innerText(), first);
    await view.page.keyboard.press("Escape");
    assert.equal(await said.innerText(), "");
    await view.close();
  });

  it("stops a run that is asked to end", async () => {
    const view = await browser.open(service.page("now"), { allow: service.origin });
    const entry = await service.add("H30-002", { parameters: { points: 600 } });
    await view.page.getByRole("button", { name: "Stop this run" }).click();
    assert.equal((await service.over(entry.id)).state, "cancelled");
    await view.page.locator(".state .verdict").waitFor();
    await view.close();
  });
});
