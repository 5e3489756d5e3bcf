// Map and residuals of each direction of a calibration.
import { ask } from "/static/stream.js";
import { COLOURS, DARK, frame, lines, show, zone } from "/static/plots.js";

const said = document.getElementById("chart-said");
const RESIDUAL_LIMIT = "residual";

function dots(plot, axis, x, y, minus) {
  const style = { size: 6, fill_color: minus ? "#ffffff" : COLOURS[axis], line_color: axis === "y" || minus ? DARK : COLOURS[axis] };
  plot.scatter(x, y, { ...style, marker: minus ? "square" : "circle" });
}

try {
  const found = (await ask("GET", `/v1/calibrations/${said.dataset.calibration}`)).document;
  for (const place of document.querySelectorAll("[data-map]")) {
    const group = place.dataset.map, map = found.maps[group], rest = found.residuals[group];
    const plot = frame("ordered angle, degrees", "deflection, share of full", 240);
    lines(plot, group[0], [map.corner_deg], [map.corner], { line_width: 2 });
    dots(plot, group[0], rest.angle_deg, map.deflection, group[1] === "-");
    await show(plot, place);
  }
  for (const place of document.querySelectorAll("[data-residuals]")) {
    const group = place.dataset.residuals, rest = found.residuals[group];
    const plot = frame("ordered angle, degrees", "residual, share of full", 240);
    const most = found.directions[group][RESIDUAL_LIMIT].most;
    zone(plot, -most, most);
    dots(plot, group[0], rest.angle_deg, rest.residual, group[1] === "-");
    await show(plot, place);
  }
  said.dataset.drawn = "true";
} catch (problem) {
  said.textContent = `The charts could not be drawn: ${problem.message}`;
}
