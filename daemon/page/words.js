// Verdicts, decisions and states as marks: a word, a sign and a tone, so that colour never stands alone.
import { el, svg } from "./make.js";

const SIGNS = {
  tick: "M4 13l5 5L20 6",
  cross: "M5 5l14 14M19 5L5 19",
  near: "M12 4L21 20H3z",
  empty: "M5 5h14v14H5z",
  dot: "M12 11.9v.2",
  play: "M8 5l11 7-11 7z",
  pause: "M8 5v14M16 5v14",
  clock: "M12 3a9 9 0 1 0 .01 0M12 7v5l4 2",
  warn: "M12 3v12M12 20v.1",
};

const MARKS = {
  "pass": ["good", "tick", "Pass"],
  "conditional": ["near", "near", "Conditional"],
  "conditional pass": ["near", "near", "Conditional pass"],
  "conditional fail": ["bad", "cross", "Conditional fail"],
  "fail": ["bad", "cross", "Fail"],
  "no reading": ["none", "empty", "No reading"],
  "not judged": ["none", "dot", "not judged"],
  "none": ["none", "empty", "No verdict"],
  "waiting": ["none", "clock", "Waiting"],
  "held": ["near", "pause", "Held"],
  "running": ["live", "play", "Running"],
  "done": ["good", "tick", "Done"],
  "interrupted": ["near", "near", "Interrupted"],
  "failed": ["bad", "cross", "Failed"],
  "expired": ["none", "clock", "Expired"],
  "cancelled": ["none", "cross", "Cancelled"],
  "info": ["none", "dot", "Note"],
  "warning": ["near", "near", "Warning"],
  "trouble": ["bad", "warn", "Trouble"],
};

export function sign(name) {
  return svg("svg", { class: "sign", viewBox: "0 0 24 24", "aria-hidden": "true" }, svg("path", { d: SIGNS[name] ?? SIGNS.dot }));
}

// A mark for any word of the service; `text` instead of the usual one.
export function mark(word, text) {
  const [tone, shape, usual] = MARKS[word] ?? ["none", "dot", word];
  return el("span", { class: `mark ${tone}` }, sign(shape), text ?? usual);
}

export function tone(word) {
  return (MARKS[word] ?? ["none"])[0];
}

export function wordOf(word) {
  return (MARKS[word] ?? [0, 0, word])[2];
}

// How far from good, for sorting: the worst first.
export function badness(word) {
  return ["pass", "conditional", "conditional pass", "not judged", "none", "no reading", "conditional fail", "fail"].indexOf(word);
}

// "scope/1": the name of a probe for people.
export function probeText(port) {
  const [name, rest] = port.split("/");
  if (rest === "low") return `${name}, black tip`;
  if (rest === undefined) return name === "meter" ? "meter, red tip" : name;
  return `${name}, probe ${rest}`;
}
