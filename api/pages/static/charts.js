// Charts of one run, drawn in the browser from the API's figures.
import { ask } from "/static/stream.js";

const COLOURS = { x: "#0072b2", y: "#e69f00" };
const DARK = "#1b2026", GREY = "#8b939b", HATCH = "#6f7881";
const TOOLS = "pan,box_zoom,wheel_zoom,reset,save,hover";
const BINS = 24;
const ZONE = {
  fill_color: GREY, fill_alpha: 0.1, hatch_pattern: "right_diagonal_line", hatch_color: HATCH, hatch_alpha: 0.7, hatch_scale: 10, hatch_weight: 1,
};

function figure(xLabel, yLabel, height) {
  const plot = Bokeh.Plotting.figure({
    height, sizing_mode: "stretch_width", tools: TOOLS, active_scroll: null, x_axis_label: xLabel, y_axis_label: yLabel,
    output_backend: "svg", title: null, background_fill_color: "#ffffff", border_fill_color: "#ffffff",
  });
  plot.toolbar.logo = null;
  plot.toolbar.autohide = true;
  return plot;
}

function overlay(place, group, body) {
  const found = body.groups[group];
  const plot = figure("time after release, ms", "deflection, counts", 320);
  const zone = body.neutral_zone_counts;
  plot.add_layout(new Bokeh.BoxAnnotation({
    bottom: -zone, top: zone, line_color: HATCH, line_dash: "dashed", level: "underlay", ...ZONE,
  }));
  const axis = group[0];
  const draw = (flicks, style) => {
    const ts = flicks.map((one) => one.deflection_counts.map((_, at) => 1000 * (one.t_first_s + at * one.step_s)));
    const ds = flicks.map((one) => one.deflection_counts);
    if (axis === "y") { plot.multi_line(ts, ds, { ...style, line_color: DARK, line_width: style.line_width + 1.6 }); }
    plot.multi_line(ts, ds, { ...style, line_color: COLOURS[axis] });
  };
  draw(found.drawn.filter((one) => !one.over_zone), { line_width: 1.4, line_alpha: 0.75 });
  const beyond = found.drawn.filter((one) => one.over_zone);
  if (beyond.length) { draw(beyond, { line_width: 2.6, line_dash: "dashed" }); }
  return Bokeh.Plotting.show(plot, place);
}

function histogram(place, group, body) {
  const peaks = body.groups[group].peaks_counts.filter((peak) => peak !== null);
  const zone = body.neutral_zone_counts;
  const top = Math.max(zone * 1.2, ...peaks) * 1.02;
  const width = top / BINS;
  const tops = new Array(BINS).fill(0);
  for (const peak of peaks) { tops[Math.min(BINS - 1, Math.floor(peak / width))] += 1; }
  const filled = tops.map((_, at) => at).filter((at) => tops[at] > 0);
  const plot = figure("peak, counts", "flicks", 220);
  plot.add_layout(new Bokeh.BoxAnnotation({
    left: 0, right: zone, line_alpha: 0, level: "underlay", ...ZONE,
  }));
  plot.add_layout(new Bokeh.Span({ location: zone, dimension: "height", line_color: DARK, line_width: 2, line_dash: "dashed" }));
  plot.vbar({ x: filled.map((at) => (at + 0.5) * width), top: filled.map((at) => tops[at]), width: width * 0.9, fill_color: COLOURS[group[0]], line_color: DARK });
  return Bokeh.Plotting.show(plot, place);
}

async function draw(section) {
  const { run, stick } = section.dataset;
  const body = await ask("GET", `/v1/runs/${run}/overlay?stick=${encodeURIComponent(stick)}`);
  const panel = section.closest(".panel");
  for (const place of panel.querySelectorAll("[data-flicks]")) {
    const found = body.groups[place.dataset.flicks];
    panel.querySelector(`[data-note="${place.dataset.flicks}"]`).textContent = `${found.drawn.length} of ${found.flicks} flicks drawn`;
    if (found.drawn.length) { await overlay(place, place.dataset.flicks, body); } else { place.textContent = "No flick of this group was seen."; }
  }
  for (const place of panel.querySelectorAll("[data-histogram]")) {
    if (body.groups[place.dataset.histogram].flicks) { await histogram(place, place.dataset.histogram, body); }
  }
}

const said = document.getElementById("chart-said");
for (const section of document.querySelectorAll("[data-overlay]")) {
  try {
    await draw(section);
    section.dataset.drawn = "true";
  } catch (problem) {
    said.textContent = `The charts could not be drawn: ${problem.message}`;
  }
}
