// The plot of the shift plane: places, ticks and words all come from the server.
import { dispose, dress, gaps as typed, put } from "./colours.js";
import { made, set } from "./words.js";

const gaps = (values) => Array.from(typed(values)); // a glyph takes plain lists only
const DASHES = ["solid", [6, 3], [8, 3, 2, 3], [2, 3], [8, 2, 2, 2, 2, 2]];

export class PlanePlot {
  constructor(place) {
    this.place = place;
    this.key = "";
  }
  ground(ground) {
    this.key = ground.key;
    this.drawn = ground;
    this.ring = null;
    if (ground.key) return this.build(ground);
    if (this.stands) dispose(this.stands);
    this.stands = null;
    this.place.replaceChildren();
    document.getElementById("plane-names").replaceChildren();
    set("plane-words", "needs a reference and a ring");
  }
  build(ground) {
    const { Plotting } = Bokeh;
    const [[left, right], [low, high]] = ground.reach;
    this.plot = Plotting.figure({ sizing_mode: "stretch_both", toolbar_location: null, tools: "",
      x_range: [left, right], y_range: [low, high], min_border: 4,
      x_axis_label: "added loss", y_axis_label: "inductance drop" });
    const axes = [this.plot.below[0], this.plot.left[0]];
    const c = dress(this.plot, axes);
    axes.forEach((axis, k) => {
      axis.ticker = new Bokeh.FixedTicker({ ticks: ground.ticks[k].map(([at]) => at) });
      axis.major_label_overrides = new Map(ground.ticks[k]);
    });
    for (const grid of this.plot.center.filter((one) => one.type === "Grid")) grid.ticker = axes[grid.dimension].ticker;
    const STYLES = { fault: { line_color: c.faint, line_width: 1.4 }, healthy: { line_color: c.blue, line_width: 2 },
      shorted: { line_color: c.orange, line_width: 1.5, line_dash: "dotted" } };
    for (const [kind, style] of Object.entries(STYLES)) {
      const lines = ground.lines.filter((line) => line.kind === kind).map(({ points }) => points.map(gaps));
      const dashes = kind === "fault" ? { line_dash: lines.map((_, k) => DASHES[k % DASHES.length]) } : {};
      if (lines.length) this.plot.multi_line(lines.map(([x]) => x), lines.map(([, y]) => y), { ...style, ...dashes });
    }
    for (const mark of ground.marks) {
      const style = mark.kind === "good" ? { marker: "circle", size: 8, fill_color: c.blue, line_color: c.ink }
        : { marker: "square", size: 9, fill_color: null, line_color: c.orange, line_width: 2 };
      this.plot.scatter(gaps(mark.points[0]), gaps(mark.points[1]), style);
    }
    this.letters(ground, c);
    names(ground.names);
    const source = (names) => new Bokeh.ColumnDataSource({ data: Object.fromEntries(names.map((n) => [n, []])) });
    this.trail = source(["x", "y"]);
    this.ellipse = source(["x", "y"]);
    this.ring = source(["x", "y"]);
    const at = [{ field: "x" }, { field: "y" }];
    this.plot.line(...at, { source: this.trail, line_color: c.orange, line_alpha: 0.6 });
    this.plot.scatter(...at, { source: this.trail, size: 4, fill_color: c.orange, line_color: null, alpha: 0.6 });
    this.plot.line(...at, { source: this.ellipse, line_color: c.orange, line_width: 2 });
    this.plot.scatter(...at, { source: this.ring, marker: "diamond", size: 17, fill_color: c.orange, line_color: c.ink, line_width: 1.5 });
    this.stands = put(this.plot, this.place, this.stands);
  }
  letters(ground, c) {
    const size = `${parseFloat(getComputedStyle(document.documentElement).fontSize) * 0.8}px`;
    const letters = ground.letters.filter(({ at }) => at);
    const colour = { fault: c.ink, healthy: c.blue, shorted: c.orange };
    this.plot.text(letters.map(({ at }) => at[0]), letters.map(({ at }) => at[1]), letters.map(({ letter }) => letter), {
      text_color: letters.map(({ kind }) => colour[kind]), text_font_size: size, text_font_style: "bold", text_align: "center",
      text_baseline: "middle", background_fill_color: c.ground, background_fill_alpha: 0.85, padding: 1 });
  }
  show(plane) {
    if (!this.ring || plane.key !== this.key) return;
    this.last = plane;
    this.trail.data = { x: plane.trail[0], y: plane.trail[1] };
    this.ellipse.data = { x: plane.ellipse[0], y: plane.ellipse[1] };
    this.ring.data = { x: [plane.at[0]], y: [plane.at[1]] };
  }
  dress() {
    const last = this.last;
    if (this.drawn) this.ground(this.drawn);
    if (last) this.show(last);
  }
}
function names(lines) {
  document.getElementById("plane-names").replaceChildren(...lines.map(({ kind, letter, words }) => {
    const line = made("li");
    line.dataset.kind = kind;
    line.append(made("b", letter ?? ""), words);
    return line;
  }));
}
