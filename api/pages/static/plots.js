// What all charts have in common: colours of the axes, the hatched neutral zone, limits, and the frame of a plot.
export const COLOURS = { x: "#0072b2", y: "#e69f00" };
export const DARK = "#1b2026", GREY = "#8b939b", HATCH = "#6f7881";
const TOOLS = "pan,box_zoom,wheel_zoom,reset,save,hover";
export const ZONE = {
  fill_color: GREY, fill_alpha: 0.1, hatch_pattern: "right_diagonal_line", hatch_color: HATCH, hatch_alpha: 0.7, hatch_scale: 10, hatch_weight: 1,
};
const OUTLINE = 1.6; // orange on white needs a dark edge, this much wider than the line

export function frame(xLabel, yLabel, height, more = {}) {
  const plot = Bokeh.Plotting.figure({
    height, sizing_mode: "stretch_width", tools: TOOLS, active_scroll: null, x_axis_label: xLabel, y_axis_label: yLabel,
    output_backend: "svg", title: null, background_fill_color: "#ffffff", border_fill_color: "#ffffff", ...more,
  });
  plot.toolbar.logo = null;
  plot.toolbar.autohide = true;
  return plot;
}

export function zone(plot, bottom, top) {
  plot.add_layout(new Bokeh.BoxAnnotation({ bottom, top, line_color: HATCH, line_dash: "dashed", level: "underlay", ...ZONE }));
}

export function limit(plot, location, dimension = "width") {
  plot.add_layout(new Bokeh.Span({ location, dimension, line_color: DARK, line_width: 2, line_dash: "dashed" }));
}

// A line in its axis' colour, from columns of a source.
export function line(plot, axis, source, style) {
  const [x, y] = [{ field: "x" }, { field: "y" }];
  if (axis === "y") { plot.line(x, y, { source, ...style, line_color: DARK, line_width: style.line_width + OUTLINE }); }
  plot.line(x, y, { source, ...style, line_color: COLOURS[axis] });
}

export function lines(plot, axis, xs, ys, style) {
  if (axis === "y") { plot.multi_line(xs, ys, { ...style, line_color: DARK, line_width: style.line_width + OUTLINE }); }
  plot.multi_line(xs, ys, { ...style, line_color: COLOURS[axis] });
}

export function show(plot, place) { return Bokeh.Plotting.show(plot, place); }

// Farads as stood on an axis in microfarads.
export const micro = (farads) => farads * 1e6;
