// One control chart: points against their limits, signals by shape; freezing limits, and notes.
import { ask } from "/static/stream.js";
import { COLOURS, DARK, GREY, frame, show } from "/static/plots.js";

const box = document.getElementById("chart");
const said = document.getElementById("chart-said");
const key = box.dataset.key;
const CALL = "#d55e00", PLAIN = "#ffffff";

// The axis a chart is about, by its figure: "y", "main x+ peak_counts", "y-".
function colour(chart) {
  const axis = /(^| )([xy])([+-]|$| )/.exec(chart.figure);
  return axis ? COLOURS[axis[2]] : PLAIN;
}

function part(points, name) { return points.map((one) => (name === "level" ? one : one.spread)); }

async function draw(place, found) {
  const shown = part(found.points, place.dataset.part), at = found.points.map((_, index) => index + 1);
  const level = place.dataset.part === "level";
  const plot = frame(`${found.called}, oldest first`, level ? found.unit : found.spread ?? "", level ? 320 : 220, { title: found.limits === "provisional" ? "provisional limits" : null });
  const known = shown.map((one, index) => [one, index]).filter(([one]) => one && one.value !== null);
  const steps = (name, style) => {
    const mine = known.filter(([one]) => one[name] !== null && one[name] !== undefined);
    if (mine.length) { plot.step(mine.map(([, index]) => at[index]), mine.map(([one]) => one[name]), "center", style); }
  };
  const dash = found.limits === "provisional" ? [2, 6] : [12, 5];
  steps("centre", { line_color: DARK, line_width: 1.5 });
  steps("lower", { line_color: DARK, line_width: 2, line_dash: dash });
  steps("upper", { line_color: DARK, line_width: 2, line_dash: dash });
  const xs = known.map(([, index]) => at[index]), ys = known.map(([one]) => one.value);
  plot.line(xs, ys, { line_color: GREY });
  plot.scatter(xs, ys, { size: 7, fill_color: colour(found.chart), line_color: DARK });
  const fired = known.filter(([, index]) => found.points[index].rules.some((rule) => (rule === "spread") !== level));
  if (fired.length) {
    plot.scatter(fired.map(([, index]) => at[index]), fired.map(([one]) => one.value), { marker: "square_x", size: 15, fill_color: "#ffffff", line_color: CALL, line_width: 2.5 });
  }
  return show(plot, place);
}

function sending(id, address, bodyOf) {
  document.getElementById(id).addEventListener("submit", async (event) => {
    event.preventDefault();
    const form = event.target;
    try {
      await ask("POST", address, { key, operator: form.operator.value, ...bodyOf(form) });
      location.reload();
    } catch (problem) {
      form.querySelector(".said").textContent = problem.message;
    }
  });
}

sending("note", "/v1/charts/notes", (form) => ({ point: form.point.value, cause: form.cause.value, action: form.querySelector("[name=action]").value }));
sending("freeze", "/v1/charts/limits", (form) => ({
  first: form.first.value, last: form.last.value, rules: [...form.querySelectorAll("[name=rule]:checked")].map((one) => one.value),
}));

try {
  const found = await ask("GET", `/v1/charts/points?key=${encodeURIComponent(key)}`);
  for (const place of box.querySelectorAll("[data-part]")) { await draw(place, found); }
  box.dataset.drawn = "true";
} catch (problem) {
  said.textContent = `The chart could not be drawn: ${problem.message}`;
}
