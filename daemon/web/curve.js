// The growing curve: every look where it was taken, and what the latest fit makes of it.

import { addMark, inkOf, layout, SHAPES, show } from "./figure.js";
import { at, draw, say } from "./dom.js";
import { counted, quantity, safe, short } from "./words.js";

const SIDES = ["inward", "outward"];
// With few looks every one draws the figure anew; with many, further ones are put on top for a while.
const FEW = 150;
const MOST_ON_TOP = 40;

/** The looks of the run that is shown, kept as plotly's arrays so that a further look costs little. */
export class Curve {
  constructor(names) {
    this.names = names;
    this.clear();
  }

  clear() {
    this.looks = [];
    this.byFilter = new Map();
    this.numbers = null;
    this.width = false;
    this.fresh = [];
    this.onTop = 0;
    this.anew = true;
  }

  take(looks) {
    for (const look of looks) {
      if (this.looks.length && look.number <= this.looks[this.looks.length - 1].number) { continue; }
      this.looks.push(look);
      this.width = look.method === "width";
      if (look.value_px === null) { continue; }
      if (!this.byFilter.has(look.filter)) { this.byFilter.set(look.filter, { x: [], y: [], symbol: [], text: [], looks: [] }); }
      const own = this.byFilter.get(look.filter);
      own.x.push(look.position_steps);
      own.y.push(look.value_px);
      own.text.push(hover(look));
      own.symbol.push(this.symbol(look));
      own.looks.push(look);
      this.fresh.push(look);
      if (own.looks.length === 1) { this.anew = true; }
    }
  }

  know(numbers) {
    if (!numbers) { return; }
    if (JSON.stringify(numbers) === JSON.stringify(this.numbers)) { return; }
    this.numbers = numbers;
    this.anew = true;
    for (const own of this.byFilter.values()) { own.symbol = own.looks.map((look) => this.symbol(look)); }
  }

  symbol(look) {
    const base = inkOf(this.names, look.filter).symbol;
    const play = this.numbers?.backlash_steps;
    const most = play ? play.high95 : 0;
    if (look.side === null || (look.travel_steps !== null && look.travel_steps < most)) { return `${base}-open-dot`; }
    return look.side === "inward" ? base : `${base}-open`;
  }

  show() {
    say(at("curve-words"), this.words());
    say(at("curve-legend"), this.looks.length ? this.legend() : "");
    if (!this.looks.length || this.putOnTop()) { return; }
    Object.assign(this, { fresh: [], onTop: 0, anew: false });
    show("curve", (ink) => this.figure(ink));
  }

  /** Put the fresh looks onto the figure that stands, where that will do. */
  putOnTop() {
    if (this.anew || this.looks.length < FEW || this.onTop + this.fresh.length > MOST_ON_TOP) { return false; }
    for (const look of this.fresh) {
      if (!addMark("curve", look.position_steps, look.value_px, this.mark(look), hover(look, String).replaceAll("<br>", "\n"))) { return false; }
      this.onTop += 1;
    }
    this.fresh = [];
    return true;
  }

  mark(look) {
    const drawn = inkOf(this.names, look.filter);
    const symbol = this.symbol(look);
    const open = symbol.includes("-open");
    const group = draw("g");
    group.append(draw("path", { d: SHAPES[drawn.symbol], style: `fill: ${open ? "none" : `var(${drawn.colour})`}; stroke: var(${drawn.colour}); stroke-width: 2.4` }));
    if (symbol.endsWith("-dot")) { group.append(draw("circle", { cx: 10, cy: 10, r: 2, style: `fill: var(${drawn.colour})` })); }
    return group;
  }

  words() {
    if (!this.looks.length) { return "No look yet."; }
    const blank = this.looks.filter((look) => look.value_px === null).length;
    const play = this.numbers?.backlash_steps;
    let words = `${counted(this.looks.length, "look")}, filters ${[...this.byFilter.keys()].join(", ") || "none"}.`;
    if (blank) { words += ` ${blank} gave no number.`; }
    if (play && play.value !== null) { words += ` Dead zone ${quantity(play)} steps.`; }
    return words;
  }

  legend() {
    return "Filled: reached moving inward. Open: moving outward. With a dot: still in the dead zone. "
      + (this.width ? "Upright bands are the narrowest star on each side, with its 95 % interval." : "Lines are the latest fit, solid inward and dashed outward, with their 95 % interval; shaded is the dead zone of the reference filter.");
  }

