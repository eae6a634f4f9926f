// How the numbers moved over the months, and with temperature: every kept profile, with its interval.

import { at, make, say, table } from "./dom.js";
import { inkOf, layout, show } from "./figure.js";
import { counted, day, onAxis, plainName, quantity } from "./words.js";

let profiles = [];
let names = [];

export function begin(rig) {
  names = rig.filters.map((item) => item.name);
  const choices = [
    ["backlash_steps", "Backlash"], ["temperature_coefficient_steps_per_c", "Temperature coefficient"], ["best_focus_steps", "Best focus"],
    ...names.filter((name) => name !== rig.reference_filter).map((name) => [`offset:${name}`, `Offset of ${name}`]),
  ];
  at("moved").replaceChildren(...choices.map(([value, words]) => make("option", { value }, words)));
  for (const id of ["moved", "against"]) { at(id).addEventListener("change", draw); }
}

export function showHistory(found) {
  profiles = found;
  draw();
  if (!profiles.length) { at("profiles").replaceChildren(); return; }
  const rows = [...profiles].reverse().map((item) => make(
    "tr", {},
    make("th", { scope: "row" }, day(item.created)),
    make("td", {}, item.method),
    make("td", { class: "number" }, quantity(item.backlash_steps)),
    make("td", { class: "number" }, quantity(item.temperature_coefficient_steps_per_c, true)),
    make("td", { class: "number" }, quantity(item.best_focus_steps)),
    make("td", { class: "number" }, item.temperature_c === null ? "" : item.temperature_c.toFixed(1)),
    make("td", {}, plainName(item.proof)),
    make("td", {}, item.run ? make("a", { href: `/v1/runs/${encodeURIComponent(item.run)}/report`, target: "_blank", rel: "noopener" }, "Report") : ""),
  ));
  at("profiles").replaceChildren(table(["made", "seen by", "backlash (steps)", "temperature (steps/C)", "best focus (steps)", "at (C)", "proof", "report"], rows));
}

const numberOf = (item, key) => (key.startsWith("offset:") ? item.offsets_steps[key.slice(7)] : item[key]);

function draw() {
  const key = at("moved").value;
  const against = at("against").value;
  const known = profiles.filter((item) => numberOf(item, key) && item[against] !== null);
  if (!known.length) {
    say(at("history-words"), profiles.length ? "This number is not given in any profile." : "No profile yet.");
    at("history").hidden = true;
    return;
  }
  at("history").hidden = false;
  say(at("history-words"), `From ${counted(known.length, "profile")}; bars are 95 % intervals. The latest: ${quantity(numberOf(known[known.length - 1], key), key !== "backlash_steps")}.`);
  show("history", (ink) => figure(ink, known, key, against));
}

const HALF_DAY_MS = 43_200_000;

/** All dates with half a day around them: a single one then stands in its day, not in its millisecond. */
function days(known) {
  const times = known.map((item) => Date.parse(item.created));
  return [onAxis(Math.min(...times) - HALF_DAY_MS), onAxis(Math.max(...times) + HALF_DAY_MS)];
}

function figure(ink, known, key, against) {
  const drawn = key.startsWith("offset:") ? inkOf(names, key.slice(7)) : { colour: "--c1", symbol: "circle" };
  const colour = ink(drawn.colour);
  const numbers = known.map((item) => numberOf(item, key));
  const y = numbers.map((number) => number.value ?? number.high95);
  const byDate = against === "created";
  return {
    data: [{
      type: "scatter", mode: byDate ? "lines+markers" : "markers", x: known.map((item) => (byDate ? onAxis(Date.parse(item.created)) : item.temperature_c)), y,
      error_y: { type: "data", symmetric: false, array: numbers.map((number, k) => number.high95 - y[k]), arrayminus: numbers.map((number, k) => y[k] - number.low95), color: colour, thickness: 1.5, width: 5 },
      line: { color: colour, width: 1, dash: "dot" }, marker: { color: colour, size: 9, symbol: drawn.symbol },
      text: known.map((item) => day(item.created)), hovertemplate: "%{text}<br>%{y:.2f}<extra></extra>",
    }],
    layout: layout(ink, byDate ? "date" : "temperature (C)", key.endsWith("per_c") ? "steps per C" : "steps", { xaxis: byDate ? { type: "date", range: days(known) } : {} }),
  };
}
