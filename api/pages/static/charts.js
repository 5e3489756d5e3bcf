// Charts of one run, drawn in the browser from the API's figures.
import { ask } from "/static/stream.js";
import { COLOURS, DARK, ZONE, frame, limit, lines, show, zone } from "/static/plots.js";

const BINS = 24;

function overlay(place, group, body) {
  const found = body.groups[group];
  const plot = frame("time after release, ms", "deflection, counts", 320);
  zone(plot, -body.neutral_zone_counts, body.neutral_zone_counts);
  const axis = group[0];
  const draw = (flicks, style) => {
    const ts = flicks.map((one) => one.deflection_counts.map((_, at) => 1000 * (one.t_first_s + at * one.step_s)));
    const ds = flicks.map((one) => one.deflection_counts);
    lines(plot, axis, ts, ds, style);
  };
  draw(found.drawn.filter((one) => !one.over_zone), { line_width: 1.4, line_alpha: 0.75 });
  const beyond = found.drawn.filter((one) => one.over_zone);
  if (beyond.length) { draw(beyond, { line_width: 2.6, line_dash: { value: [11, 5] } }); }
  return show(plot, place);
}

function histogram(place, group, body) {
  const peaks = body.groups[group].peaks_counts.filter((peak) => peak !== null);
  const edge = body.neutral_zone_counts;
  const top = Math.max(edge * 1.2, ...peaks) * 1.02;
  const width = top / BINS;
  const tops = new Array(BINS).fill(0);
  for (const peak of peaks) { tops[Math.min(BINS - 1, Math.floor(peak / width))] += 1; }
  const filled = tops.map((_, at) => at).filter((at) => tops[at] > 0);
  const plot = frame("peak, counts", "flicks", 220);
  plot.add_layout(new Bokeh.BoxAnnotation({ left: 0, right: edge, line_alpha: 0, level: "underlay", ...ZONE }));
  limit(plot, edge, "height");
  plot.vbar({ x: filled.map((at) => (at + 0.5) * width), top: filled.map((at) => tops[at]), width: width * 0.9, fill_color: COLOURS[group[0]], line_color: DARK });
  return show(plot, place);
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
