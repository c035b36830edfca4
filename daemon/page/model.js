// What the page knows of the service: asked for once, then kept up to date by its events. Views read it and are
// told that something changed, at most once a frame and not more often than they need.
import { Curves } from "./curves.js";
import { follow } from "./feed.js";
import { get, pointsOf } from "./service.js";

const MOST_NOTES = 200;
const MOST_CHECKS = 200;

export class Model extends EventTarget {
  constructor() {
    super();
    Object.assign(this, { link: "opening", phase: "", trouble: "", version: "", started: "", question: null, queueVersion: 0, storeVersion: 0, last: null });
    this.clearRun(null);
  }

  async begin() {
    const after = await this.load();
    this.link = "live";
    this.stop = follow(after, {
      take: (name, data) => this.take(name, data),
      link: (word) => this.set({ link: word }),
      anew: () => this.load(),
    });
    this.changed();
  }

  // The whole state anew; the id of the last event that is in it.
  async load() {
    const now = await get("/v1/now");
    if (this.started && this.started !== now.started) this.last = null;
    Object.assign(this, {
      phase: now.phase, trouble: now.trouble ?? "", version: now.version, started: now.started, entry: now.entry, question: now.question,
    });
    this.queueVersion += 1;
    this.storeVersion += 1;
    if (now.run) {
      this.clearRun(now.run);
      await this.fill(now.run);
    } else if (this.underWay) {
      // It ended while we were away.
      const over = await get(`/v1/runs/${encodeURIComponent(this.run.run)}`);
      this.ended = { outcome: over.outcome, detail: over.detail ?? "" };
    }
    this.changed();
    return now.last_event;
  }

  // What a run under way has measured before we came.
  async fill(run) {
    this.progress = run.progress ?? null;
    this.trace = run.trace ?? null;
    this.label = run.label ?? "";
    const id = encodeURIComponent(run.run);
    const [type, header, points] = await Promise.all([
      get(`/v1/runs/${id}/board-type`), get(`/v1/runs/${id}`), pointsOf(run.run, run.planned_points),
    ]);
    if (this.run?.run !== run.run) return;
    this.boardType = type;
    this.notes = (header.events ?? []).slice(-MOST_NOTES);
    for (const point of points) this.addPoint(point);
  }

  clearRun(run) {
    Object.assign(this, { run, progress: run?.progress ?? null, label: "", trace: null, notes: [], checks: [], misses: 0, ended: null, boardType: null, curves: new Curves() });
  }

  take(name, data) {
    const act = this[`on_${name.replace("-", "_")}`];
    act?.call(this, data);
    this.changed();
  }

  on_phase(data) {
    this.phase = data.phase;
    this.trouble = data.trouble ?? "";
  }
  on_queue(entry) {
    this.queueVersion += 1;
    if (entry.state === "running") this.entry = entry;
    if (entry.verdict && entry.run) {
      this.storeVersion += 1;
      this.last = entry;
      if (this.run?.run === entry.run && this.ended) this.ended.verdict = entry.verdict;
    }
  }
  on_run_started(run) {
    this.clearRun(run);
    get(`/v1/runs/${encodeURIComponent(run.run)}/board-type`).then(
      (type) => {
        if (this.run?.run === run.run) this.set({ boardType: type });
      },
      () => {}, // without it there are no drawings; the next answer will say what is wrong
    );
  }
  on_point(data) {
    if (this.run?.run !== data.run) return;
    this.progress = data.progress;
    this.label = data.point.label ?? "";
    this.addPoint(data.point);
  }
  on_trace(trace) {
    this.trace = trace;
  }
  on_note(note) {
    this.notes.push(note);
    if (this.notes.length > MOST_NOTES) this.notes.splice(0, this.notes.length - MOST_NOTES);
  }
  on_question(question) {
    this.question = question;
  }
  on_answered(over) {
    if (this.question?.id === over.id) this.question = null;
  }
  on_finished(data) {
    this.storeVersion += 1;
    this.ended = { outcome: data.outcome, detail: data.detail ?? "" };
  }

  addPoint(point) {
    this.curves.add(point);
    for (const reading of point.readings) {
      if (reading.decision === "fail" || reading.decision === "conditional fail") this.misses += 1;
      this.checks.push({ label: point.label ?? "", ordinal: point.ordinal, reading });
    }
    if (this.checks.length > MOST_CHECKS) this.checks.splice(0, this.checks.length - MOST_CHECKS);
  }

  get underWay() {
    return this.run !== null && this.ended === null;
  }

  set(values) {
    Object.assign(this, values);
    this.changed();
  }
  changed() {
    this.dispatchEvent(new Event("change"));
  }
}

// Calls `draw` in a frame of its own after `wake()`, not more often than every `least_ms`.
export function paced(draw, least_ms) {
  let waiting = false;
  let last = -Infinity;
  return function wake() {
    if (waiting) return;
    waiting = true;
    const go = () =>
      requestAnimationFrame((now) => {
        waiting = false;
        last = now;
        draw();
      });
    const rest = least_ms - (performance.now() - last);
    if (rest > 0) setTimeout(go, rest);
    else go();
  };
}
