// Puts the page together: asks once for what stands, then follows the events.

import { ask, follow, Refused } from "./api.js";
import { Curve } from "./curve.js";
import { at, say } from "./dom.js";
import { loadPlotly } from "./figure.js";
import { noFrame, showFrame } from "./frame.js";
import * as history from "./history.js";
import * as now from "./now.js";
import { fromFit, fromProfile, showNumbers } from "./numbers.js";
import { showRuns } from "./runs.js";
import * as schemes from "./schemes.js";
import * as start from "./start.js";
import { showTemperature } from "./temperature.js";
import { clock, day } from "./words.js";

const view = { rig: null, curve: null, status: null, runs: [], run: null, chosen: null, step: -1, holds: [], profile: null, live: false };
let asking = false;
let again = false;
const AGAIN_MS = 3000;
const due = new Set();

/** Ask once more in a moment: an answer was lost, and no event may be near. A link that comes back asks for all. */
function soon(question) {
  if (due.has(question)) { return; }
  due.add(question);
  setTimeout(() => { due.delete(question); if (view.live) { question(); } }, AGAIN_MS);
}

function showLink(up) {
  view.live = up;
  document.documentElement.toggleAttribute("data-stale", !up);
  say(at("link"), up ? "Live" : `No answer since ${clock(new Date())}: what you see is old`);
  if (up) { everything(); }
}

function heard(kind, facts) {
  if (kind === "status") { takeStatus(facts); return; }
  if (["hold", "resume", "choice"].includes(kind)) { more(); }
  if (kind === "step" && ["Observe", "Estimate"].includes(facts.step.kind)) { more(); }
  if (["over", "requested", "end"].includes(kind)) { lists(); }
}

function takeStatus(status) {
  const before = view.status;
  view.status = status;
  now.showNow(status, view.runs.find((run) => run.id !== status.run?.id));
  start.allow(!status.run && !status.interrupted.length && view.rig !== null);
  if (status.run && status.run.id !== view.run && !view.chosen) { shown(status.run.id); }
  if (before && before.run?.id !== status.run?.id) {
    view.chosen = null;
    if (status.run) { shown(status.run.id); }
    lists();
  }
  if (before && before.profile?.created !== status.profile?.created) { lists(); }
}

/** Draw another run from its beginning. */
function shown(run) {
  if (view.run === run) { return; }
  Object.assign(view, { run, step: -1, holds: [] });
  view.curve.clear();
  view.curve.run = run;
  noFrame();
  view.curve.show();
  more();
  drawRuns();
}

/** Ask for the looks since the last one; one question at a time, and none forgotten. */
async function more() {
  if (!view.run || !view.rig) { return; }
  if (asking) { again = true; return; }
  asking = true;
  const run = view.run;
  try {
    const found = await ask(`/v1/runs/${encodeURIComponent(run)}/picture?beyond_step=${view.step}`);
    if (run === view.run) { took(found); }
  } catch (error) {
    /* the link's own line says that the service is away */
    if (!(error instanceof Refused)) { soon(more); }
  } finally {
    asking = false;
    if (again || run !== view.run) { again = false; more(); }
  }
}

function took(found) {
  view.step = found.last_step;
  view.holds = found.holds;
  view.curve.take(found.looks);
  view.curve.know(found.numbers);
  view.curve.show();
  if (found.numbers && !view.rig.px_per_um) { zones(); }
  const looks = view.curve.looks;
  if (looks.length) { showFrame(view.run, looks[looks.length - 1]); }
  showTemperature(view.rig, looks, view.holds);
  numbers();
}

/** The focus zones are known once a worker has written them, at the first run. */
async function zones() {
  const rig = await answered("/v1/rig", zones);
  if (rig?.px_per_um) { view.rig = rig; numbers(); }
}

function numbers() {
  const running = view.status?.run && view.run === view.status.run.id;
  const own = view.curve.numbers;
  const concluded = view.profile && (!own || view.profile.evidence.run === view.run);
  if (own && (running || !concluded)) {
    showNumbers(view.rig, fromFit(view.rig, own), running ? "From the looks so far." : "From the last fit of the run that is drawn.");
  } else if (view.profile) {
    showNumbers(view.rig, fromProfile(view.rig, view.profile), `From the profile of ${day(view.profile.created)}.`);
  }
}

function drawRuns() {
  showRuns(view.runs, view.run, (run) => { view.chosen = run.id; shown(run.id); window.scrollTo({ top: 0 }); });
}

/** Return an answer, null where the service refuses it; a lost one is undefined, and `question` is due again. */
async function answered(path, question) {
  try {
    return await ask(path);
  } catch (error) {
    if (error instanceof Refused) { return null; }
    soon(question);
    return undefined;
  }
}

async function lists() {
  const [runs, profiles, profile] = await Promise.all([
    answered("/v1/runs", lists), answered("/v1/profiles", lists), view.status?.profile ? answered("/v1/profile", lists) : null,
  ]);
  if (runs) { view.runs = runs.runs; }
  if (profiles) { history.showHistory(profiles.profiles); }
  if (profile !== undefined) { view.profile = profile; }
  if (!view.run && view.runs.length) { shown(view.runs[0].id); }
  if (view.status) { now.showNow(view.status, view.runs.find((run) => run.id !== view.status.run?.id)); }
  drawRuns();
  numbers();
}

async function everything() {
  try {
    const rig = await ask("/v1/rig");
    if (!view.rig) { began(rig); }
    view.rig = rig;
    takeStatus(await ask("/v1/status"));
    await lists();
    more();
  } catch (error) {
    now.tell(`The service does not answer as it should: ${error.message}`, true);
    if (!(error instanceof Refused)) { soon(everything); }
  }
}

function began(rig) {
  say(at("rig"), rig.simulated ? `${rig.name} (simulated: nothing real moves)` : rig.name);
  view.rig = rig;
  const others = rig.filters.map((item) => item.name).filter((name) => name !== rig.reference_filter);
  view.curve = new Curve([rig.reference_filter, ...others]);
  start.begin(rig);
  history.begin(rig);
}

schemes.begin();
now.begin();
follow(["status", "step", "hold", "resume", "choice", "over", "requested", "end", "wanted", "gap"], (kind, facts) => { if (view.rig) { heard(kind, facts); } }, showLink);
// Two frames on, the page has been painted; only then comes the large script.
requestAnimationFrame(() => requestAnimationFrame(() => setTimeout(loadPlotly, 0)));
