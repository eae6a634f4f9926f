// Temperature against time, with the gate's band and the holds.

import { layout, show } from "./figure.js";
import { at, say } from "./dom.js";
import { fixed, onAxis, safe } from "./words.js";

export function showTemperature(rig, looks, holds) {
  const seen = looks.filter((look) => look.temperature_c !== null && look.time_s !== null);
  if (!seen.length) {
    say(at("temperature-words"), "Not read yet.");
    return;
  }
  const values = seen.map((look) => look.temperature_c);
  const first = values[0];
  const last = values[values.length - 1];
  const band = rig.temperature_gate?.departure_c ?? null;
  let words = `${fixed(last, 1)} C at the last look; ${fixed(last - first, 1, true)} C since the first.`;
  const rate = rig.temperature_gate?.trip_c_per_h ?? null;
  if (rate !== null) { words += ` Looks wait while it changes by more than ${rate} C an hour.`; }
  if (band !== null) { words += ` The band is ±${band} C around the first look.`; }
  if (holds.length) { words += ` Shaded: held ${holds.length === 1 ? "once" : `${holds.length} times`}.`; }
  say(at("temperature-words"), words);
  show("temperature", (ink) => figure(ink, seen, holds, first, band));
}

/** At least a degree is shown, so that a tenth does not look like a plunge. */
function range(seen, first, band) {
  const values = seen.map((look) => look.temperature_c);
  const [low, high] = [Math.min(...values, first - (band ?? 0)), Math.max(...values, first + (band ?? 0))];
  const more = Math.max((1 - (high - low)) / 2, 0.1 * (high - low));
  return [low - more, high + more];
}

function figure(ink, seen, holds, first, band) {
  const colour = ink("--c1");
  const shapes = [];
  if (band !== null) {
    shapes.push({ type: "rect", xref: "paper", x0: 0, x1: 1, y0: first - band, y1: first + band, fillcolor: ink("--zone"), line: { width: 0 }, layer: "below" });
  }
  const lastTime = seen[seen.length - 1].time_s * 1000;
  for (const hold of holds.filter((item) => item.began && item.reasons)) {
    const ended = hold.ended ? Date.parse(hold.ended) : Math.max(lastTime, Date.parse(hold.began));
    shapes.push({ type: "rect", yref: "paper", y0: 0, y1: 1, x0: onAxis(Date.parse(hold.began)), x1: onAxis(ended), fillcolor: ink("--dead"), opacity: 0.8, line: { width: 1, color: ink("--soft") }, layer: "below" });
  }
  return {
    data: [{
      type: "scatter", mode: "lines+markers", x: seen.map((look) => onAxis(look.time_s * 1000)), y: seen.map((look) => look.temperature_c),
      line: { color: colour, width: 1.5 }, marker: { color: colour, size: 5 }, text: seen.map((look) => `look ${look.number}, ${safe(look.filter)}`),
      hovertemplate: "%{text}<br>%{y:.2f} C<extra></extra>",
    }],
    layout: layout(ink, "time", "temperature (C)", { shapes, xaxis: { type: "date" }, yaxis: { range: range(seen, first, band) } }),
  };
}
