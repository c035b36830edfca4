// A bring-up answered on the page, by mouse and by keyboard.
import assert from "node:assert/strict";
import { after, before, describe, it } from "node:test";
import * as h from "./harness.mjs";
import { start } from "./service.mjs";

let browser;
let service;

before(async () => {
  [browser, service] = await Promise.all([h.launch(), start({ bench: "docs/examples/bench-bring-up.json", answers: "person" })]);
});
after(async () => {
  await browser?.close();
  await service?.stop();
});

// Answers what is asked with the first answer until the entry is over; every title that was asked.
async function answerAll(page, id, press) {
  const titles = [];
  for (let n = 0; n < 200; ++n) {
    const asked = page.locator(".question .answers");
    const over = service.over(id).then(() => "over");
    if ((await Promise.race([asked.waitFor().then(() => "asked"), over])) === "over") return titles;
    const title = await page.locator(".question h1").innerText();
    titles.push(title);
    const { question } = await service.get("/v1/question");
    await press(page, question);
    const gone = async () => {
      while ((await service.get("/v1/question")).question?.id === question.id) await page.waitForTimeout(5);
      await page.waitForFunction((was) => document.querySelector(".question").dataset.id !== was, String(question.id));
    };
    await gone();
  }
  assert.fail("two hundred questions and no end");
}

describe("bring-up on the page", () => {
  it("asks one thing at a time, shows where and what is expected, and ends good", async () => {
    const view = await browser.open(service.page("bring-up"), { allow: service.origin });
    const entry = await service.add("H30-001", { script: "bring-up" });
    const parts = new Set(["U1", "U2", "U3"]); // that the board type draws
    let drawn = 0;
    let expected = 0;
    const titles = await answerAll(view.page, entry.id, async (page, question) => {
      if (question.test_point || question.part) {
        await page.locator(".locator").first().waitFor(); // the board type may come after the question
        if (question.pin && parts.has(question.part)) assert.equal(await page.locator(".locator.part .number.here").textContent(), String(question.pin));
        ++drawn;
      }
      if (await page.locator(".expected").count()) ++expected;
      await page.locator(".answer.first").click();
    });
    assert.ok(titles.length > 20, `${titles.length} questions`);
    assert.ok(drawn > 15 && expected > 10, `${drawn} drawings, ${expected} expectations`);
    assert.equal((await service.over(entry.id)).verdict, "pass");
    assert.match(await view.page.locator(".checks").innerText(), /Pass/);
    h.noOtherAddress(view);
    await view.close();
  });

  it("is answered by keyboard alone, with the focus on the next question", async () => {
    const view = await browser.open(service.page("bring-up"), { allow: service.origin });
    const entry = await service.add("H30-002", { script: "bring-up" });
    let count = 0;
    await answerAll(view.page, entry.id, async (page, question) => {
      if (++count === 1) await page.locator(".question h1").focus();
      await page.waitForFunction(() => document.activeElement?.closest(".question"));
      await page.keyboard.press("Tab");
      assert.equal(await page.evaluate(() => document.activeElement.textContent.toLowerCase()), question.answers[0]);
      // Ten answers say it; then the last of them, which ends the run.
      if (count === 10) for (let n = 1; n < question.answers.length; ++n) await page.keyboard.press("Tab");
      await page.keyboard.press("Enter");
    });
    assert.equal(count, 10);
    assert.equal((await service.over(entry.id)).state, "interrupted");
    await view.close();
  });

  it("tells another view that a question waits, and takes the answer stop", async () => {
    const view = await browser.open(service.page("boards"), { allow: service.origin });
    const { page } = view;
    const entry = await service.add("H30-001", { script: "bring-up" });
    await page.getByRole("link", { name: /A question waits: Orientation of U1/ }).click();
    await page.locator(".question h1", { hasText: "Orientation of U1" }).waitFor();
    await page.getByLabel("Remark for the record (optional)").fill("the notch is not visible");
    await page.getByRole("button", { name: "Stop, all off" }).click();
    assert.equal((await service.over(entry.id)).state, "interrupted");
    await page.getByText("No question is open").waitFor();
    await view.close();
  });
});
