// Setting a pooled monitor back once its cause was found.
import { ask } from "/static/stream.js";

for (const form of document.querySelectorAll("[data-set-back]")) {
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const body = { specification: form.dataset.setBack, operator: form.operator.value, cause: form.cause.value };
    try {
      await ask("POST", "/v1/monitors/set-back", body);
      location.reload();
    } catch (problem) {
      form.querySelector(".said").textContent = problem.message;
    }
  });
}
