// Reports of the demo's boards, made by the program under test ($NIGHTBENCH, the executable) into a folder
// that is removed again.
import { execFileSync, spawnSync } from "node:child_process";
import { mkdtempSync, readdirSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { dirname, join } from "node:path";
import { fileURLToPath, pathToFileURL } from "node:url";

export const top = dirname(dirname(dirname(fileURLToPath(import.meta.url))));
export const program = process.env.NIGHTBENCH ?? join(top, "build/release/nightbench");

export function nightbench(...args) {
  return execFileSync(program, args, { encoding: "utf8", cwd: top });
}

// H30-001 and H30-002 are good, H30-003 and H30-004 are bad on purpose (mock_instruments/benches/heron-30.json).
export function measure(boards, points = 9) {
  const folder = mkdtempSync(join(tmpdir(), "nightbench-page-"));
  const args = ["run", "response", "--bench", "docs/examples/bench-simulated.json", "--operator", "A. Heron"];
  args.push("--set", `points=${points}`, "--out", folder, "--quiet");
  for (const board of boards) args.push("--board", board);
  const done = spawnSync(program, args, { encoding: "utf8", cwd: top });
  if (done.status > 1) throw new Error(`the boards could not be measured: ${done.stderr}`);
  return {
    folder,
    report: (board) => {
      const name = readdirSync(folder).find((n) => n.startsWith(board + "-") && n.endsWith(".report.html"));
      return pathToFileURL(join(folder, name)).href;
    },
    remove: () => rmSync(folder, { recursive: true, force: true }),
  };
}
