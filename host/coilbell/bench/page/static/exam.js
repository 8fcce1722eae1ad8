// The guided examination: shows what the server asks, and hands its answers on. The proposal comes first.
import { ask, remember } from "./ask.js";
import { goTo, list, set } from "./words.js";

const at = (id) => document.getElementById(id);
let exam = null;

export function showExam(message) {
  exam = message;
  const section = at("exam");
  section.dataset.asked = message.asked;
  section.toggleAttribute("aria-busy", message.busy);
  set("exam-words", message.words);
  at("exam-verdict").hidden = !message.verdict.length;
  set("exam-verdict", message.verdict.join("\n"));
  for (const [id, lines] of [["exam-told", message.told], ["exam-cautions", message.cautions]]) {
    list(id, lines);
    at(id).hidden = !lines.length;
  }
  const [first, ...others] = message.choices;
  label("go", first);
  for (const name of ["skip", "ring", "back", "onward"]) label(name, others.find(([choice]) => choice === name));
  section.querySelector("[data-does=afresh]").hidden = !message.choices.length || first[0] === "begin";
}
function label(does, choice) {
  const button = at("exam").querySelector(`[data-does=${does}]`);
  button.hidden = !choice;
  if (choice) button.querySelector("span").textContent = choice[1];
}
// The order of an answer, null where it is not asked for now; "go" is what is proposed.
export function answerExam(choice) {
  const meant = choice === "go" ? exam?.choices[0]?.[0] : exam?.choices.find(([one]) => one === choice)?.[0];
  return meant ? { do: "choose", item: exam.item, choice: meant } : null;
}
export async function askExam() {
  const given = await ask("Begin a guided examination", [
    { name: "item", label: "Item in the bench log", needed: true, value: exam.item || undefined },
    { name: "what", label: "What it is", choices: exam.whats, value: exam.usual },
    { name: "where", label: "Where it is", choices: [["out", "out of its set, nothing connected to it"], ["in", "connected in its set"]], value: "out" },
  ]);
  goTo("exam");
  if (!given) return null;
  remember("item", given.item);
  return { do: "examine", item: given.item, what: given.what, in_circuit: given.where === "in" };
}
