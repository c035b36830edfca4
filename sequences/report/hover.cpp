#include "sequences/report/hover.hpp"

namespace nightbench::report {

std::string hover_script() {
  return R"js("use strict";
for (const svg of document.querySelectorAll("svg[data-points]")) {
  const points = svg.dataset.points.split("\n").map((line) => {
    const [x, y, series] = line.split(" ", 3);
    return { x: +x, y: +y, series: +series, note: line.slice((x + y + series).length + 3) };
  });
  points.sort((a, b) => a.series - b.series || a.x - b.x);
  const names = [...new Set(points.map((p) => p.series))];
  const figure = svg.closest("figure");
  const said = document.createElement("p");
  const ring = document.createElementNS(svg.namespaceURI, "circle");
  let here = null;
  said.className = "readout";
  said.setAttribute("role", "status");
  ring.setAttribute("r", "7");
  ring.setAttribute("class", "nb-here");
  figure.append(said);
  figure.tabIndex = 0;
  figure.setAttribute("role", "group");
  figure.setAttribute("aria-label", svg.getAttribute("aria-label") + ": arrow keys read the values");
  for (const tip of svg.querySelectorAll("title")) tip.remove();
  const show = (point) => {
    here = point;
    ring.setAttribute("cx", point.x);
    ring.setAttribute("cy", point.y);
    svg.append(ring);
    said.textContent = point.note;
  };
  const hide = () => {
    here = null;
    ring.remove();
    said.textContent = "";
  };
  const nearest = (some, x, y) => {
    const far = (p) => (p.x - x) ** 2 + (p.y - y) ** 2 / 9;
    return some.reduce((best, p) => (far(best) > far(p) ? p : best));
  };
  const follow = (event) => {
    const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
    show(nearest(points, at.x, at.y));
  };
  svg.addEventListener("pointermove", follow);
  svg.addEventListener("pointerdown", follow);
  svg.addEventListener("pointerleave", (event) => {
    if (event.pointerType === "mouse") hide();
  });
  figure.addEventListener("blur", hide);
  figure.addEventListener("keydown", (event) => {
    if (event.key === "Escape") hide();
    const start = here || points[0];
    const line = points.filter((p) => p.series === start.series);
    const at = line.indexOf(start);
    const turn = (by) => {
      const series = names.at((names.indexOf(start.series) + by) % names.length);
      return nearest(points.filter((p) => p.series === series), start.x, start.y);
    };
    const go = {
      ArrowRight: () => (here ? line[at + 1] || start : start),
      ArrowLeft: () => line[at > 0 ? at - 1 : 0],
      ArrowUp: () => turn(-1),
      ArrowDown: () => turn(1),
      Home: () => line[0],
      End: () => line.at(-1),
    }[event.key];
    if (!go) return;
    event.preventDefault();
    show(go());
  });
}
for (const hint of document.querySelectorAll(".hint")) hint.hidden = false;
)js";
}

std::string hover_script_sha256() {
  return "3JTrk1re5rE8609tucJULEGMzPVm24ar53eg1lzq0Sc=";
}

std::string hover_style() {
  return R"css(
.readout { margin: 0.2rem 0 0; min-height: 3em; font-size: 0.93rem; max-width: none;
  font-variant-numeric: tabular-nums; }
svg[data-points] { touch-action: pan-y; }
@media print { .readout, .hint { display: none; } }
)css";
}

}  // namespace nightbench::report
