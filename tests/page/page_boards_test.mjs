// Boards, queue and bench on the page: a batch filtered, boards compared, entries added and moved.
import assert from "node:assert/strict";
import { after, before, describe, it } from "node:test";
import * as h from "./harness.mjs";
import { start } from "./service.mjs";

let browser;
let service;

before(async () => {
  [browser, service] = await Promise.all([h.launch(), start()]);
  let last;
  for (const board of ["H30-001", "H30-002", "H30-003", "H30-004", "H30-001"]) last = await service.add(board, { parameters: { points: 5 } });
  await service.over(last.id);
});
after(async () => {
  await browser?.close();
  await service?.stop();
});

async function seen(address, look, options = {}) {
  const view = await browser.open(service.page(address), { allow: service.origin, ...options });
  try {
    await look(view.page, view);
    h.noOtherAddress(view);
  } finally {
    await view.close();
  }
}

const boardsListed = (page) => page.locator(".boards .list tbody th").allInnerTexts();

describe("boards", () => {
  it("shows the bad ones first, is filtered and sorted, and the batch follows", () =>
    seen("boards", async (page) => {
      await page.locator(".boards .list").waitFor();
      assert.deepEqual(await boardsListed(page), ["H30-003", "H30-004", "H30-001", "H30-002"]);
      await page.getByText("Yield 50 %: 2 of 4 boards pass.").waitFor();
      await page.getByRole("button", { name: /Fail/ }).click();
      assert.deepEqual(await boardsListed(page), ["H30-003", "H30-004"]);
      await page.getByText("Yield 0 %: 0 of 2 boards pass.").waitFor();
      assert.equal(await page.getByRole("button", { name: /Fail/ }).getAttribute("aria-pressed"), "true");
      await page.getByRole("button", { name: /Fail/ }).click();
      await page.locator("#find").fill("001 004");
      assert.deepEqual(await boardsListed(page), ["H30-004", "H30-001"]);
      await page.getByText("2 of 4 boards").first().waitFor();
      await page.locator("#find").fill("");
      await page.getByRole("button", { name: /^Board/ }).click();
      assert.deepEqual(await boardsListed(page), ["H30-001", "H30-002", "H30-003", "H30-004"]);
      await page.getByRole("button", { name: /^Board/ }).click();
      assert.deepEqual((await boardsListed(page))[0], "H30-004");
      assert.match(await page.locator(".quantity", { hasText: "Image rejection" }).first().innerText(), /To look at: .*H30-004/);
    }));

  it("shows a board beside its baseline", () =>
    seen("board/H30-001", async (page) => {
      await page.getByRole("columnheader", { name: "Baseline" }).waitFor();
      await page.locator("figure.chart", { hasText: "baseline" }).first().waitFor();
      await page.getByLabel("Beside it").selectOption({ label: "nothing" });
      await page.getByRole("columnheader", { name: "Baseline" }).waitFor({ state: "detached" });
      const { runs } = await service.get("/v1/runs?board=H30-001");
      assert.equal(runs.length, 2);
    }));

  it("links to files that are there", () =>
    seen("boards", async (page) => {
      await page.locator(".boards .list").waitFor();
      const links = await page.locator(".boards .list tbody tr:first-child a[target]").evaluateAll((all) => all.map((a) => a.href));
      assert.equal(links.length, 4);
      for (const link of links) assert.ok((await fetch(link)).ok, link);
    }));
});

describe("queue", () => {
  it("adds, holds, orders and cancels", () =>
    seen("queue", async (page) => {
      await page.getByText("Nothing waits.").waitFor();
      await page.getByText("Add boards").click();
      await page.getByLabel("Serial numbers").fill("H30-001..H30-003");
      await page.locator("#add-script").selectOption("response");
      await page.getByLabel("points").fill("4");
      await page.getByLabel("Hold until I release it").check();
      await page.getByRole("button", { name: "Add", exact: true }).click();
      await page.getByText("3 added.").waitFor();
      const names = () => page.locator(".entry .big").allInnerTexts();
      await page.waitForFunction(() => document.querySelectorAll(".entry").length === 3);
      const later = page.getByRole("button", { name: "Later: H30-001" });
      await later.focus();
      await page.keyboard.press("Enter");
      await page.waitForFunction(() => document.querySelector(".entry .big").textContent.startsWith("H30-002"));
      assert.equal(await page.evaluate(() => document.activeElement.getAttribute("aria-label")), "Later: H30-001", "the focus stays on the button");
      await page.getByRole("button", { name: "Cancel: H30-003" }).click();
      await page.waitForFunction(() => document.querySelectorAll(".entry").length === 2);
      assert.deepEqual((await names()).map((n) => n.split(/\s/)[0]), ["H30-002", "H30-001"]);
      await page.getByRole("button", { name: "Release: H30-002" }).click();
      await page.waitForFunction(() => document.querySelectorAll(".entry").length === 1);
      await page.getByRole("button", { name: "Cancel: H30-001" }).click();
      await page.getByText("Nothing waits.").waitFor();
    }));

  it("says why an entry is refused", () =>
    seen("queue", async (page) => {
      await page.getByText("Add boards").click();
      await page.locator("#add-script option[value=response]").waitFor({ state: "attached" });
      await page.getByLabel("Serial numbers").fill("H30-001");
      await page.getByLabel("level").fill("loud");
      await page.getByRole("button", { name: "Add", exact: true }).click();
      await page.getByText(/0 added; H30-001 is refused: expected a quantity in dBm/).waitFor();
    }).catch((error) => {
      // The refusal is a status 400, of which the browser tells in its console.
      if (!/status of 400/.test(error.message)) throw error;
    }));
});

describe("bench", () => {
  it("lists instruments, wiring, limits and match", () =>
    seen("bench", async (page) => {
      await page.getByRole("heading", { name: "Instruments" }).waitFor();
      const text = await page.locator(".bench").innerText();
      for (const each of ["generator", "rf source", "scope/1", "RF level at most", "gain match", "Open and well"]) assert.ok(text.includes(each), each);
    }));

  it("keeps light or dark as this screen was told", () =>
    seen("bench", async (page) => {
      await page.getByLabel("Light or dark").selectOption("dark");
      const dark = await page.evaluate(() => getComputedStyle(document.body).backgroundColor);
      await page.reload();
      await page.getByLabel("Light or dark").waitFor();
      assert.equal(await page.evaluate(() => getComputedStyle(document.body).backgroundColor), dark);
      assert.equal(dark, "rgb(23, 28, 31)");
    }));
});
