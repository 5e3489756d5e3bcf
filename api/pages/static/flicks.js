// Small drawings of the newest flicks of a group: deflection in counts against time, neutral zone hatched, newest on top.
const KEEP = 8;
const LEFT = 34, BOTTOM = 20, TOP = 8;
const NS = "http://www.w3.org/2000/svg";

function make(parent, name, attributes, text) {
  const node = document.createElementNS(NS, name);
  for (const [key, value] of Object.entries(attributes)) { node.setAttribute(key, value); }
  if (text !== undefined) { node.textContent = text; }
  parent.append(node);
  return node;
}

export class FlickDrawing {
  constructor(section) {
    this.svg = section.querySelector("svg.trace");
    this.axis = section.dataset.group[0];
    this.zone = 0; // half width of the neutral zone, counts
    this.flicks = [];
  }
  clear() { this.flicks = []; this.svg.replaceChildren(); }
  add(tMs, counts) {
    this.flicks.push({ tMs, counts });
    this.flicks.splice(0, this.flicks.length - KEEP);
    this.draw();
  }
  draw() {
    const { width, height } = this.svg.getBoundingClientRect();
    this.svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
    const first = Math.min(...this.flicks.map((one) => one.tMs[0]));
    const last = Math.max(...this.flicks.map((one) => one.tMs[one.tMs.length - 1]));
    const low = Math.min(-1.6 * this.zone, ...this.flicks.map((one) => Math.min(...one.counts)));
    const high = Math.max(1.6 * this.zone, ...this.flicks.map((one) => Math.max(...one.counts)));
    const x = (t) => LEFT + ((t - first) / (last - first || 1)) * (width - LEFT);
    const y = (d) => TOP + ((high - d) / (high - low)) * (height - TOP - BOTTOM);
    this.svg.replaceChildren();
    this.frame(x, y, first, last, width, height);
    this.flicks.forEach((one, index) => {
      const age = index === this.flicks.length - 1 ? "" : " old";
      const points = one.tMs.map((t, at) => `${x(t).toFixed(1)},${y(one.counts[at]).toFixed(1)}`).join(" ");
      make(this.svg, "polyline", { class: `under ${this.axis}${age}`, points });
      make(this.svg, "polyline", { class: `line ${this.axis}${age}`, points });
    });
  }
  frame(x, y, first, last, width, height) {
    const id = `hatch-${this.axis}-${this.svg.closest("[data-group]").dataset.group.charCodeAt(1)}`;
    const pattern = make(make(this.svg, "defs", {}), "pattern", { id, width: 7, height: 7, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" });
    make(pattern, "line", { class: "hatch", x1: 0, y1: 0, x2: 0, y2: 7 });
    const zoneTop = y(this.zone), zoneBottom = y(-this.zone);
    make(this.svg, "rect", { x: LEFT, y: zoneTop, width: width - LEFT, height: zoneBottom - zoneTop, fill: `url(#${id})`, opacity: 0.45 });
    for (const [level, name] of [[this.zone, "edge"], [-this.zone, "edge"], [0, "rest"]]) {
      make(this.svg, "line", { class: name, x1: LEFT, x2: width, y1: y(level), y2: y(level) });
      make(this.svg, "text", { x: LEFT - 4, y: y(level) + 4, "text-anchor": "end" }, Math.round(level).toString());
    }
    make(this.svg, "text", { x: LEFT, y: height - 4 }, `${Math.round(first)} ms`);
    make(this.svg, "text", { x: width - 2, y: height - 4, "text-anchor": "end" }, `${Math.round(last)} ms`);
  }
}
