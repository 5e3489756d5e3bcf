// Recording what was fitted: picked, typed, or scanned wherever the focus is. A part other than the advised one is asked about once.
import { ask, follow } from "/static/stream.js";
import { Scanner } from "/static/scan.js";

const PART_KEYS = 3; // the shortest marking: 474
const SAID = "restpoint-said";
const byId = (id) => document.getElementById(id);
const form = byId("fitted-form");
let asked = ""; // what has been asked about: pressing again records it

function say(text) { byId("fitted-said").textContent = text; }
const place = () => form.querySelector("[name=place]:checked");
const picked = () => form.querySelector("[name=part]:checked");
const part = () => byId("marking").value.trim() || (picked()?.value ?? "");
const code = (text) => text.toUpperCase().replace(/^(\d{3})[A-Z]$/, "$1"); // without its tolerance letter

function shown() {
  const where = place()?.value ?? "";
  byId("record-button").textContent = part() && where ? `Record ${part()} on ${where}` : "Record";
}

function question(where, what) {
  const { marking, advised } = where.dataset;
  if (code(what) === code(marking)) { return ""; }
  const wanted = marking ? `Advised on ${where.value} is ${advised} (${marking})` : `Nothing is advised on ${where.value}`;
  return `${wanted}. Press again to record ${what} all the same.`;
}

async function record() {
  const where = place(), what = part();
  if (!where || !what) { say("Pick where, and pick, scan or type the part."); return; }
  const open = question(where, what);
  const about = `${where.value} ${what}`;
  if (open && asked !== about) { asked = about; say(open); return; }
  const body = { stick: where.dataset.stick, axis: where.dataset.axis, part: what, operator: byId("operator").value };
  try {
    await ask("POST", `/v1/rework/${byId("record").dataset.order}/fitted`, body);
    sessionStorage.setItem(SAID, `Recorded: ${what} on ${where.value}.`);
    location.reload();
  } catch (problem) {
    asked = "";
    say(problem.message);
  }
}

function scanned(text) {
  if (text.toUpperCase() === byId("record").dataset.serial) { say("That is the unit of this order. Now scan the part."); return; }
  byId("marking").value = text;
  shown();
  record();
}

function begin() {
  const scanner = new Scanner(byId("marking"), scanned, { shortest: PART_KEYS, exact: true });
  const operator = byId("operator");
  operator.value = sessionStorage.getItem("operator") ?? "";
  operator.addEventListener("change", () => sessionStorage.setItem("operator", operator.value));
  form.addEventListener("change", (event) => {
    if (event.target.name === "part") { byId("marking").value = ""; }
    shown();
  });
  byId("marking").addEventListener("input", () => {
    if (picked()) { picked().checked = false; }
    shown();
  });
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    if (document.activeElement !== byId("record-button") || await scanner.calm()) { record(); }
  });
  say(sessionStorage.getItem(SAID) ?? "");
  sessionStorage.removeItem(SAID);
  shown();
}

function beginEnding() {
  const ending = byId("ending-form");
  ending.operator.value = sessionStorage.getItem("operator") ?? "";
  ending.addEventListener("submit", async (event) => {
    event.preventDefault();
    const body = { cause: ending.cause.value, operator: ending.operator.value };
    try {
      await ask("POST", `/v1/rework/${byId("ending").dataset.order}/${ending.how.value}`, body);
      location.reload();
    } catch (problem) {
      byId("ending-said").textContent = problem.message;
    }
  });
}

if (form) { begin(); }
if (byId("ending-form")) { beginEnding(); }

// The page changes under nobody's hands: it says that there is news, and loads it only when nothing is being entered.
const order = Number(byId("record").dataset.order);
follow("/v1/events", ["rework"], (kind, { data }) => {
  const busy = (form && part()) || document.querySelector("#ending details[open]");
  if (kind === "rework" && data.order === order && !busy) { location.reload(); }
}, () => undefined);
