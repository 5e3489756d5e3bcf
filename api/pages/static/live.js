// The live page of one rig.
import { ask, follow } from "/static/stream.js";
import { Scanner } from "/static/scan.js";
import { FlickDrawing } from "/static/flicks.js";

const live = document.getElementById("live");
const rig = live.dataset.rig;
const base = `/v1/rigs/${encodeURIComponent(rig)}`;
const byId = (id) => document.getElementById(id);
const groups = new Map([...document.querySelectorAll("[data-group]")].map((section) => [
  section.dataset.group, { section, drawing: new FlickDrawing(section) },
]));
const pattern = new RegExp(`^(?:${live.dataset.pattern})$`);
const zonesCounts = JSON.parse(live.dataset.zonesCounts);
const reasonWords = JSON.parse(live.dataset.reasonWords);
let shownRun = 0;

function say(id, text) { byId(id).textContent = text; }

function lines(id, texts) {
  byId(id).replaceChildren(...texts.map((text) => Object.assign(document.createElement("li"), { textContent: text })));
}

function showVerdict(view) {
  for (const place of document.querySelectorAll(".board li")) {
    const holds = place.dataset.verdict === view.verdict;
    place.classList.toggle("holds", holds);
    if (holds) { place.setAttribute("aria-current", "true"); } else { place.removeAttribute("aria-current"); }
  }
  say("verdict-word", view.verdict ? `Verdict ${view.verdict}` : "No verdict");
  lines("reasons", view.reasons.map(inWords));
  const link = byId("run-link");
  link.hidden = !view.last_run;
  link.href = `/runs/${view.last_run}`;
  link.textContent = `run ${view.last_run}`;
}

function showUnit(view) {
  const zone = zonesCounts[view.unit?.product] ?? Object.values(zonesCounts)[0] ?? 0;
  for (const { drawing } of groups.values()) { drawing.zone = zone; }
  say("unit-serial", view.unit ? view.unit.serial : "none scanned");
  say("unit-product", view.unit ? view.unit.product : "");
  say("unit-lot", view.unit ? view.unit.lot : "");
  say("inputs", Object.entries(view.inputs).map(([name, good]) => `${name.replaceAll("_", " ")}: ${good ? "yes" : "no"}`).join(", "));
  say("rig-id", view.rig_id || "not linked");
  say("firmware", view.firmware);
}

function showProgress(progress, running) {
  for (const [group, { section }] of groups) {
    const one = progress[group];
    const standing = one && (one.settled || !running ? one.verdict : "going on");
    section.querySelector(".counts").textContent = one ? `${standing}: ${one.flicks} flicks, ${one.beyond} beyond the zone` : "no flick yet";
  }
}

function inWords(reason) {
  const [code, part] = reason.split(":");
  const where = part ? `${/[+-]$/.test(part) ? "group" : "axis"} ${part}: ` : "";
  return `${reason}: ${where}${reasonWords[code] ?? code}`;
}

function show(view) {
  live.dataset.state = view.state;
  say("state", view.state);
  say("sentence", view.sentence);
  lines("not-ready", view.state === "running" ? [] : view.not_ready.filter((line) => !view.sentence.includes(line)));
  byId("state-panel").classList.toggle("needs", ["fault", "unlinked"].includes(view.state));
  byId("start").disabled = view.state === "running" || view.not_ready.length > 0;
  byId("reset").disabled = view.state === "running";
  say("progress-run", view.run_number ? `run ${view.run_number}` : "");
  showVerdict(view);
  showUnit(view);
  if (view.run_number) { beginRun(view.run_number); }
  if (Object.keys(view.progress).length) { showProgress(view.progress, view.state === "running"); }
}

function beginRun(run) {
  if (run === shownRun) { return; }
  shownRun = run;
  for (const { drawing } of groups.values()) { drawing.clear(); }
  showProgress({}, true);
}

let asking = false, again = false;
async function refresh() {
  if (asking) { again = true; return; }
  asking = true;
  try {
    show(await ask("GET", base));
  } catch (problem) {
    say("said", problem.message);
  }
  await new Promise((done) => setTimeout(done, 150));
  asking = false;
  if (again) { again = false; refresh(); }
}

function onEvent(kind, { data }) {
  if (kind === "flick") {
    beginRun(data.run);
    showProgress(data.progress, true);
    if (data.trace) { groups.get(data.group).drawing.add(data.trace.t_ms, data.trace.deflection_counts); }
  } else if (kind === "notice") {
    say("said", data.sentence);
  } else {
    refresh();
  }
}

async function press(verb) {
  try {
    show(await ask("POST", `${base}/${verb}`));
    say("said", "");
  } catch (problem) {
    say("said", problem.message);
  }
}

async function takeUnit(serial) {
  if (!pattern.test(serial)) {
    say("scan-said", `${serial} is not a serial number of this station; expected the form ${live.dataset.pattern}`);
    return;
  }
  try {
    const body = { serial, product: byId("product").value, lot: byId("lot").value, operator: byId("operator").value };
    show(await ask("POST", `${base}/unit`, body));
    say("scan-said", `Unit ${serial} taken. Nothing moves before start.`);
    setTimeout(refresh, 300);
  } catch (problem) {
    say("scan-said", problem.message);
  }
}

const scanner = new Scanner(byId("scan"), takeUnit);
byId("scan-form").addEventListener("submit", (event) => {
  event.preventDefault();
  scanner.accept(byId("scan").value);
  byId("scan").value = "";
});
const operator = byId("operator");
operator.value = sessionStorage.getItem("operator") ?? "";
operator.addEventListener("change", () => sessionStorage.setItem("operator", operator.value));
byId("halt").addEventListener("click", () => press("halt"));
for (const verb of ["start", "reset"]) {
  byId(verb).addEventListener("click", async (event) => {
    if (event.detail > 0 || await scanner.calm()) { press(verb); }
  });
}
follow(`/v1/events?rig=${encodeURIComponent(rig)}`, ["rig", "run-started", "flick", "round", "run-ended", "notice"], onEvent, refresh);
refresh();
