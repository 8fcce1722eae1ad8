// The trend of Q, frequency and odds while a winding is watched, with what was done to it and what jumped.
import { dispose, dress, put } from "./colours.js";
import { list, set } from "./words.js";

const at = (id) => document.getElementById(id);
const PLOTS = [["q", "Q"], ["hertz", "frequency / kHz"], ["shows", "short shows / %"]];

export class TrendPlot {
  constructor(place) {
    this.place = place;
    place.closest("details").addEventListener("toggle", () => this.draw());
  }
  show(trend) {
    this.trend = trend;
    set("trend-words", trend.words);
    list("trend-events", [...trend.changes, ...trend.marks].sort(([a], [b]) => b - a).slice(0, 8).map(([minutes, words]) => `${minutes.toFixed(1)} min: ${words}`));
    this.draw();
  }
  draw() {
    if (!this.place.closest("details").open) return this.fold();
    if (!this.trend) return;
    if (!this.sources) this.build();
    const { minutes, q, hertz, shows, marks, changes } = this.trend;
    const columns = { q: q.map((v) => v), hertz: hertz.map((v) => v.map((one) => one / 1e3)), shows: shows.map((p) => Array(3).fill(p === null ? NaN : 100 * p)) };
    for (const [name, { lines, events }] of Object.entries(this.sources)) {
      const rows = columns[name];
      lines.data = { at: minutes, mean: rows.map(([v]) => v), low: rows.map(([, v]) => v), high: rows.map(([, , v]) => v) };
      const told = rows.flat().filter(Number.isFinite);
      const [low, high] = told.length ? [Math.min(...told), Math.max(...told)] : [NaN, NaN];
      const all = [...marks.map(([t, words]) => [t, words, "mark"]), ...changes.map(([t]) => [t, "", "change"])];
      events.data = { at: all.map(([t]) => t), low: all.map(() => low), high: all.map(() => high), words: all.map(([, words]) => words),
        dash: all.map(([, , kind]) => (kind === "mark" ? [2, 3] : [])) };
    }
  }
  fold() { // plots that nobody sees are let go
    for (const one of this.stands ?? []) dispose(one);
    for (const one of this.place.children) one.replaceChildren();
    this.sources = this.stands = null;
  }
  build() {
    this.sources = {};
    const plots = PLOTS.map(([name, label], k) => {
      const plot = Bokeh.Plotting.figure({ sizing_mode: "stretch_both", toolbar_location: null, tools: "", output_backend: "canvas", min_border: 4,
        ...(k === PLOTS.length - 1 ? { x_axis_label: "time / min" } : {}), y_axis_label: label });
      const c = dress(plot, [plot.below[0], plot.left[0]]);
      const lines = new Bokeh.ColumnDataSource({ data: { at: [], mean: [], low: [], high: [] } });
      const events = new Bokeh.ColumnDataSource({ data: { at: [], low: [], high: [], words: [], dash: [] } });
      plot.segment({ field: "at" }, { field: "low" }, { field: "at" }, { field: "high" }, { source: lines, line_color: c.faint });
      plot.line({ field: "at" }, { field: "mean" }, { source: lines, line_color: c.blue, line_width: 2 });
      plot.segment({ field: "at" }, { field: "low" }, { field: "at" }, { field: "high" }, { source: events, line_color: c.orange, line_width: 2, line_dash: { field: "dash" } });
      plot.text({ field: "at" }, { field: "high" }, { field: "words" }, { source: events, text_color: c.ink, text_font_size: "12px", text_baseline: "top", x_offset: 3 });
      this.sources[name] = { lines, events };
      return plot;
    });
    this.stands = this.stands ?? [];
    [...this.place.children].forEach((one, k) => { this.stands[k] = put(plots[k], one, this.stands[k]); });
  }
  dress() {
    if (!this.sources) return;
    this.sources = null;
    this.draw();
  }
}
