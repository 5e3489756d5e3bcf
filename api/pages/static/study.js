// Pictures of a gauge study, one figure at a time.
import { ask } from "/static/stream.js";
import { DARK, GREY, frame, limit, show } from "/static/plots.js";

const section = document.querySelector("[data-study]");
const choice = document.getElementById("figure");
const said = document.getElementById("chart-said");
const MARKERS = ["circle", "square", "triangle", "diamond", "inverted_triangle", "plus", "x", "star"];
const BLUE = "#0072b2";

function named(names, yLabel) { return frame("", yLabel, 240, { x_range: new Bokeh.FactorRange({ factors: names }) }); }

const PLOTS = {
  components(found) {
    const bars = found.components;
    const kinds = [["percent_of_variance", "variance", BLUE], ["percent_of_study", "study", "#56b4e9"], ["percent_of_tolerance", "tolerance", GREY]].filter(([key]) => bars.every((bar) => bar[key] !== null));
    const factors = bars.flatMap((bar) => kinds.map(([, name]) => [bar.name, name]));
    const plot = frame("", "per cent", 240, { x_range: new Bokeh.FactorRange({ factors }) });
    for (const [key, name, colour] of kinds) {
      plot.vbar({ x: bars.map((bar) => [bar.name, name]), top: bars.map((bar) => bar[key]), width: 0.8, fill_color: colour, line_color: DARK });
    }
    return plot;
  },
  by_part(found) { return cloud(found.by_part); },
  by_operator(found) { return cloud(found.by_operator); },
  interaction(found) {
    const { parts, operators, means } = found.interaction;
    const plot = named(parts, choice.value);
    operators.forEach((name, index) => {
      plot.line(parts, means[index], { line_color: BLUE, line_dash: index % 2 ? "dashed" : "solid", line_width: 2 });
      plot.scatter(parts, means[index], { marker: MARKERS[index % MARKERS.length], size: 9, fill_color: "#ffffff", line_color: DARK, legend_label: name });
    });
    return plot;
  },
  ranges(found) {
    const { parts, operators, centre, upper } = found.ranges;
    const names = operators.flatMap((one) => parts.map((part) => [one.name, part]));
    const plot = frame("", "range", 240, { x_range: new Bokeh.FactorRange({ factors: names }) });
    plot.scatter(names, operators.flatMap((one) => one.ranges), { size: 8, fill_color: BLUE, line_color: DARK });
    plot.add_layout(new Bokeh.Span({ location: centre, dimension: "width", line_color: DARK }));
    limit(plot, upper);
    return plot;
  },
};

function cloud(rows) {
  const plot = named(rows.map((row) => row.name), choice.value);
  const x = rows.flatMap((row) => row.values.map(() => row.name));
  plot.scatter(x, rows.flatMap((row) => row.values), { size: 7, fill_color: BLUE, fill_alpha: 0.6, line_color: DARK });
  plot.line(rows.map((row) => row.name), rows.map((row) => row.mean), { line_color: DARK, line_width: 2 });
  return plot;
}

async function draw() {
  try {
    const figure = (await ask("GET", `/v1/studies/${section.dataset.study}`)).document.figures[choice.value];
    for (const place of section.querySelectorAll("[data-plot]")) {
      place.replaceChildren();
      await show(PLOTS[place.dataset.plot](figure.plots), place);
    }
    section.dataset.drawn = choice.value;
  } catch (problem) {
    said.textContent = `The pictures could not be drawn: ${problem.message}`;
  }
}

choice.addEventListener("change", draw);
if (choice.value) { await draw(); }
