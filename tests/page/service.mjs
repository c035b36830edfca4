// The real service on a free port with a state folder of its own, for the tests of its page.
//   const service = await start({ bench: "docs/examples/bench-bring-up.json", answers: "person" });
//   await service.add("H30-001", { parameters: { points: 9 } });   await service.stop();
import assert from "node:assert/strict";
import { spawn } from "node:child_process";
import { mkdtempSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { dirname, join } from "node:path";
import { createInterface } from "node:readline";
import { program, top } from "./samples.mjs";

const daemon = process.env.NIGHTBENCHD ?? join(dirname(program), "nightbenchd");
const LIMIT_MS = 60_000;

export async function start({ bench = "docs/examples/bench-simulated.json", answers = "simulated", state } = {}) {
  const folder = mkdtempSync(join(tmpdir(), "nightbench-served-"));
  const config = join(folder, "nightbenchd.json");
  writeFileSync(config, JSON.stringify({
    service: "page-tests", bench: join(top, bench), listen: ["127.0.0.1:0"], state: state ?? join(folder, "state"), answers,
    limits: { requests_per_second: 1000, burst: 4000 },
  }));
  const child = spawn(daemon, ["--config", config], { stdio: ["ignore", "pipe", "inherit"] });
  const lines = createInterface({ input: child.stdout });
  const origin = await new Promise((found, failed) => {
    const late = setTimeout(() => failed(new Error("the service does not start")), LIMIT_MS);
    lines.on("line", (line) => {
      const said = /listening on (http:\/\/[\d.:]+)/.exec(line);
      if (said) (clearTimeout(late), found(said[1].replace(/\/$/, "")));
    });
    child.on("exit", (code) => failed(new Error(`the service ended with ${code}`)));
  });

  const service = {
    origin,
    page: (view = "") => `${origin}/${view && "#" + view}`,
    async get(path) {
      const response = await fetch(origin + path);
      assert.ok(response.ok, `${path}: ${response.status}`);
      return response.json();
    },
    async post(path, body) {
      const response = await fetch(origin + path, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body ?? {}) });
      assert.ok(response.ok, `${path}: ${response.status} ${await response.clone().text()}`);
      return response.status === 204 ? null : response.json();
    },
    add: (board, more = {}) => service.post("/v1/queue", { board, script: "response", ...more }),
    // Until the entry is over; what it is then.
    async over(id) {
      const end = Date.now() + LIMIT_MS;
      for (;;) {
        const entry = await service.get(`/v1/queue/${id}`);
        if (!["waiting", "held", "running"].includes(entry.state)) return entry;
        assert.ok(Date.now() < end, `entry ${id} is still ${entry.state}`);
        await new Promise((go) => setTimeout(go, 20));
      }
    },
    async stop() {
      const ended = new Promise((go) => child.on("exit", go));
      child.kill("SIGTERM");
      await ended;
      rmSync(folder, { recursive: true, force: true });
    },
  };
  return service;
}
