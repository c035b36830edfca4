// Elements from values. Texts stay texts: no markup is ever parsed, so nothing that a board, a script or an
// instrument is called can become part of the page.

const SVG = "http://www.w3.org/2000/svg";

function dress(node, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (value === undefined || value === null || value === false) continue;
    if (name === "on") for (const [event, act] of Object.entries(value)) node.addEventListener(event, act);
    else if (name === "key") node.dataset.key = value;
    else node.setAttribute(name, value === true ? "" : value);
  }
  append(node, children);
  return node;
}

function append(node, children) {
  for (const child of children.flat(Infinity)) {
    if (child === undefined || child === null || child === false) continue;
    node.append(child);
  }
}

// el("button", {class: "plain", on: {click: act}}, "Hold"); what is null or false is left out.
export function el(name, attributes = {}, ...children) {
  return dress(document.createElement(name), attributes, children);
}

export function svg(name, attributes = {}, ...children) {
  return dress(document.createElementNS(SVG, name), attributes, children);
}

// Other children for `parent`. An element with a `key` that had the focus hands it to the one that has that
// key now, so that a list may be drawn anew under somebody's fingers.
export function swap(parent, ...children) {
  const key = parent.contains(document.activeElement) ? document.activeElement.dataset.key : undefined;
  parent.replaceChildren();
  append(parent, children);
  if (key) parent.querySelector(`[data-key="${CSS.escape(key)}"]`)?.focus({ preventScroll: true });
}

// Sets a text only when it is another one: readers of the screen are not told the same again.
export function say(node, text) {
  if (node.textContent !== text) node.textContent = text;
}
