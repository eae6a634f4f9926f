// Small helpers for elements; text only ever enters as text.

export const at = (id) => document.getElementById(id);

export function make(name, attributes = {}, ...children) {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (value !== null && value !== undefined && value !== false) { element.setAttribute(key, value === true ? "" : value); }
  }
  element.append(...children.filter((child) => child !== null && child !== undefined));
  return element;
}

const SVG = "http://www.w3.org/2000/svg";

export function draw(name, attributes = {}, ...children) {
  const element = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) { element.setAttribute(key, value); }
  element.append(...children);
  return element;
}

/** Set text only where it changes: a screen reader is told once. */
export function say(element, words) {
  if (element.textContent !== words) { element.textContent = words; }
}

export function table(heads, rows) {
  const head = make("thead", {}, make("tr", {}, ...heads.map((words) => make("th", { scope: "col" }, words))));
  const body = make("tbody", {}, ...rows);
  return make("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": "Table" }, make("table", {}, head, body));
}
