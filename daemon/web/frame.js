// The last frame: as seen, as the fit expects it, and what is left over; and how far from focus it was.

import { at, draw, make } from "./dom.js";
import { ask } from "./api.js";
import { fixed, quantity } from "./words.js";

const PANELS = [["seen", "as seen"], ["expected", "as expected"], ["left_over", "left over"]];
const REACH = 3;

let wanted = null;

/** Show a look's portrait; only the latest that was asked for is drawn. */
export async function showFrame(run, look) {
  const key = `${run}/${look.number}`;
  if (wanted === key) { return; }
  wanted = key;
  let found = null;
  let why = "";
  if (look.portrait) {
    try { found = await ask(`/v1/runs/${encodeURIComponent(run)}/looks/${look.number}`); } catch (error) { why = error.message; }
  } else {
    why = look.frame ? `${look.frame} was not kept as a picture` : "this look was drawn as a number, without a frame";
  }
  if (wanted !== key) { return; }
  at("frame").replaceChildren(...(found ? portrait(found) : [make("p", {}, lookWords(look)), make("p", { class: "dim" }, `No picture: ${why}.`)]));
}

export function noFrame() {
  wanted = null;
  at("frame").replaceChildren(make("p", { class: "dim" }, "No frame yet."));
}

function lookWords(look) {
  const value = look.value_px === null ? "gave no number" : `${quantity({ value: look.value_px, u: look.u_px ?? 0 }, look.method !== "width")} px`;
  return `Look ${look.number}, ${look.filter}, at ${look.position_steps} steps: ${value}.`;
}

function portrait(found) {
  const panels = PANELS.filter(([key]) => found[key]).map(([key, words]) => make(
    "figure", {},
    make("div", { class: "star" }, make("img", { src: `data:image/png;base64,${found[key]}`, alt: `The star ${words}`, draggable: "false" }),
      key === "left_over" ? null : ticks(found.arms_deg)),
    make("figcaption", {}, words),
  ));
  return [
    make("div", { class: "panels" }, ...panels),
    ...focusScale(found),
    make("p", { class: "dim" }, `Look ${found.number}, filter ${found.filter}, frame ${found.path}.`),
    ...found.remarks.map((words) => make("p", { class: "dim" }, `${words[0].toUpperCase()}${words.slice(1)}.`)),
    make("p", { class: "dim" }, "Left over: middle grey is nothing; black and white are five standard deviations of the pixel's noise."),
  ];
}

/** Short ticks at the rim along each spike: the star itself stays free. */
function ticks(arms) {
  const svg = draw("svg", { viewBox: "0 0 100 100", "aria-hidden": "true" });
  for (const degrees of arms ?? []) {
    for (const turn of [0, 180]) {
      const angle = ((degrees + turn) * Math.PI) / 180;
      const [x, y] = [Math.cos(angle), -Math.sin(angle)];
      svg.append(draw("line", { x1: 50 + 44 * x, y1: 50 + 44 * y, x2: 50 + 49 * x, y2: 50 + 49 * y }));
    }
  }
  return svg;
}

/** How far from focus, in units of the allowed miss (half the critical focus zone). */
function focusScale(found) {
  if (found.defocus_um === null || !found.allowed_um) {
    return [make("p", {}, found.message ? `Not measured: ${found.message}.` : "Not measured.")];
  }
  const share = found.share_of_allowed;
  const u = found.defocus_u_um / found.allowed_um;
  const x = (value) => 150 + (Math.max(-REACH, Math.min(REACH, value)) / REACH) * 140;
  const svg = draw("svg", { viewBox: "0 0 300 44", class: "scale", role: "img", "aria-label": "Distance from focus in units of the allowed miss" });
  svg.append(
    draw("rect", { class: "band", x: x(-1), y: 6, width: x(1) - x(-1), height: 20 }),
    draw("line", { class: "axis", x1: 10, x2: 290, y1: 26, y2: 26 }),
    draw("line", { class: "reach", x1: x(share - 1.96 * u), x2: x(share + 1.96 * u), y1: 16, y2: 16 }),
    draw("circle", { class: "dot", cx: x(share), cy: 16, r: 4.5 }),
  );
  for (const mark of [-3, -2, -1, 0, 1, 2, 3]) {
    const label = draw("text", { x: x(mark), y: 40, "text-anchor": "middle" });
    label.textContent = mark > 0 ? `+${mark}` : String(mark);
    svg.append(label);
  }
  const beyond = Math.abs(share) > REACH ? " (beyond the scale)" : "";
  const words = `${fixed(Math.abs(share), Math.abs(share) < 10 ? 2 : 0)} of the allowed miss${beyond}: `
    + `defocus ${quantity({ value: found.defocus_um, u: found.defocus_u_um }, true)} um, allowed ±${fixed(found.allowed_um, 0)} um (half the critical focus zone).`;
  return [svg, make("p", {}, words)];
}

