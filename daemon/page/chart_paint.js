// What a chart paints beside uPlot's lines: limit lines, hatching, markers that differ by shape.

// Colours as the style sheet has them at `node`, so that light and dark follow it.
export function palette(node) {
  const style = getComputedStyle(node);
  const value = (name) => style.getPropertyValue(name).trim();
  return {
    series: [0, 1, 2, 3, 4, 5].map((n) => value(`--s${n}`)),
    limit: value("--limit"),
    grid: value("--grid"),
    axis: value("--soft"),
    ink: value("--ink"),
    paper: value("--paper"),
    font: `${Math.round(parseFloat(style.fontSize) * 0.78)}px ${style.fontFamily}`,
    band: (colour) => colour + "38",
  };
}

function onCanvas(u, act) {
  const { ctx, bbox } = u;
  ctx.save();
  ctx.beginPath();
  ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
  ctx.clip();
  act(ctx, bbox, devicePixelRatio || 1);
  ctx.restore();
}

// lines: [lower, upper], each a list of [x, y] by x, empty where there is no limit.
export function drawLimits(u, lines, colours) {
  onCanvas(u, (ctx, bbox, ratio) => {
    ctx.strokeStyle = colours.limit;
    for (const end of [0, 1]) {
      const line = lines[end].map(([x, y]) => [u.valToPos(x, "x", true), u.valToPos(y, "y", true)]);
      if (line.length === 0) continue;
      // On to the frame: a limit does not end where the measuring has got to.
      line.unshift([Math.min(bbox.left, line[0][0]), line[0][1]]);
      line.push([Math.max(bbox.left + bbox.width, line.at(-1)[0]), line.at(-1)[1]]);
      hatch(ctx, bbox, line, end === 1, ratio);
      ctx.lineWidth = 2 * ratio;
      ctx.setLineDash([9 * ratio, 4 * ratio]);
      stroke(ctx, line);
      ctx.setLineDash([]);
    }
  });
}

function stroke(ctx, line) {
  ctx.beginPath();
  line.forEach(([x, y], n) => (n === 0 ? ctx.moveTo(x, y) : ctx.lineTo(x, y)));
  ctx.stroke();
}

function hatch(ctx, bbox, line, above, ratio) {
  const edge = above ? bbox.top : bbox.top + bbox.height;
  ctx.save();
  ctx.beginPath();
  line.forEach(([x, y], n) => (n === 0 ? ctx.moveTo(x, y) : ctx.lineTo(x, y)));
  ctx.lineTo(line.at(-1)[0], edge);
  ctx.lineTo(line[0][0], edge);
  ctx.closePath();
  ctx.clip();
  ctx.globalAlpha = 0.4;
  ctx.lineWidth = ratio;
  ctx.beginPath();
  for (let x = bbox.left - bbox.height; x < bbox.left + bbox.width; x += 9 * ratio) {
    ctx.moveTo(x, bbox.top + bbox.height);
    ctx.lineTo(x + bbox.height, bbox.top);
  }
  ctx.stroke();
  ctx.restore();
}

const SHAPES = [
  (ctx, x, y, r) => ctx.arc(x, y, r, 0, 2 * Math.PI),
  (ctx, x, y, r) => ctx.rect(x - r * 0.9, y - r * 0.9, 1.8 * r, 1.8 * r),
  (ctx, x, y, r) => polygon(ctx, x, y, r * 1.2, 3, -Math.PI / 2),
  (ctx, x, y, r) => polygon(ctx, x, y, r * 1.2, 4, 0),
  (ctx, x, y, r) => polygon(ctx, x, y, r * 1.2, 3, Math.PI / 2),
  (ctx, x, y, r) => polygon(ctx, x, y, r * 1.1, 6, 0),
];

function polygon(ctx, x, y, r, corners, turn) {
  for (let k = 0; k < corners; ++k) {
    const a = turn + (2 * Math.PI * k) / corners;
    const [px, py] = [x + r * Math.cos(a), y + r * Math.sin(a)];
    if (k === 0) ctx.moveTo(px, py);
    else ctx.lineTo(px, py);
  }
  ctx.closePath();
}

function marker(ctx, n, x, y, r, colour, colours, outside) {
  ctx.beginPath();
  SHAPES[n % 6](ctx, x, y, outside ? r * 1.35 : r);
  ctx.fillStyle = outside ? colours.limit : colours.paper;
  ctx.strokeStyle = outside ? colours.paper : colour;
  ctx.fill();
  ctx.stroke();
}

// Closer than this, in CSS pixels, markers would hide each other: then only those outside are marked, as dots.
const CLOSE = 7;

export function drawMarkers(u, chart, colours) {
  onCanvas(u, (ctx, bbox, ratio) => {
    ctx.lineWidth = 1.6 * ratio;
    chart.series.slice(0, colours.series.length).forEach((series, n) => {
      const many = series.points.size * CLOSE * ratio > bbox.width;
      for (const [x, reading] of series.points) {
        const px = u.valToPos(x, "x", true);
        if (reading.value === null) {
          missing(ctx, px, bbox.top + bbox.height - 7 * ratio, 4 * ratio, colours.series[n % 6]);
          continue;
        }
        const outside = reading.decision === "fail" || reading.decision === "conditional fail";
        if (many && !outside) continue;
        const py = u.valToPos(reading.value, "y", true);
        if (many) dot(ctx, px, py, 2.4 * ratio, colours.limit);
        else marker(ctx, n, px, py, 3.6 * ratio, colours.series[n % 6], colours, outside);
      }
    });
  });
}

function dot(ctx, x, y, r, colour) {
  ctx.fillStyle = colour;
  ctx.beginPath();
  ctx.arc(x, y, r, 0, 2 * Math.PI);
  ctx.fill();
}

// No reading is never a value: a cross on the lower edge.
function missing(ctx, x, y, r, colour) {
  ctx.strokeStyle = colour;
  ctx.beginPath();
  ctx.moveTo(x - r, y - r);
  ctx.lineTo(x + r, y + r);
  ctx.moveTo(x + r, y - r);
  ctx.lineTo(x - r, y + r);
  ctx.stroke();
}

// The sample of a curve in a legend, on a canvas of 56 by 20.
drawMarkers.key = (canvas, n, dash) => {
  const colours = palette(canvas.isConnected ? canvas : document.body);
  const ctx = canvas.getContext("2d");
  ctx.lineWidth = 3;
  ctx.strokeStyle = colours.series[n % 6];
  ctx.setLineDash(dash.map((d) => d * 1.5));
  stroke(ctx, [[2, 10], [54, 10]]);
  ctx.setLineDash([]);
  ctx.lineWidth = 2.4;
  marker(ctx, n, 28, 10, 5.5, colours.series[n % 6], colours, false);
};
