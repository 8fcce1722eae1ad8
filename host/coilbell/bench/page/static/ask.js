// A form that asks for names, words and choices before something is done. Answers are remembered while the page is open.
import { made } from "./words.js";

const remembered = { item: "", reference: "", unit: "", prior: "", how: "one-turn loop of 1 mm wire", kind: "", qualified: "", meter: "1%+2", sure: "100%" };
const dialog = document.getElementById("ask");
// Enter opens the list of a choice; with Ctrl it does the form, wherever the cursor stands.
dialog.addEventListener("keydown", (event) => {
  if (event.key !== "Enter" || !(event.ctrlKey || event.metaKey)) return;
  event.preventDefault();
  dialog.querySelector("form").requestSubmit(dialog.querySelector("button[value=yes]"));
});
const FRESH = ["words", "numbers", "outcome", "step", "why", "again", "entry"];

let leave = () => {}; // ends the form before

// A field: name, label, and further needed (true), choices ([[value, words], ...]), value, hint.
export function ask(head, fields, { changed } = {}) {
  document.getElementById("ask-head").textContent = head;
  const inputs = Object.fromEntries(fields.map((field) => [field.name, field_input(field)]));
  const lines = Object.values(inputs).map((input) => input.line);
  const notes = made("div", undefined, "notes");
  if (changed) lines.splice(1, 0, notes);
  document.getElementById("ask-fields").replaceChildren(...lines);
  const turn = () => changed && changed(inputs, notes);
  for (const { input } of Object.values(inputs)) input.addEventListener("change", turn);
  turn();
  dialog.returnValue = "no";
  dialog.showModal();
  const first = Object.values(inputs)[0].input;
  first.focus();
  if (first.select) first.select();
  return new Promise((done) => {
    leave(null); // the browser tells late that a form was left: the next one may stand open by then
    leave = done;
    dialog.onclose = () => {
      if (dialog.open) return;
      if (dialog.returnValue !== "yes") return done(null);
      const given = Object.fromEntries(Object.entries(inputs).map(([name, { input, line }]) => [name, line.hidden ? "" : input.value.trim()]));
      for (const [name, value] of Object.entries(given)) if (value && !FRESH.includes(name)) remembered[name] = value;
      done(given);
    };
  });
}
function field_input({ name, label, needed, choices, value, hint }) {
  const input = made(choices ? "select" : "input");
  const start = value ?? (FRESH.includes(name) ? "" : remembered[name] ?? "");
  if (choices) choose(input, choices, start);
  else Object.assign(input, { value: start, autocomplete: "off", maxLength: 4000, spellcheck: false });
  Object.assign(input, { name, id: `ask-${name}`, required: Boolean(needed) });
  const [line, head, told] = [made("div", undefined, "field"), made("label", label), made("small", hint ?? "")];
  head.htmlFor = input.id;
  told.id = `hint-${name}`;
  input.setAttribute("aria-describedby", told.id);
  line.append(head, input, told);
  return { line, input, told };
}
export function choose(select, choices, value) {
  select.replaceChildren(...choices.map(([one, words]) => new Option(words, one)));
  if (choices.some(([one]) => one === value)) select.value = value;
}
export function remember(name, value) {
  if (value) remembered[name] = value;
}
