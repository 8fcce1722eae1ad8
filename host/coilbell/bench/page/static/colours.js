// Colours of the plots, read from the style sheet so that there is one place for them.
export function colours() {
  const style = getComputedStyle(document.documentElement);
  const named = (name) => style.getPropertyValue(`--${name}`).trim();
  return { ground: named("sheet"), ink: named("ink"), faint: named("faint"), line: named("line"), blue: named("blue"), orange: named("orange") };
}
// JSON has no word for "nothing here"; the plots want NaN.
export const gaps = (values) => Float64Array.from(values, (value) => value ?? NaN);

// Puts a plot where another stood, which is disposed of with all that it holds. Gives what the next call needs.
export function put(plot, place, before) {
  const inner = document.createElement("div"); // a plot that is finished late lands in a place that is gone
  inner.className = "plot";
  place.replaceChildren(inner);
  if (before) dispose(before);
  return { plot, shown: Bokeh.Plotting.show(plot, inner) };
}
export async function dispose({ plot, shown }) {
  await shown;
  const whole = plot.document;
  whole.views_manager.clear();
  whole.clear();
  const at = Bokeh.documents.indexOf(whole);
  if (at >= 0) Bokeh.documents.splice(at, 1);
}

// What a printer gets: plots drawn anew would come too late for it, so each stands beside its picture of now.
const canvases = (root) => [...root.querySelectorAll("*")].flatMap((one) => [
  ...(one instanceof HTMLCanvasElement && one.width ? [one] : []), ...(one.shadowRoot ? canvases(one.shadowRoot) : [])]);
export function pictured(place) {
  const layers = canvases(place);
  if (!layers.length) return;
  const picture = Object.assign(document.createElement("canvas"), { className: "printed", width: layers[0].width, height: layers[0].height });
  const pen = picture.getContext("2d");
  for (const layer of layers) pen.drawImage(layer, 0, 0);
  place.append(picture);
}

export function dress(plot, [x, y]) {
  const c = colours();
  const size = `${parseFloat(getComputedStyle(document.documentElement).fontSize) * 0.75}px`;
  plot.background_fill_color = plot.border_fill_color = c.ground;
  plot.outline_line_color = c.line;
  for (const axis of [x, y]) {
    axis.axis_line_color = axis.major_tick_line_color = c.line;
    axis.minor_tick_line_color = null;
    axis.major_label_text_color = axis.axis_label_text_color = c.faint;
    axis.major_label_text_font_size = axis.axis_label_text_font_size = size;
    axis.axis_label_text_font_style = "normal";
  }
  for (const grid of plot.center.filter((one) => one.type === "Grid")) grid.grid_line_color = c.line, grid.grid_line_alpha = 0.5;
  return c;
}
