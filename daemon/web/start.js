// Starting a routine: first what it will do, how long it takes and what to mind; then the button.

import { at, make, say } from "./dom.js";
import { ask, post } from "./api.js";
import { tell } from "./now.js";
import { capital, counted, duration, plainName } from "./words.js";

const PLAN_WITHIN_MS = 90000;
const CAUTIONS = [
  "Never aim at or near the Sun: it blinds, and it melts.",
  "Keep fingers out of a moving drawtube, and cables clear of it to the end of its travel.",
  "A heavy camera that points down can slip when the drawtube's lock or clutch is loose.",
];
const WITH_MASK = "Mask on, a bright star of middling colour, high up. Take the mask off afterwards.";
const WITHOUT_MASK = "Mask off, and stars in the field.";

let routines = [];
let asked = 0;

export function begin(rig) {
  routines = rig.routines;
  at("routine").replaceChildren(...routines.map((item) => make("option", { value: item.name }, capital(plainName(item.name)))));
  const preferred = routines.find((item) => item.name === "characterise");
  if (preferred) { at("routine").value = preferred.name; }
  at("routine").addEventListener("change", chosen);
  at("ask-plan").addEventListener("click", plan);
  chosen();
}

const current = () => routines.find((item) => item.name === at("routine").value);

function chosen() {
  asked += 1;
  say(at("purpose"), current()?.purpose ?? "");
  at("plan").replaceChildren();
}

/** The panel is there while nothing runs. */
export function allow(idle) {
  if (at("begin").hidden === idle) {
    at("begin").hidden = !idle;
    at("plan").replaceChildren();
  }
}

async function plan() {
  const routine = current();
  const mine = ++asked;
  at("ask-plan").disabled = true;
  at("plan").replaceChildren(make("p", { role: "status" }, "Going through it without moving anything. This takes some seconds."));
  try {
    const found = await ask(`/v1/routines/${encodeURIComponent(routine.name)}/plan`, { within: PLAN_WITHIN_MS });
    if (mine === asked) { at("plan").replaceChildren(...told(routine, found)); at("plan").focus(); }
  } catch (error) {
    if (mine === asked) { at("plan").replaceChildren(make("p", { class: "shut" }, `It could not be worked out: ${error.message}`)); }
  } finally {
    at("ask-plan").disabled = false;
  }
}

function told(routine, found) {
  const fine = found.inside_limits && found.outcome === "done";
  const [low, high] = found.limits_steps;
  const stretch = found.lowest_steps === null ? "The motor does not move." : `The motor goes from ${found.lowest_steps} to ${found.highest_steps} steps, ${found.inside_limits ? "inside" : "OUTSIDE"} the limits ${low} to ${high}.`;
  const cautions = [routine.method === "width" ? WITHOUT_MASK : WITH_MASK, ...CAUTIONS];
  const start = make("button", { type: "button", class: "stop", id: "start" }, `Start: ${plainName(routine.name)}`);
  start.disabled = !fine;
  start.addEventListener("click", () => go(routine.name));
  return [
    make("p", { class: "big" }, `About ${duration(found.duration_s)}, ${counted(found.observations, "look")}. ${stretch}`),
    fine ? null : make("p", { class: "shut" }, `It would not come to its end: ${found.outcome}.`),
    make("h3", {}, "Before it moves"),
    make("ul", {}, ...cautions.map((words) => make("li", {}, words))),
    make("div", { class: "commands" }, start),
    make("p", { class: "dim" }, found.notes.map((note) => `${capital(note)}.`).join(" ")),
    make("details", {}, make("summary", {}, `Every step (${found.steps.length})`), make("ol", { tabindex: "0" }, ...found.steps.map(step))),
  ].filter((part) => part !== null);
}

function step(item) {
  const places = item.positions_steps.length ? ` ${item.positions_steps.join(", then ")}` : "";
  return make("li", {}, `${item.does}${places}${item.seconds ? ` (${item.seconds} s)` : ""}`);
}

async function go(name) {
  try {
    await post("/v1/runs", { routine: name });
    tell(`${capital(plainName(name))} was started.`);
    at("now").focus();
    window.scrollTo({ top: 0 });
  } catch (error) {
    tell(`It was not started: ${error.message}`, true);
  }
}
