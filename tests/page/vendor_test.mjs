// The chart library in daemon/page/vendor is the npm package of the lock file, byte for byte.
import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { join } from "node:path";
import { it } from "node:test";
import { top } from "./samples.mjs";

const pairs = { "uPlot.iife.min.js": "dist/uPlot.iife.min.js", "uPlot.min.css": "dist/uPlot.min.css", LICENSE: "LICENSE" };

for (const [kept, packed] of Object.entries(pairs)) {
  it(`${kept} is the package's`, () => {
    const ours = readFileSync(join(top, "daemon/page/vendor/uplot", kept));
    assert.ok(ours.equals(readFileSync(join(top, "tests/page/node_modules/uplot", packed))));
  });
}

it("the note beside it names the version of the lock file", () => {
  const lock = JSON.parse(readFileSync(join(top, "tests/page/package-lock.json"), "utf8"));
  const { version } = lock.packages["node_modules/uplot"];
  assert.match(readFileSync(join(top, "daemon/page/vendor/uplot/README.md"), "utf8"), new RegExp(`uPlot ${version.replaceAll(".", "\\.")}\\b`));
});
