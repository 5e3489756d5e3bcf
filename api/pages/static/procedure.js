// A procedure, step by step: what to do now, what goes on, what went wrong. Lives on after a restart of the service.
import { ask, follow } from "/static/stream.js";
import { Scanner } from "/static/scan.js";

const box = document.getElementById("procedure");
const { number, rig } = box.dataset;
const address = `/v1/procedures/${number}`;
const at = (id) => document.getElementById(id);
const go = at("go"), said = at("said");
const PLACES = { "calibration": "/prove/calibrations/", "reference-check": "/prove/checks/", "gauge-study": "/prove/studies/", "type-1-study": "/prove/studies/" };

function text(id, words) { if (at(id).textContent !== words) { at(id).textContent = words; } }

function showStep(view) {
  const step = view.steps.find((one) => one.position === view.next);
  const open = view.standing === "open";
  wanted = step?.unit ?? "";
  at("card").hidden = !open;
  at("abandon-box").hidden = !open;
  if (!open) { return; }
  text("step-count", step ? `Step ${step.position} of ${view.steps.length}` : `All ${view.steps.length} steps are done`);
  text("step-title", step ? step.title : "Conclude");
  const lines = step ? step.says : ["Every step is done; the conclusion is wanted."];
  at("step-says").replaceChildren(...lines.map((line) => Object.assign(document.createElement("li"), { textContent: line })));
  text("step-who", step && (step.unit || step.operator) ? [step.unit && `Unit ${step.unit}`, step.operator && `Operator ${step.operator}`].filter(Boolean).join(", ") : "");
  text("step-progress", view.busy ? `${view.progress}. ${step && step.moves ? "Keep hands out." : ""}` : "");
  text("step-problem", view.problem ? `Not done: ${view.problem}` : "");
  at("step-problem").hidden = !view.problem;
  go.disabled = view.busy;
  go.textContent = view.busy ? "Under way" : view.problem ? "Do it again" : step ? "Start step" : "Conclude";
}

function showSteps(view) {
  for (const item of at("steps").children) {
    const position = Number(item.dataset.position);
    const step = view.steps[position - 1];
    item.className = step.done_at ? "done" : position === view.next ? "next" : "";
    item.querySelector(".again").hidden = !(step.done_at && view.standing === "open" && !view.busy);
  }
}

function showOutcome(view) {
  at("outcome").hidden = view.standing === "open";
  if (view.standing === "open") { return; }
  if (view.standing === "abandoned") {
    text("outcome-head", "Abandoned");
    text("outcome-word", view.cause);
    return;
  }
  const found = view.outcome;
  text("outcome-word", found.accepted ? (found.kind === "reference-check" ? "Within its limits" : "Accepted") : found.kind === "reference-check" ? "Off" : "Not accepted");
  at("outcome").classList.toggle("needs", !found.accepted);
  at("outcome-problems").replaceChildren(...(found.problems ?? []).map((line) => Object.assign(document.createElement("li"), { textContent: line })));
  const place = PLACES[found.kind];
  at("outcome-link").hidden = !place;
  if (place) { at("outcome-link").href = place + found.number; }
}

async function look() {
  try {
    const view = await ask("GET", address);
    showStep(view);
    showSteps(view);
    showOutcome(view);
    box.dataset.standing = view.standing;
    return view;
  } catch (problem) {
    said.textContent = problem.message;
    return null;
  }
}

async function doing(what) {
  said.textContent = "";
  try { await what(); } catch (problem) { said.textContent = problem.message; }
  await look();
}

let wanted = ""; // serial of the unit the step asks for
const scanner = new Scanner(null, (code) => {
  said.textContent = !wanted ? `${code}: this step asks for no unit.` : code === wanted ? `${code} is the unit of this step.` : `${code} is not the unit of this step: expected ${wanted}.`;
});
// A key that ends a scan starts nothing: the finger moves only when a person pressed.
const pressed = async (event) => event.detail > 0 || scanner.calm();

go.addEventListener("click", async (event) => { if (await pressed(event)) { doing(() => ask("POST", `${address}/go-on`, {})); } });
at("halt").addEventListener("click", () => doing(() => ask("POST", `/v1/rigs/${encodeURIComponent(rig)}/halt`)));
at("steps").addEventListener("click", async (event) => {
  const position = Number(event.target.dataset.again);
  if (position && await pressed(event)) { doing(() => ask("POST", `${address}/go-on`, { position })); }
});
at("abandon").addEventListener("submit", (event) => {
  event.preventDefault();
  const form = event.target;
  doing(() => ask("POST", `${address}/abandon`, { operator: form.operator.value, cause: form.cause.value }));
});

await look();
follow(`/v1/events?rig=${encodeURIComponent(rig)}`, ["procedure", "rig", "notice"], look, look);
setInterval(() => { if (box.dataset.standing === "open") { look(); } }, 2000);
