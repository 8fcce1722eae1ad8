// The plot of the decay: samples, fit, envelope, and a held trace to compare.
import { dress } from "./colours.js";

const EMPTY = { time: [], sample: [], fit: [], upper: [], lower: [] };
const BLANK = { time: [0, 1], sample: [NaN, NaN], fit: [NaN, NaN], upper: [-1, 1], lower: [NaN, NaN] };

export class DecayPlot {
  constructor(place) {
    const { Plotting } = Bokeh;
    this.source = new Bokeh.ColumnDataSource({ data: BLANK });
    this.held = new Bokeh.ColumnDataSource({ data: EMPTY });
    this.plot = Plotting.figure({ sizing_mode: "stretch_both", toolbar_location: null, tools: "pan,wheel_zoom,reset",
      active_scroll: "wheel_zoom", output_backend: "canvas", min_border: 4, lod_threshold: null });
    const line = (source, y, extra) => this.plot.line({ field: "time" }, { field: y }, { source, ...extra });
    this.lines = {
      held: line(this.held, "fit", { line_width: 2, line_dash: "dotted" }),
      samples: this.plot.scatter({ field: "time" }, { field: "sample" }, { source: this.source, size: 3, line_color: null }),
      fit: line(this.source, "fit", { line_width: 1.5 }),
      upper: line(this.source, "upper", { line_width: 2, line_dash: [7, 3] }),
      lower: line(this.source, "lower", { line_width: 2, line_dash: [7, 3] }),
    };
    this.axes = [this.plot.below[0], this.plot.left[0]];
    this.dress();
    Plotting.show(this.plot, place);
  }
  dress() {
    const c = dress(this.plot, this.axes);
    this.lines.held.glyph.line_color = c.ink;
    this.lines.samples.glyph.fill_color = c.faint;
    this.lines.fit.glyph.line_color = c.orange;
    this.lines.upper.glyph.line_color = this.lines.lower.glyph.line_color = c.blue;
  }
  show(decay) {
    this.last = decay;
    const { time, sample, fit, upper, lower } = decay;
    const label = `time / ${decay.time_unit}`;
    if (this.axes[0].axis_label !== label) this.axes[0].axis_label = label;
    if (this.axes[1].axis_label !== decay.unit) this.axes[1].axis_label = decay.unit;
    this.source.data = { time, sample, fit, upper, lower };
  }
  hold(on) {
    const { time, sample, fit, upper, lower } = on && this.last ? this.last : EMPTY;
    this.held.data = { time, sample, fit, upper, lower };
  }
  view(share, step) {
    const range = this.plot.x_range;
    const [low, high] = [range.start, range.end];
    const width = (high - low) * share;
    const left = low + (high - low) * step;
    range.setv({ start: left, end: left + width });
  }
  all() {
    this.plot.x_range.have_updated_interactively = this.plot.y_range.have_updated_interactively = false;
    this.plot.reset.emit();
  }
}
