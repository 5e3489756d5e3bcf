// Pictures of the lot view: share that passes, and added lag, against capacitance.
import { DARK, GREY, frame, limit, micro, show } from "/static/plots.js";

const MARGIN = 1.12;
const POINT = { fill_color: GREY, line_color: DARK, line_width: 1.5 };

function marked(plot, values, y, best) {
  const at = (some) => some.map((one) => micro(one.capacitance_f));
  const chosen = values.filter((one) => one.capacitance_f === best);
  plot.line(at(values), values.map(y), { line_color: DARK, line_width: 2 });
  plot.scatter(at(values), values.map(y), { ...POINT, size: 8 });
  plot.scatter(at(chosen), chosen.map(y), { ...POINT, size: 16, marker: "square" });
}

function shares(place, { values, best_f: best }) {
  const plot = frame("capacitance, µF", "share that passes, %", 260, { y_range: new Bokeh.Range1d({ start: 0, end: 104 }) });
  const at = values.map((one) => micro(one.capacitance_f));
  plot.segment(at, values.map((one) => 100 * one.share_low), at, values.map((one) => 100 * one.share_high), { line_color: DARK, line_width: 2 });
  marked(plot, values, (one) => 100 * one.share, best);
  return show(plot, place);
}

function lags(place, { values, best_f: best, lag_limit_s: most }) {
  const top = 1e3 * MARGIN * Math.max(most, ...values.map((one) => one.lag_s.max));
  const plot = frame("capacitance, µF", "added lag, ms", 260, { y_range: new Bokeh.Range1d({ start: 0, end: top }) });
  limit(plot, 1e3 * most);
  marked(plot, values, (one) => 1e3 * one.lag_s.mean, best);
  plot.scatter(values.map((one) => micro(one.capacitance_f)), values.map((one) => 1e3 * one.lag_s.max), { size: 9, marker: "triangle", fill_color: "#ffffff", line_color: DARK, line_width: 1.5 });
  return show(plot, place);
}

async function drawAll(within) {
  for (const place of within.querySelectorAll("[data-lot]:not([data-drawn])")) {
    try {
      const about = JSON.parse(place.dataset.lot);
      await shares(place.querySelector("[data-chart=shares]"), about);
      await lags(place.querySelector("[data-chart=lags]"), about);
      place.dataset.drawn = "true";
    } catch (problem) {
      within.querySelector("[data-lot-said]").textContent = `The pictures could not be drawn: ${problem.message}`;
    }
  }
}
document.addEventListener("filled", (event) => drawAll(event.detail));
await drawAll(document);
