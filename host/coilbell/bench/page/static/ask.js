// A small form that asks for names and words before something is kept. Answers are remembered while the page is open.
import { made } from "./words.js";

const remembered = { item: "", reference: "", unit: "", how: "one-turn loop of 1 mm wire", words: "" };

export function ask(head, fields) {
  const dialog = document.getElementById("ask");
  document.getElementById("ask-head").textContent = head;
  const inputs = fields.map(([name, label, needed]) => {
    const input = made("input");
    Object.assign(input, { name, value: name === "words" ? "" : remembered[name], required: needed, autocomplete: "off", maxLength: 4000 });
    const line = made("label", label);
    line.append(input);
    return [line, input];
  });
  document.getElementById("ask-fields").replaceChildren(...inputs.map(([line]) => line));
  dialog.returnValue = "no";
  dialog.showModal();
  inputs[0][1].focus();
  inputs[0][1].select();
  return new Promise((done) => {
    dialog.onclose = () => {
      if (dialog.returnValue !== "yes") return done(null);
      const given = Object.fromEntries(inputs.map(([, input]) => [input.name, input.value.trim()]));
      Object.assign(remembered, given);
      done(given);
    };
  });
}
export function remember(name, value) {
  if (value) remembered[name] = value;
}
