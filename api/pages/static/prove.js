// Beginning a procedure from a form.
import { ask } from "/static/stream.js";

function planOf(form) {
  const plan = {};
  for (const field of form.querySelectorAll("[name]:not([name=operator])")) {
    const text = field.value.trim();
    if (!text) { continue; }
    if (field.dataset.kind === "whole") { plan[field.name] = Number(text); }
    else if (field.dataset.kind === "list") { plan[field.name] = text.split(",").map((one) => one.trim()).filter(Boolean); }
    else { plan[field.name] = text; }
  }
  return plan;
}

for (const form of document.querySelectorAll("[data-begin]")) {
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    try {
      const body = { kind: form.dataset.begin, plan: planOf(form), operator: form.operator.value };
      const view = await ask("POST", `/v1/rigs/${encodeURIComponent(form.dataset.rig)}/procedures`, body);
      location.assign(`/prove/procedures/${view.number}`);
    } catch (problem) {
      form.querySelector(".said").textContent = problem.message;
    }
  });
}
