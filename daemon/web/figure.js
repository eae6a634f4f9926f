// Figures by plotly: its script comes after the first paint, colours from the scheme, drawing at most once a frame.

import { whenChosen } from "./schemes.js";
import { at, draw } from "./dom.js";

let plotly = null;
const waiting = new Map();
const drawn = new Map();
let drawings = 0;
const SETTINGS = { responsive: true, displaylogo: false, displayModeBar: false };

/** Load plotly's script once the page stands. */
export function loadPlotly() {
  const script = document.createElement("script");
  script.src = "/web/plotly.js";
  script.onload = () => {
    plotly = window.Plotly;
    for (const id of waiting.keys()) { schedule(id); }
  };
  document.head.append(script);
}

const scheduled = new Set();

/** Draw a figure made by `build()`, which returns {data, layout}, as soon as the browser gets to it. */
export function show(id, build) {
  waiting.set(id, build);
  if (plotly) { schedule(id); }
}

function schedule(id) {
  if (scheduled.has(id)) { return; }
  scheduled.add(id);
  requestAnimationFrame(() => { scheduled.delete(id); render(id); });
}

function render(id) {
  const build = waiting.get(id);
  if (!build) { return; }
  const began = performance.now();
  const styles = getComputedStyle(document.documentElement);
  const figure = build((name) => styles.getPropertyValue(name).trim());
  const place = at(id);
  place.querySelector(".news")?.remove();
  plotly.react(place, figure.data, figure.layout, SETTINGS);
  if (!drawn.has(id)) { place.on("plotly_relayout", () => { if (place.querySelector(".news")) { schedule(id); } }); }
  drawn.set(id, performance.now() - began);
  drawings += 1;
}

/** How many figures have been drawn, and how long the latest drawing of one took, in ms: for the benchmark. */
export function lastDrawing(id) { return { drawings, took: drawn.get(id) }; }

/**
 * Put one more mark onto a figure that stands, without drawing it anew: a thousand marks take their time.
 * Returns false where it does not fit; the figure then has to be drawn.
 */
export function addMark(id, x, y, mark, words) {
  const place = at(id);
  const area = place.querySelector(".nsewdrag");
  const [across, up] = [place.layout?.xaxis?.range, place.layout?.yaxis?.range];
  if (!plotly || scheduled.has(id) || !area || !across || !up) { return false; }
  const shares = [(x - across[0]) / (across[1] - across[0]), (y - up[0]) / (up[1] - up[0])];
  if (shares.some((share) => !(share > 0.01 && share < 0.99))) { return false; }
  const side = (name) => Number(area.getAttribute(name));
  const left = side("x") + shares[0] * side("width");
  const top = side("y") + (1 - shares[1]) * side("height");
  mark.setAttribute("transform", `translate(${left - 5} ${top - 5}) scale(0.5)`);
  mark.append(draw("title"));
  mark.lastChild.textContent = words;
  newsOn(place).append(mark);
  return true;
}

function newsOn(place) {
  const before = place.querySelector(".news");
  if (before) { return before; }
  const made = draw("svg", { class: "news", width: "100%", height: "100%", "aria-hidden": "true" });
  place.querySelector(".svg-container").append(made);
  return made;
}

export function layout(ink, xTitle, yTitle, more = {}) {
  const axis = (title) => ({
    title: { text: title, standoff: 8 }, gridcolor: ink("--rule"), zerolinecolor: ink("--soft"), zeroline: false,
    linecolor: ink("--rule"), automargin: true, exponentformat: "none", separatethousands: false,
  });
  const { xaxis = {}, yaxis = {}, ...rest } = more;
  return {
    margin: { l: 60, r: 14, t: 14, b: 48 }, paper_bgcolor: ink("--sheet"), plot_bgcolor: ink("--sheet"),
    font: { color: ink("--ink"), size: 13, family: "Inter, Segoe UI, Arial, DejaVu Sans, sans-serif" },
    xaxis: { ...axis(xTitle), ...xaxis }, yaxis: { ...axis(yTitle), ...yaxis },
    hoverlabel: { bgcolor: ink("--sheet"), bordercolor: ink("--soft"), font: { color: ink("--ink") } },
    hovermode: "closest", showlegend: false, separators: ".", ...rest,
  };
}

const SYMBOLS = ["circle", "square", "diamond", "triangle-up", "pentagon", "star", "hexagon", "cross"];

/** The markers as paths in a square of 20. */
export const SHAPES = {
  circle: "M10 2a8 8 0 1 0 .01 0z", square: "M3 3h14v14H3z", diamond: "M10 1l9 9-9 9-9-9z", "triangle-up": "M10 2l9 16H1z",
  pentagon: "M10 1l9 7-3.4 11H4.4L1 8z", star: "M10 1l2.6 6.4 6.9.5-5.3 4.4 1.7 6.7L10 15.3 4.1 19l1.7-6.7L.5 7.9l6.9-.5z",
  hexagon: "M10 1l8 4.5v9L10 19l-8-4.5v-9z", cross: "M7 1h6v6h6v6h-6v6H7v-6H1V7h6z",
};

/** How a filter is drawn: colour and marker, the reference filter first, the same everywhere. */
export function inkOf(names, name) {
  const index = Math.max(0, names.indexOf(name));
  return { colour: `--c${(index % 8) + 1}`, symbol: SYMBOLS[index % SYMBOLS.length] };
}

whenChosen(() => { if (plotly) { for (const id of waiting.keys()) { schedule(id); } } });
