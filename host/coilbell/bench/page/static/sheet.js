// The isolation worksheet: shows what the server says of it, and the forms that begin it, enter a reading, take one back.
import { ask, choose, remember } from "./ask.js";
import { list, made, set, showAnswer } from "./words.js";

const at = (id) => document.getElementById(id);
let sheet = null;
let item = ""; // the last one on the bench, which a server that was started again does not know

export const itemOnBench = () => item;
export function showSheet(message) {
  sheet = message;
  item = message.item || item;
  remember("item", message.item);
  const open = message.state === "open";
  at("sheet").dataset.state = message.state;
  set("sheet-words", message.words);
  set("ended", message.ended);
  at("ended").hidden = !message.ended;
  at("sheet-body").hidden = !open;
  const back = (open && message.readings.length) || message.standing.length;
  for (const [name, shown] of [["observe", open], ["withdraw", back]]) at("sheet").querySelector(`[data-does=${name}]`).hidden = !shown;
  if (!open) return;
  at("causes").replaceChildren(...message.causes.map(cause));
  set("parts", message.parts);
  list("sheet-notes", [message.nothing_fits, ...message.remarks].filter(Boolean));
  at("sheet-notes").hidden = !message.nothing_fits && !message.remarks.length;
  set("certain", message.certain);
  set("waiting", message.waiting);
  at("waiting").hidden = !message.waiting;
  at("next-body").replaceChildren(...tests(message));
  at("conflicts-part").hidden = !message.conflicts.length;
  list("conflicts", message.conflicts);
  set("moves-head", message.moves_head);
  at("moves").replaceChildren(...message.moves.map(move));
  set("unmoved", message.unmoved);
  at("unmoved").hidden = !message.unmoved;
  list("withdrawn", message.withdrawn);
  at("withdrawn-part").hidden = !message.withdrawn.length;
}
function cause(one) {
  const line = made("li");
  const bar = made("meter");
  bar.value = one.share;
  bar.setAttribute("aria-hidden", "true"); // the words beside it say the same
  line.append(made("span", one.name, "name"), made("span", one.words, "chance"), made("span", one.odds, "ratio"), bar);
  if (one.reason) line.append(made("small", one.reason));
  return line;
}
function move(one) {
  const line = made("li", one.words);
  line.append(made("small", one.because), ...one.remarks.map((words) => made("small", words)));
  return line;
}
function tests({ general, next, none_left, settle_words, settle, barred }) {
  const found = [cautions(general, "cautions before any step"), ...(next ? test(next) : [made("p", none_left)])];
  if (settle_words) found.push(made("p", settle_words, "settle"));
  if (settle) found.push(...test(settle));
  if (barred) found.push(made("p", barred, "faint"));
  return found;
}
function test(one) {
  return [made("p", one.head, "test"), made("p", one.how, "how"), cautions(one.cautions, "cautions of this test"), made("p", one.shows, "faint how")];
}
function cautions(lines, label) {
  const place = made("ul", undefined, "cautions");
  place.setAttribute("aria-label", label);
  place.append(...lines.map((line) => made("li", line)));
  place.hidden = !lines.length;
  return place;
}

const END = "end "; // before the cause of an end, among numbers of readings
const ITEM = { name: "item", label: "Item in the bench log", needed: true };

export async function askItem() {
  const given = await ask("Item on the bench", [{ ...ITEM, needed: false, hint: "empty: none" }]);
  return given && { do: "work", ...given };
}
export async function askBegin() {
  const given = await ask("Begin an isolation worksheet", [
    ITEM,
    { name: "kind", label: "Kind of equipment", choices: sheet.kinds },
    { name: "qualified", label: "Live work you state to be qualified for", choices: sheet.levels,
      hint: "live tests beyond this are named and not instructed; local codes and licensed practice come first" },
    { name: "again", label: "If the item has a worksheet already", choices: [["", "leave it and say so"], ["yes", "begin afresh; the older one stays kept"]] },
  ]);
  return given && { do: "begin", ...given, again: given.again === "yes" };
}
export async function askReading() {
  if (!there()) return null;
  const { item, form } = sheet;
  const given = await ask("Enter a reading", [
    { name: "step", label: "What was looked at", choices: form.steps, value: form.first },
    { name: "outcome", label: "What it showed", choices: [] },
    { name: "numbers", label: "Numbers", needed: true },
    { name: "meter", label: "Meter: percent of the reading plus last digits" },
    { name: "sure", label: "How sure the eye was", hint: "such as 80%" },
  ], { changed: (inputs, notes) => turn(form, inputs, notes) });
  return given && { do: "observe", item, ...given };
}
function there() {
  const open = sheet && sheet.state === "open";
  if (!open) showAnswer(sheet ? sheet.words : "", true);
  return open;
}
function turn(form, { step, outcome, numbers, meter, sure }, notes) {
  const asks = form.asks[step.input.value];
  if (outcome.input.dataset.of !== step.input.value) {
    outcome.input.dataset.of = step.input.value;
    choose(outcome.input, asks.outcomes, asks.outcomes[0][0]);
    notes.replaceChildren(made("p", asks.how, "how"), cautions(asks.cautions, "cautions of this test"));
    numbers.told.textContent = asks.example;
  }
  const typed = outcome.input.value === "" && asks.example !== "";
  outcome.input.required = asks.example === "";
  for (const one of [numbers, meter]) one.line.hidden = !typed;
  sure.line.hidden = typed || outcome.input.value.includes("=");
  numbers.input.required = typed;
}
export async function askEnd() {
  if (!sheet || !sheet.ends.length) return showAnswer("no item of the log is on the bench: name one with J", true), null;
  const given = await ask(`What ${sheet.item} was in the end`, [
    { name: "cause", label: "What was found", choices: sheet.ends },
    { name: "how", label: "How it was seen", value: "", hint: "such as: replaced, set runs" },
    { name: "sure", label: "How sure that is", value: "", hint: "such as 90%; empty: as sure as usual" },
  ]);
  return given && { do: "end", item: sheet.item, ...given };
}
export async function askWithdraw() {
  const { item = "", readings = [], standing = [] } = sheet || {};
  if (!readings.length && !standing.length) return showAnswer("nothing is there to take back: no reading, and no end of an item on the bench", true), null;
  const given = await ask("Take back", [
    { name: "entry", label: "A reading, or what it was in the end", choices: [
      ...readings.map(([number, words]) => [String(number), `${number} ${words}`]),
      ...standing.map(([cause, words]) => [END + cause, `in the end: ${words}`]),
    ] },
    { name: "why", label: "The reason", needed: true, hint: "it stays kept and no longer counts" },
  ]);
  if (!given) return null;
  const { entry, why } = given;
  return entry.startsWith(END) ? { do: "unend", item, cause: entry.slice(END.length), why } : { do: "withdraw", item, entry: Number(entry), why };
}
