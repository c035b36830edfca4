// What the tests of pages share: a headless Chromium, pages that may not reach the network, axe-core,
// printing to PDF and reading it back. One browser a test file:
//
//   const browser = await launch();
//   const view = await browser.open("file:///.../x.html", { width: 360, scheme: "dark" });
//   await view.page.click("...");  view.asked   // every address that was asked for
//   await noSeriousViolation(view.page);
//   await browser.close();
//
// `allow` of open() is the origin a page may talk to ("http://127.0.0.1:1234"); a page from a file may
// talk to nobody. Anything else is refused and fails noOtherAddress().
import assert from "node:assert/strict";
import { execFileSync } from "node:child_process";
import { existsSync, mkdtempSync, readFileSync, rmSync } from "node:fs";
import { createRequire } from "node:module";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { chromium } from "playwright-core";

const axeSource = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");

// Debian's, or the one NIGHTBENCH_CHROMIUM names.
export function chromiumPath() {
  const named = process.env.NIGHTBENCH_CHROMIUM;
  const found = [named, "/usr/bin/chromium", "/usr/bin/chromium-browser"].find((p) => p && existsSync(p));
  assert.ok(found, "no Chromium here: apt-get install chromium");
  return found;
}

export async function launch() {
  const args = ["--disable-dev-shm-usage", "--disable-gpu", "--font-render-hinting=none"];
  if (process.getuid?.() === 0) args.push("--no-sandbox"); // Chromium refuses root with its sandbox
  const inner = await chromium.launch({ executablePath: chromiumPath(), args });
  return {
    inner,
    close: () => inner.close(),
    open: (address, options) => open(inner, address, options),
  };
}

async function open(inner, address, options = {}) {
  const { width = 1280, height = 800, scheme = "light", scripts = true, touch = false, allow } = options;
  const context = await inner.newContext({
    viewport: { width, height },
    colorScheme: scheme,
    javaScriptEnabled: scripts,
    hasTouch: touch,
    reducedMotion: "reduce",
    locale: "en-GB",
    timezoneId: "UTC",
  });
  const asked = [];
  const refused = [];
  const complaints = [];
  await context.route("**/*", (route) => {
    const url = route.request().url();
    asked.push(url);
    const good = url === address.split("#")[0] || url.startsWith("data:") || (allow && url.startsWith(allow + "/"));
    if (good) return route.continue();
    refused.push(url);
    return route.abort();
  });
  const page = await context.newPage();
  page.on("pageerror", (error) => complaints.push(String(error)));
  page.on("console", (line) => {
    if (line.type() === "error" || line.type() === "warning") complaints.push(line.text());
  });
  await page.goto(address);
  return { page, context, asked, refused, complaints, close: () => context.close() };
}

// No address but the page's own was asked for, and the page complained of nothing.
export function noOtherAddress(view) {
  assert.deepEqual(view.refused, [], "addresses that a page must not ask for");
  assert.deepEqual(view.complaints, [], "errors and warnings of the page");
}

// axe-core's rules of WCAG 2.0 to 2.2, levels A and AA: nothing serious or critical.
export async function noSeriousViolation(page) {
  await page.evaluate(axeSource); // through the debugging protocol, which the page's CSP does not bind
  const tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"];
  const found = await page.evaluate(
    (values) => globalThis.axe.run(document, { runOnly: { type: "tag", values } }),
    tags,
  );
  assert.ok(found.passes.length > 10, "axe-core looked at the page");
  const serious = found.violations
    .filter((each) => ["serious", "critical"].includes(each.impact))
    .map((each) => `${each.id}: ${each.nodes.slice(0, 3).map((n) => n.html + " " + n.failureSummary).join(" | ")}`);
  assert.deepEqual(serious, []);
}

// The page is no wider than its window and cuts nothing off: only marked regions scroll sideways.
export async function noSidewaysScroll(page) {
  const { content, window, cut } = await page.evaluate(() => ({
    content: document.scrollingElement.scrollWidth,
    window: document.scrollingElement.clientWidth,
    cut: [...document.body.querySelectorAll("*")]
      .filter((e) => e.scrollWidth > e.clientWidth + 1 && /hidden|clip/.test(getComputedStyle(e).overflowX))
      .map((e) => `${e.tagName} ${e.className} ${e.textContent.trim().slice(0, 60)}`),
  }));
  assert.ok(content <= window, `the page is ${content} px wide in a window of ${window} px`);
  assert.deepEqual(cut, [], "what is cut off at the side");
}

// Whether the whole element is inside the window as it stands.
export async function inFirstScreen(page, selector) {
  const box = await page.locator(selector).first().boundingBox();
  assert.ok(box, `${selector} is there and visible`);
  const { width, height } = page.viewportSize();
  return box.x >= 0 && box.y >= 0 && box.x + box.width <= width && box.y + box.height <= height;
}

// Presses Tab until the focus leaves the page; what was focused, and whether a focus ring showed.
export async function tabThrough(page, most = 400) {
  const stops = [];
  for (let i = 0; i < most; ++i) {
    await page.keyboard.press("Tab");
    const stop = await page.evaluate(() => {
      const e = document.activeElement;
      if (!e || e === document.body || e === document.documentElement) return null;
      const style = getComputedStyle(e);
      const box = e.getBoundingClientRect();
      return {
        what: `${e.tagName.toLowerCase()}${e.id ? "#" + e.id : ""} ${e.getAttribute("aria-label") ?? e.textContent.trim().slice(0, 40)}`,
        ring: style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 1,
        inView: box.bottom > 0 && box.top < innerHeight,
      };
    });
    if (!stop) return stops;
    stops.push(stop);
  }
  assert.fail(`the focus goes in circles: ${most} stops`);
}

// The page as Chromium prints it; `text(n)` is page n (from 1) laid out, `pages` their number.
export async function printed(page) {
  return pdf(await page.pdf({ preferCSSPageSize: true, printBackground: true, outline: true, tagged: true }));
}

// A PDF file taken apart with poppler's tools.
export function pdf(bytes) {
  const folder = mkdtempSync(join(tmpdir(), "nightbench-pdf-"));
  try {
    const file = join(folder, "x.pdf");
    return readPdf(file, bytes);
  } finally {
    rmSync(folder, { recursive: true });
  }
}

function readPdf(file, bytes) {
  execFileSync("tee", [file], { input: bytes, stdio: ["pipe", "ignore", "inherit"] });
  const facts = execFileSync("pdfinfo", [file], { encoding: "utf8" });
  const pages = Number(/^Pages:\s+(\d+)/m.exec(facts)[1]);
  const [, width, height] = /^Page size:\s+([\d.]+) x ([\d.]+) pts/m.exec(facts).map(Number);
  const texts = [];
  for (let n = 1; n <= pages; ++n) {
    texts.push(execFileSync("pdftotext", ["-layout", "-f", n, "-l", n, file, "-"].map(String), { encoding: "utf8" }));
  }
  return { pages, width_pt: width, height_pt: height, text: (n) => texts[n - 1], all: texts.join("\n"), facts };
}