  figure(ink) {
    const data = this.width ? [] : [...this.deadZone(ink)];
    for (const [name, own] of this.byFilter) {
      const drawn = inkOf(this.names, name);
      const colour = ink(drawn.colour);
      if (!this.width) { data.push(...this.lines(name, own, colour)); }
      data.push({
        // Copies: plotly takes an array that it knows for unchanged.
        type: "scatter", mode: "markers", x: own.x.slice(), y: own.y.slice(), text: own.text.slice(), hovertemplate: "%{text}<extra></extra>",
        name: safe(name), legendgroup: safe(name),
        marker: { color: colour, size: 8, symbol: own.symbol.slice(), line: { width: 1.4, color: colour } },
      });
    }
    const title = this.width ? "star width (px)" : "spike error (px)";
    const shapes = this.width ? this.narrowest(ink) : [{ type: "line", xref: "paper", x0: 0, x1: 1, y0: 0, y1: 0, line: { color: ink("--soft"), width: 1 }, layer: "below" }];
    return {
      data,
      layout: layout(ink, "position (steps, as the controller counts)", title, {
        shapes, showlegend: true, uirevision: this.run, legend: { orientation: "h", y: 1.02, yanchor: "bottom", x: 0, bgcolor: "rgba(0,0,0,0)" },
        margin: { l: 60, r: 14, t: 34, b: 48 },
      }),
    };
  }

  branch(name, side) {
    const slope = this.numbers?.slope_px_per_step;
    const crossing = this.numbers?.[`crossing_${side}_steps.${name}`];
    if (!slope || !slope.value || !crossing || crossing.value === null) { return null; }
    return { slope: slope.value, crossing };
  }

  /** Where the latest fit has each filter's narrowest star, as upright bands. */
  narrowest(ink) {
    const bands = [];
    for (const name of this.byFilter.keys()) {
      for (const side of SIDES) {
        const found = this.numbers?.[`width_minimum_${side}_steps.${name}`];
        if (!found || found.value === null) { continue; }
        const line = { color: ink(inkOf(this.names, name).colour), width: 1, dash: side === "outward" ? "dash" : "solid" };
        bands.push({ type: "rect", yref: "paper", y0: 0, y1: 1, x0: found.low95, x1: found.high95, fillcolor: ink("--dead"), opacity: 0.7, line, layer: "below" });
      }
    }
    return bands;
  }

  lines(name, own, colour) {
    const made = [];
    for (const side of SIDES) {
      const line = this.branch(name, side);
      const seen = own.looks.filter((look) => look.side === side).map((look) => look.value_px);
      if (!line || seen.length < 2) { continue; }
      const low = Math.min(...seen);
      const high = Math.max(...seen);
      const { slope, crossing } = line;
      const half = (crossing.high95 - crossing.low95) / 2;
      const place = (y) => crossing.value + y / slope;
      made.push({
        type: "scatter", mode: "lines", fill: "toself", fillcolor: colour, opacity: 0.25, line: { width: 0, color: colour }, hoverinfo: "skip",
        x: [place(low) - half, place(high) - half, place(high) + half, place(low) + half], y: [low, high, high, low],
        legendgroup: safe(name), showlegend: false,
      }, {
        type: "scatter", mode: "lines", x: [place(low), place(high)], y: [low, high], hoverinfo: "skip",
        line: { color: colour, width: 1.2, dash: side === "outward" ? "dash" : "solid" }, legendgroup: safe(name), showlegend: false,
      });
    }
    return made;
  }

  deadZone(ink) {
    const name = this.names[0];
    const [inward, outward] = SIDES.map((side) => this.branch(name, side));
    const values = this.byFilter.get(name)?.y;
    if (!inward || !outward || !values) { return []; }
    const low = Math.min(...values);
    const high = Math.max(...values);
    const place = (line, y) => line.crossing.value + y / line.slope;
    return [{
      type: "scatter", mode: "lines", fill: "toself", fillcolor: ink("--dead"), line: { width: 0, color: ink("--dead") }, hoverinfo: "skip",
      x: [place(inward, low), place(inward, high), place(outward, high), place(outward, low)], y: [low, high, high, low],
      name: "dead zone", showlegend: false,
    }];
  }
}

function hover(look, as = safe) {
  const lines = [
    `look ${look.number}, filter ${as(look.filter)}`,
    `position ${look.position_steps}${look.side ? `, moving ${look.side}` : ""}`,
    `${look.method === "width" ? "width" : "error"} ${look.value_px.toFixed(2)} px, u ${(look.u_px ?? 0).toFixed(2)} px`,
  ];
  if (look.temperature_c !== null) { lines.push(`${look.temperature_c.toFixed(1)} C`); }
  if (look.exposure_s !== null) { lines.push(`${short(look.exposure_s)} s`); }
  if (look.frame) { lines.push(as(look.frame.slice(0, 80))); }
  if (look.flags.length) { lines.push(as(look.flags.join(", "))); }
  return lines.join("<br>");
}
