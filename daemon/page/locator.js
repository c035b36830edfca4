// Where a probe goes: the board's outline with its parts, and the part with its pins in large, as seen from
// above. Pins are counted anticlockwise from pin 1, which is at the upper left of a part that is not turned.
import { svg } from "./make.js";

const PITCH_MM = 1.27;
const BODY_MM = 3.9; // of an SO package, common practice, no source
const PIN_MM = 1.1;

// Places of the pins of a part with its middle at 0, 0; y upwards, before it is turned.
export function pinPlaces(pins) {
  const half = pins / 2;
  const places = [];
  for (let n = 1; n <= pins; ++n) {
    const left = n <= half;
    const row = left ? n - 1 : pins - n;
    places.push({ pin: n, left, x: (left ? -1 : 1) * (BODY_MM / 2 + PIN_MM / 2), y: ((half - 1) / 2 - row) * PITCH_MM });
  }
  return places;
}

function bodyHeight(pins) {
  return (pins / 2) * PITCH_MM + 0.4;
}

function endMark(kind, height) {
  const top = -height / 2;
  if (kind === "notch") return svg("path", { class: "pin-one", d: `M-0.6 ${top} A0.6 0.6 0 0 0 0.6 ${top}` });
  if (kind === "bar") return svg("path", { class: "pin-one", d: `M${-BODY_MM / 2} ${top + 0.45}h${BODY_MM}` });
  return svg("circle", { class: "pin-one", cx: -BODY_MM / 2 + 0.7, cy: top + 0.7, r: 0.32 });
}

function partShape(part, pin) {
  const height = bodyHeight(part.pins);
  const group = svg("g", { transform: `rotate(${-part.rotation_deg})` });
  for (const place of pinPlaces(part.pins)) {
    const marked = place.pin === pin;
    group.append(svg("rect", { class: marked ? "pin here" : "pin", x: place.x - PIN_MM / 2, y: -place.y - 0.24, width: PIN_MM, height: 0.48 }));
  }
  group.append(svg("rect", { class: "body", x: -BODY_MM / 2, y: -height / 2, width: BODY_MM, height, rx: 0.2 }), endMark(part.mark, height));
  return group;
}

function turned(x, y, degrees) {
  const a = (degrees * Math.PI) / 180;
  return [x * Math.cos(a) - y * Math.sin(a), x * Math.sin(a) + y * Math.cos(a)];
}

// Where the point is, in millimetres from the lower left corner; null when the board type does not say.
export function placeOf(type, pointId, partId, pin) {
  const point = type.test_points[pointId];
  if (point?.place_mm) return point.place_mm;
  const part = type.parts[point?.part ?? partId];
  if (!part?.place_mm) return null;
  const number = point?.pin ?? pin;
  const place = number ? pinPlaces(part.pins).find((p) => p.pin === number) : null;
  if (!place) return part.place_mm;
  const [dx, dy] = turned(place.x, place.y, part.rotation_deg);
  return [part.place_mm[0] + dx, part.place_mm[1] + dy];
}

// The whole board with the place ringed, or null without an outline.
export function boardDrawing(type, question) {
  if (!type?.outline_mm) return null;
  const [width, height] = type.outline_mm;
  const margin = 3;
  const out = svg("svg", { class: "locator", role: "img", viewBox: `${-margin} ${-margin} ${width + 2 * margin} ${height + 2 * margin}` });
  out.append(svg("rect", { class: "outline", width, height, rx: 1.5 }));
  for (const [id, part] of Object.entries(type.parts)) {
    if (!part.place_mm) continue;
    const [x, y] = [part.place_mm[0], height - part.place_mm[1]];
    out.append(svg("g", { transform: `translate(${x} ${y})` }, partShape(part, 0)));
    const across = part.rotation_deg % 180 === 0 ? bodyHeight(part.pins) / 2 : BODY_MM / 2 + PIN_MM;
    out.append(svg("text", { class: "name", x, y: y + across + 3.2 }, id));
  }
  const place = placeOf(type, question.test_point, question.part, question.pin);
  if (!place) return out;
  const [x, y] = [place[0], height - place[1]];
  out.setAttribute("aria-label", `The board from above; the place is ${Math.round(place[0])} mm from the left and ${Math.round(place[1])} mm from the lower edge`);
  out.append(pointer(type, question, [x, y], [width, height]), svg("circle", { class: "ring", cx: x, cy: y, r: 2.2 }));
  return out;
}

// An arrow to the ring from outside the part, or from the middle of the board.
function pointer(type, question, [x, y], [width, height]) {
  const part = type.parts[type.test_points[question.test_point]?.part ?? question.part];
  const middle = part?.place_mm ? [part.place_mm[0], height - part.place_mm[1]] : null;
  let [dx, dy] = middle ? [x - middle[0], y - middle[1]] : [width / 2 - x, height / 2 - y];
  const long = Math.hypot(dx, dy) || 1;
  if (long === 1) [dx, dy] = [-1, 0];
  [dx, dy] = [dx / long, dy / long];
  const at = (r, side) => `${x + dx * r - dy * side} ${y + dy * r + dx * side}`;
  return svg("path", { class: "arrow", d: `M${at(14, 0)}L${at(3.6, 0)}M${at(6.4, 1.8)}L${at(3.6, 0)}L${at(6.4, -1.8)}` });
}

// The part alone, each pin with its number, the wanted one filled; null when it is not one of two rows.
export function partDrawing(type, partId, pin) {
  const part = type?.parts?.[partId];
  if (!part || part.pins < 4 || part.pins % 2 !== 0) return null;
  const height = bodyHeight(part.pins);
  const lying = part.rotation_deg % 180 !== 0;
  const [w, h] = lying ? [height + 1.2, BODY_MM + 7] : [BODY_MM + 7.6, height + 1.2];
  const out = svg("svg", { class: "locator part", role: "img", viewBox: `${-w / 2} ${-h / 2} ${w} ${h}`,
    "aria-label": `${partId} from above, ${pin ? `pin ${pin} marked` : "its pins"}` });
  out.append(partShape(part, pin));
  const here = pinPlaces(part.pins).find((p) => p.pin === pin);
  if (here) {
    const [x, y] = turned(here.x, here.y, part.rotation_deg);
    out.append(svg("circle", { class: "ring", cx: x, cy: -y, r: 0.62 }));
  }
  for (const place of pinPlaces(part.pins)) {
    const [x, y] = turned(place.x + (place.left ? -1.35 : 1.35), place.y, part.rotation_deg);
    out.append(svg("text", { class: place.pin === pin ? "number here" : "number", x, y: -y + 0.32 }, String(place.pin)));
  }
  out.append(svg("text", { class: "name", y: 0.5 }, partId));
  return out;
}
