// The runs: the newest first, each with its report, and the choice of which one is drawn above.

import { at, make, table } from "./dom.js";
import { capital, day, plainName } from "./words.js";

export function showRuns(runs, shown, choose) {
  if (!runs.length) {
    at("runs").replaceChildren(make("p", { class: "dim" }, "None yet."));
    return;
  }
  const rows = runs.map((run) => {
    const button = make("button", { type: "button", "aria-label": `Draw run ${run.id} above`, disabled: run.id === shown }, run.id === shown ? "Drawn above" : "Draw");
    button.addEventListener("click", () => choose(run));
    const why = run.result?.message ?? run.result?.conclusion ?? "";
    return make(
      "tr", {},
      make("th", { scope: "row" }, day(run.created)),
      make("td", {}, capital(plainName(run.routine))),
      make("td", run.state === "failed" ? { class: "shut" } : {}, run.state),
      make("td", {}, run.origin),
      make("td", {}, button),
      make("td", {}, run.report ? make("a", { href: `/v1/runs/${encodeURIComponent(run.id)}/report`, target: "_blank", rel: "noopener" }, "Report") : ""),
      make("td", { class: "words dim" }, why),
    );
  });
  at("runs").replaceChildren(table(["begun", "routine", "state", "asked for by", "curve", "report", "remarks"], rows));
}
