// The plot of the decay: samples, fit, envelope, and a held trace to compare.
import { dress, put } from "./colours.js";

const EMPTY = { units_per_s: 1, time: [], sample: [], envelope: { at: [], upper: [], lower: [] }, curve: { at: [], fit: [] } };
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
    this.held = source(this.trace());
    this.plot = Plotting.figure({ sizing_mode: "stretch_both", toolbar_location: null, tools: "", // wheel and finger scroll the page
      output_backend: "canvas", min_border: 4, lod_threshold: null });
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
    const [before, { start, end }] = [this.shown, this.plot.x_range];
    this.last = this.shown = decay;
    this.stay(decay, decay.units_per_s / before.units_per_s, start, end);
    this.name(decay);
    this.samples.data = dots(decay);
    this.envelope.data = typed(decay.envelope);
    this.fitted.data = typed(decay.curve);
  }
  hold(on) {
    this.compared = on && this.last ? this.last : EMPTY;
    this.held.data = this.trace();
  }
  // The held trace in the units of what is shown; nothing where its volts cannot be.
  trace() {
    const { units_per_s, unit, curve } = this.compared;
    const by = this.shown.units_per_s / units_per_s;
    return unit === this.shown.unit ? typed({ at: curve.at.map((t) => t * by), fit: curve.fit }) : typed(EMPTY.curve);
  }
  // A frozen picture gets every sample and does not move; what was chosen by hand is the same time in other units.
  stay(decay, by, start, end) {
    const range = this.plot.x_range;
    if (by !== 1) this.held.data = this.trace();
    if (this.stays && !decay.whole) this.stays = range.have_updated_interactively = false;
    const freezes = decay.whole && !range.have_updated_interactively;
    if (freezes || (by !== 1 && range.have_updated_interactively)) this.look(start * by, end * by);
    if (freezes) this.stays = true;
  }
  view(share, step) {
    const range = this.plot.x_range;
    const [low, high] = [range.start, range.end];
    this.stays = false;
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
    this.stays = false;
    this.plot.x_range.have_updated_interactively = this.plot.y_range.have_updated_interactively = false;
    this.plot.reset.emit();
  }
}
