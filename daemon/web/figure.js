// Figures by plotly: its script comes after the first paint, colours from the scheme, drawing at most once a frame.

import { whenChosen } from "./schemes.js";
import { at } from "./dom.js";

let plotly = null;
const waiting = new Map();
const drawn = new Map();
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
  plotly.react(at(id), figure.data, figure.layout, SETTINGS);
  drawn.set(id, performance.now() - began);
}

/** How long the latest drawing of a figure took, in ms: for the benchmark. */
export function lastDrawing(id) { return drawn.get(id); }

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

/** How a filter is drawn: colour and marker, the reference filter first, the same everywhere. */
export function inkOf(names, name) {
  const index = Math.max(0, names.indexOf(name));
  return { colour: `--c${(index % 8) + 1}`, symbol: SYMBOLS[index % SYMBOLS.length] };
}

whenChosen(() => { if (plotly) { for (const id of waiting.keys()) { schedule(id); } } });
window.drawtubeLastDrawing = lastDrawing;
