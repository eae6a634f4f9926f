// The numbers that are known so far, each beside the miss that focus allows: what matters is seen.

import { draw, make, at, table } from "./dom.js";
import { fixed, interval, quantity } from "./words.js";
import { inkOf, SHAPES } from "./figure.js";

const REACH = 4;

/** From the latest fit of a run: numbers by dotted name. */
export function fromFit(rig, numbers) {
  const slope = numbers.slope_px_per_step?.value;
  const half = (name) => {
    const zone = rig.filters.find((item) => item.name === name)?.zone_um;
    return zone && slope && rig.px_per_um ? (zone * rig.px_per_um) / Math.abs(slope) / 2 : null;
  };
  const reference = rig.reference_filter;
  const rows = [{ name: "Backlash", unit: "steps", number: numbers.backlash_steps, half: narrowest(rig, half) }];
  for (const filter of rig.filters) {
    if (filter.name === reference) { continue; }
    rows.push({ name: `Offset of ${filter.name}`, filter: filter.name, unit: "steps", signed: true, number: numbers[`offset_steps.${filter.name}`], half: half(filter.name) });
  }
  rows.push({ name: "Temperature", unit: "steps/C", signed: true, number: numbers.temperature_coefficient_steps_per_c, half: narrowest(rig, half), per: "a degree" });
  rows.push({ name: `Best focus, ${reference}`, filter: reference, unit: "steps", number: numbers[`crossing_${rig.final_side}_steps.${reference}`] });
  for (const filter of rig.filters) {
    const narrowest = numbers[`width_minimum_${rig.final_side}_steps.${filter.name}`];
    if (narrowest) { rows.push({ name: `Narrowest star, ${filter.name}`, filter: filter.name, unit: "steps", number: narrowest }); }
  }
  return rows;
}

/** From a profile. */
export function fromProfile(rig, profile) {
  const total = (item) => item.critical_focus_zone_steps?.value ?? null;
  const zones = profile.filters.map(total).filter((value) => value !== null);
  const least = zones.length ? Math.min(...zones) / 2 : null;
  const rows = [{ name: "Backlash", unit: "steps", number: profile.backlash_steps, half: least, why: reason(profile, "backlash_steps") }];
  for (const item of profile.filters) {
    if (item.name === profile.reference_filter) { continue; }
    const zone = total(item);
    rows.push({
      name: `Offset of ${item.name}`, filter: item.name, unit: "steps", signed: true, number: item.offset_steps,
      half: zone === null ? null : zone / 2, why: reason(profile, `filters.${item.name}.offset_steps`),
    });
  }
  rows.push({
    name: "Temperature", unit: "steps/C", signed: true, number: profile.temperature_coefficient_steps_per_c, half: least, per: "a degree",
    why: reason(profile, "temperature_coefficient_steps_per_c"),
  });
  rows.push({ name: `Best focus, ${profile.best_focus.filter}`, filter: profile.best_focus.filter, unit: "steps", number: profile.best_focus.position_steps });
  return rows;
}

function reason(profile, field) { return profile.flags.find((flag) => flag.field === field)?.message ?? ""; }

function narrowest(rig, half) {
  const known = rig.filters.map((item) => half(item.name)).filter((value) => value !== null);
  return known.length ? Math.min(...known) : null;
}

export function showNumbers(rig, rows, source) {
  const names = rig.filters.map((item) => item.name);
  const lines = rows.map((row) => make(
    "tr", {},
    make("th", { scope: "row" }, row.filter ? marker(names, row.filter) : "", row.name),
    make("td", { class: "number" }, make("span", { class: "value" }, quantity(row.number, row.signed)), row.number ? ` ${row.unit}` : ""),
    make("td", {}, interval(row.number, row.signed)),
    make("td", { class: "words" }, ...against(row)),
  ));
  const made = table(["", "found, with its standard uncertainty", "95 % interval", "against the allowed miss"], lines);
  keepRoles(made);
  at("numbers").replaceChildren(
    make("p", { class: "dim" }, `${source} Pale band: focus may miss by this much (half the critical focus zone).`), made,
  );
}

const ROLES = { table: "table", thead: "rowgroup", tbody: "rowgroup", tr: "row", td: "cell" };

/** On a phone the rows are laid out anew, which would take a table's meaning from a screen reader. */
function keepRoles(made) {
  for (const [name, role] of Object.entries(ROLES)) {
    for (const element of made.querySelectorAll(name)) { element.setAttribute("role", role); }
  }
  for (const head of made.querySelectorAll("th")) { head.setAttribute("role", head.scope === "col" ? "columnheader" : "rowheader"); }
}

function marker(names, filter) {
  const ink = inkOf(names, filter);
  const svg = draw("svg", { viewBox: "0 0 20 20", class: "key", "aria-hidden": "true" });
  svg.append(draw("path", { d: SHAPES[ink.symbol], style: `fill: var(${ink.colour})` }));
  return svg;
}

function against(row) {
  if (!row.number) { return [row.why ? `Not given: ${row.why}` : ""]; }
  if (!row.half) { return [""]; }
  const shares = [row.number.low95, row.number.high95].map((value) => value / row.half);
  const ends = shares[0] <= 0 && shares[1] >= 0 ? [0, Math.max(...shares.map(Math.abs))] : shares.map(Math.abs).sort((a, b) => a - b);
  const share = row.number.value === null ? ends[1] : Math.abs(row.number.value) / row.half;
  const x = (value) => 4 + (Math.min(value, REACH) / REACH) * 168;
  const svg = draw("svg", { viewBox: "0 0 176 20", class: "share", "aria-hidden": "true" });
  svg.append(
    draw("rect", { class: "band", x: x(0), y: 2, width: x(1) - x(0), height: 16 }),
    draw("line", { class: "reach", x1: x(ends[0]), x2: Math.max(x(ends[1]), x(ends[0]) + 1), y1: 10, y2: 10 }),
    share > REACH ? draw("path", { class: "dot", d: "M164 4l10 6-10 6z" }) : draw("circle", { class: "dot", cx: x(share), cy: 10, r: 4.5 }),
  );
  const per = row.per ? ` ${row.per}` : "";
  const words = share < 1 ? `${fixed(share * 100, 0)} %${per}` : `${fixed(share, 1)} times${per}`;
  return [svg, row.number.value === null ? `at most ${words}` : words];
}
