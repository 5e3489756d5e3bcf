// Pictures of advice: peak and lag against capacitance with their limits, and the predicted trace of a chosen part over the measured ones.
import { ask } from "/static/stream.js";
import { COLOURS, DARK, frame, limit, line, lines, micro, show, zone } from "/static/plots.js";

const TRACES_DRAWN = 12; // measured flicks laid under the prediction
const SHOWN_MS = [-5, 50]; // at first; the rest can be moved into view
const MARGIN = 1.12;

function marks(plot, axis, parts, y, parted) {
  const chosen = parts.filter((one) => one.capacitance_f === parted);
  const style = { fill_color: COLOURS[axis], line_color: DARK, line_width: 1.5 };
  plot.scatter(parts.map((one) => micro(one.capacitance_f)), parts.map(y), { ...style, size: 8 });
  plot.scatter(chosen.map((one) => micro(one.capacitance_f)), chosen.map(y), { ...style, size: 16, marker: "square" });
}

function joined(plot, axis, parts, y) {
  const source = new Bokeh.ColumnDataSource({ data: { x: parts.map((one) => micro(one.capacitance_f)), y: parts.map(y) } });
  line(plot, axis, source, { line_width: 2 });
}

function peaks(place, about) {
  const parts = about.candidates;
  const mean = (one) => one.peak_counts.mean;
  const top = MARGIN * Math.max(about.zone_counts, ...parts.map((one) => Math.max(one.peak_counts.worst, mean(one) + 2 * one.peak_counts.sd)));
  const plot = frame("capacitance, µF", "peak, counts", 260, { y_range: new Bokeh.Range1d({ start: 0, end: top }) });
  zone(plot, 0, about.zone_counts);
  limit(plot, about.zone_counts);
  const at = parts.map((one) => micro(one.capacitance_f));
  plot.segment(at, parts.map((one) => mean(one) - 2 * one.peak_counts.sd), at, parts.map((one) => mean(one) + 2 * one.peak_counts.sd), { line_color: DARK, line_width: 2 });
  joined(plot, about.axis, parts, mean);
  plot.scatter(at, parts.map((one) => one.peak_counts.worst), { size: 9, marker: "triangle", fill_color: "#ffffff", line_color: DARK, line_width: 1.5 });
  marks(plot, about.axis, parts, mean, about.recommended_f);
  return show(plot, place);
}

function lags(place, about) {
  const parts = about.candidates.filter((one) => one.added_lag_s !== null);
  const lag = (one) => 1e3 * one.added_lag_s;
  const top = MARGIN * Math.max(1e3 * about.lag_limit_s, ...parts.map(lag));
  const plot = frame("capacitance, µF", "added lag, ms", 260, { y_range: new Bokeh.Range1d({ start: 0, end: top }) });
  limit(plot, 1e3 * about.lag_limit_s);
  joined(plot, about.axis, parts, lag);
  marks(plot, about.axis, parts, lag, about.recommended_f);
  return show(plot, place);
}

const columns = (group, counts) => ({ x: group.t_s.map((t) => 1e3 * t), y: counts });

// The chosen part's prediction is a source of its own, so that choosing another one only changes its columns.
async function traces(place, name, predicted, measured) {
  const group = predicted.groups[name];
  const plot = frame("time after release, ms", "deflection, counts", 320, { x_range: new Bokeh.Range1d({ start: SHOWN_MS[0], end: SHOWN_MS[1] }) });
  zone(plot, -predicted.neutral_zone_counts, predicted.neutral_zone_counts);
  const others = measured.groups[name].drawn.slice(0, TRACES_DRAWN);
  const times = others.map((one) => one.deflection_counts.map((_, at) => 1e3 * (one.t_first_s + at * one.step_s)));
  lines(plot, name[0], times, others.map((one) => one.deflection_counts), { line_width: 1, line_alpha: 0.35 });
  line(plot, name[0], new Bokeh.ColumnDataSource({ data: columns(group, group.measured_counts) }), { line_width: 1.8 });
  const chosen = new Bokeh.ColumnDataSource({ data: { x: [], y: [] } });
  line(plot, name[0], chosen, { line_width: 3, line_dash: [11, 5] });
  await show(plot, place);
  return (farads) => {
    const part = group.candidates.find((one) => one.capacitance_f === farads);
    chosen.data = columns(group, part.counts);
    const peak = Math.max(0, ...part.counts.filter((_, at) => group.t_s[at] > 0).map((count) => -count));
    return `solid: measured (thick: the farthest); dashed: the farthest with this part, peak ${peak.toFixed(1)} counts, zone ${predicted.neutral_zone_counts}`;
  };
}

async function traceCharts(section) {
  const { run, stick, trackOhm } = section.dataset;
  const query = `stick=${encodeURIComponent(stick)}`;
  const [predicted, measured] = await Promise.all([
    ask("GET", `/runs/${run}/advice/traces?${query}&track_ohm=${trackOhm}`), ask("GET", `/v1/runs/${run}/overlay?${query}&after_s=0.08&most=${TRACES_DRAWN}`),
  ]);
  const chooses = new Map();
  for (const place of section.querySelectorAll("[data-trace]")) {
    const name = place.dataset.trace;
    if (predicted.groups[name]) { chooses.set(name, await traces(place, name, predicted, measured)); } else { place.textContent = "No flick of this group was recorded to its end."; }
  }
  const choose = (input) => {
    for (const [name, change] of chooses) {
      if (name[0] === input.dataset.axis) { section.querySelector(`[data-trace-note="${name}"]`).textContent = change(Number(input.value)); }
    }
  };
  for (const input of section.querySelectorAll(".parts input")) {
    input.addEventListener("change", () => choose(input));
    if (input.checked) { choose(input); }
  }
}

async function draw(section) {
  try {
    for (const place of section.querySelectorAll("[data-parts]")) {
      const about = JSON.parse(place.dataset.parts);
      await peaks(place.querySelector("[data-chart=peaks]"), about);
      await lags(place.querySelector("[data-chart=lags]"), about);
    }
    if (section.querySelector("[data-trace]")) { await traceCharts(section); }
    section.dataset.drawn = "true";
  } catch (problem) {
    section.querySelector("[data-advice-said]").textContent = `The pictures could not be drawn: ${problem.message}`;
  }
}

async function drawAll(within) { for (const section of within.querySelectorAll("[data-advice]:not([data-drawn])")) { await draw(section); } }
document.addEventListener("filled", (event) => drawAll(event.detail));
await drawAll(document);
