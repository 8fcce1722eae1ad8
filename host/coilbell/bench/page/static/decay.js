// The plot of the decay: samples, fit, envelope, and a held trace to compare.
import { dress, put } from "./colours.js";

const EMPTY = { time: [], sample: [], envelope: { at: [], upper: [], lower: [] }, curve: { at: [], fit: [] } };
const NONE = [NaN, NaN, NaN];
const BLANK = { ...EMPTY, time: [0, 0.5, 1], sample: NONE, envelope: { at: [0, 0.5, 1], upper: [-1, NaN, 1], lower: NONE } }; // a range, no line

const typed = (columns) => Object.fromEntries(Object.entries(columns).map(([name, values]) => [name, Float64Array.from(values)]));
const dots = ({ time, sample }) => typed({ time, sample });

export class DecayPlot {
  constructor(place) {
    this.place = place;
    this.shown = BLANK;
    this.compared = EMPTY;
    this.dress();
  }
  dress() {
    // Built anew, so that every colour and size is of the look that is chosen.
    const { Plotting } = Bokeh;
    const range = this.plot && this.plot.x_range;
    const source = (data) => new Bokeh.ColumnDataSource({ data });
    this.samples = source(dots(this.shown));
    this.envelope = source(typed(this.shown.envelope));
    this.fitted = source(typed(this.shown.curve));
    this.held = source(typed(this.compared.curve));
    this.plot = Plotting.figure({ sizing_mode: "stretch_both", toolbar_location: null, tools: "pan,wheel_zoom,reset",
      active_scroll: "wheel_zoom", output_backend: "canvas", min_border: 4, lod_threshold: null });
    this.axes = [this.plot.below[0], this.plot.left[0]];
    const c = dress(this.plot, this.axes);
    const line = (source, x, y, style) => this.plot.line({ field: x }, { field: y }, { source, ...style });
    line(this.held, "at", "fit", { line_width: 2, line_dash: "dotted", line_color: c.ink });
    this.plot.scatter({ field: "time" }, { field: "sample" }, { source: this.samples, size: 3, line_color: null, fill_color: c.faint });
    line(this.fitted, "at", "fit", { line_width: 1, line_color: c.orange }); // wider lines cost some ms a shot without a graphics card
    for (const side of ["upper", "lower"]) line(this.envelope, "at", side, { line_width: 2, line_dash: [7, 3], line_color: c.blue });
    this.stands = put(this.plot, this.place, this.stands);
    if (range && range.have_updated_interactively) this.look(range.start, range.end);
    if (this.last) this.name(this.last);
  }
  name(decay) {
    const label = `time / ${decay.time_unit}`;
    if (this.axes[0].axis_label !== label) this.axes[0].axis_label = label;
    if (this.axes[1].axis_label !== decay.unit) this.axes[1].axis_label = decay.unit;
  }
  show(decay) {
    this.last = this.shown = decay;
    this.name(decay);
    this.samples.data = dots(decay);
    this.envelope.data = typed(decay.envelope);
    this.fitted.data = typed(decay.curve);
  }
  hold(on) {
    this.compared = on && this.last ? this.last : EMPTY;
    this.held.data = typed(this.compared.curve);
  }
  view(share, step) {
    const range = this.plot.x_range;
    const [low, high] = [range.start, range.end];
    const width = (high - low) * share;
    const left = low + (high - low) * step;
    this.look(left, left + width);
  }
  look(start, end) {
    // Told to be chosen by hand, so that the next shot does not move it.
    this.plot.x_range.have_updated_interactively = true;
    this.plot.x_range.setv({ start, end });
  }
  all() {
    this.plot.x_range.have_updated_interactively = this.plot.y_range.have_updated_interactively = false;
    this.plot.reset.emit();
  }
}
