// What is happening: one sentence, how far, how long still, why it waits, and the commands.

import { at, make, say } from "./dom.js";
import { post } from "./api.js";
import { capital, clock, counted, duration, plainName } from "./words.js";

let status = null;

export function showNow(now, lastRun) {
  status = now;
  document.title = now.run ? `${Math.round(now.run.fraction * 100)} % ${plainName(now.run.routine)}` : "drawtube";
  say(at("sentence"), sentence(now, lastRun));
  showProgress(now.run);
  at("reasons").replaceChildren(...now.holding.map((words) => make("li", {}, capital(words))));
  say(at("place"), place(now));
  const waiting = now.interrupted.length > 0 && !now.run;
  const held = now.holding.includes("held by a person");
  at("stop").hidden = !now.run && !waiting;
  at("stop").disabled = now.run?.state === "stopping";
  at("hold").hidden = !now.run || held || now.run.state === "stopping";
  at("resume").hidden = !((now.run && (held || now.run.sentence.startsWith("Wanted:"))) || waiting);
  showGates(now);
}

function sentence(now, lastRun) {
  const run = now.run;
  if (run) {
    if (run.state === "stopping") { return "Stopping: what moves is being halted."; }
    const name = capital(plainName(run.routine));
    if (now.holding.length) { return `${name} is waiting: ${now.holding[0]}.`; }
    return `${name}: ${run.sentence || "under way"}${/[.!?]$/.test(run.sentence) ? "" : "."}`;
  }
  if (now.interrupted.length) { return `Run ${now.interrupted[0]} was interrupted. Resume it, or stop it for good.`; }
  const before = lastRun ? ` The last run, ${plainName(lastRun.routine)}, ${ENDS[lastRun.state] ?? `is ${lastRun.state}`}.` : "";
  const known = now.profile ? ` ${now.profile.headline}` : " No numbers are known yet.";
  return `Nothing is running.${before}${known}`;
}

const ENDS = { done: "came to its end", partial: "ended with a part of its numbers", stopped: "was stopped", failed: "failed" };

function showProgress(run) {
  at("bar").hidden = !run;
  if (!run) { say(at("progress"), ""); return; }
  const percent = Math.round(run.fraction * 100);
  at("bar").setAttribute("aria-valuenow", String(percent));
  at("bar").firstElementChild.style.width = `${percent}%`;
  const left = run.remaining_s === null ? "too early to say how long still" : `about ${duration(run.remaining_s)} left`;
  say(at("progress"), `${percent} %, ${left}; ${counted(run.observations, "look")} so far.`);
}

function place(now) {
  const parts = [];
  if (now.position_steps !== null) { parts.push(`focuser at ${now.position_steps} steps`); }
  if (now.filter !== null) { parts.push(`filter ${now.filter}`); }
  if (now.temperature_c !== null) { parts.push(`${now.temperature_c.toFixed(1)} C`); }
  for (const item of now.schedules) {
    parts.push(`schedule ${item.name}: ${item.next ? `next ${new Date(item.next).toLocaleString()}` : item.last || "when it is due"}`);
  }
  return parts.length ? `${capital(parts.join(", "))}.` : "";
}

function showGates(now) {
  if (!now.gates.length) {
    at("gates").replaceChildren(make("p", { class: "dim" }, "Gates are watched while a run is on."));
    return;
  }
  const rows = now.gates.map((gate) => make(
    "tr", {},
    make("th", { scope: "row" }, gate.name),
    make("td", gate.open ? {} : { class: "shut" }, gate.open ? "open" : "shut"),
    make("td", { class: "words" }, gate.reason || ""),
    make("td", { class: "dim" }, `since ${clock(new Date(gate.since))}`),
  ));
  at("gates").replaceChildren(make("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": "Gates" }, make("table", {}, make("tbody", {}, ...rows))));
}

/** Say what became of a command; it stays until the next one. */
export function tell(words, problem = false) {
  at("told").classList.toggle("problem", problem);
  say(at("told"), words);
}

async function command(verb, done) {
  const run = status?.run?.id ?? status?.interrupted[0];
  if (!run) { return; }
  try {
    await post(`/v1/runs/${encodeURIComponent(run)}/${verb}`);
    tell(done);
  } catch (error) {
    tell(`Could not ${verb}: ${error.message}`, true);
  }
}

export function begin() {
  at("stop").addEventListener("click", () => command("stop", "Stopped."));
  at("hold").addEventListener("click", () => command("hold", "Held: it waits before its next step."));
  at("resume").addEventListener("click", () => command("resume", "Going on."));
}
