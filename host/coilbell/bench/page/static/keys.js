// One table of keys: what they do, and the list that says so.
import { made } from "./words.js";

export const KEYS = [
  [" ", "Space", "run", "strike on and on, or stop"], ["s", "S", "strike", "one shot"],
  ["f", "F", "freeze", "freeze the picture and see every sample"], ["h", "H", "hold", "hold the trace to compare"],
  ["c", "C", "capacitor", "next test capacitor"], ["i", "I", "in", "in circuit"], ["o", "O", "out", "out of circuit"],
  ["r", "R", "reference", "next reference"], ["k", "K", "kind", "next kind of winding"],
  ["a", "A", "prior", "how probable a shorted turn is before the ring"],
  ["g", "G", "good", "mark as good in a reference"], ["x", "X", "shorted", "mark as shorted on purpose"],
  ["l", "L", "keep", "keep the ring in the bench log"], ["n", "N", "note", "note on an item"], ["p", "P", "print", "report of an item, to print"],
  [".", ".", "losses", "technician's page of an item: loss over amplitude, what moved the odds"],
  ["j", "J", "work", "item on the bench"], ["z", "Z", "sheet", "to its isolation worksheet and back"], ["b", "B", "begin", "begin a worksheet"],
  ["e", "E", "observe", "enter a reading in the worksheet"], ["v", "V", "withdraw", "take a reading back, or what the item was in the end"],
  ["u", "U", "exam", "to the guided examination and back"],
  ["Enter", "Enter", "go", "in the examination: do what is proposed", "#exam"], ["1", "1", "skip", "examination: skip the step"],
  ["2", "2", "ring", "examination: ring again"], ["3", "3", "back", "examination: take the last thing back"],
  ["4", "4", "onward", "examination: go on although the answer stands"], ["5", "5", "afresh", "begin an examination, or begin it afresh"],
  ["7", "7", "heated", "mark in the trend: heated"], ["8", "8", "cooled", "mark in the trend: cooled"], ["9", "9", "tapped", "mark in the trend: tapped"],
  ["q", "Q", "read", "read out what the ring says"],
  ["6", "6", "end", "what the item was in the end"],
  ["+", "+", "closer", "look closer in time"], ["-", "\u2212", "wider", "look wider"], ["ArrowLeft", "\u2190", "earlier", "earlier in the decay"],
  ["ArrowRight", "\u2192", "later", "later in the decay"], ["0", "0", "all", "all of the decay"], ["m", "M", "sound", "sound that follows Q"],
  ["y", "Y", "why", "reasons and limits, open or closed"],
  ["t", "T", "large", "large type"], ["d", "D", "look", "dark or light"], ["w", "W", "take", "take over command from another page"],
  ["?", "?", "keys", "this list"],
];

const FORM = [["", "Ctrl Enter", "", "in a form: do it, from any field"], ["", "Tab", "", "to the next control; there Space and Enter press it"],
  ["", "Esc", "", "leave a form; take the cursor out of a field"]];

function name_of({ key, code }) {
  if (key === "=") return "+";
  if (key.length > 1) return key;
  const foreign = key > "~" && /^Key([A-Z])$/.exec(code); // a layout without Latin letters: the key's place counts
  return (foreign ? foreign[1] : key).toLowerCase();
}
export function listen(does) {
  document.getElementById("key-list").append(...[...KEYS, ...FORM].map(([, shown, , words]) => {
    const line = made("div");
    const key = made("dt");
    key.append(made("kbd", shown));
    line.append(key, made("dd", words));
    return line;
  }));
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey || document.querySelector("dialog[open]")) return;
    if (event.target.matches("input, select") && event.key !== "Escape") return;
    if ([" ", "Enter"].includes(event.key) && event.target.matches("button, summary, a")) return; // it presses what has the cursor
    const pressed = name_of(event);
    const found = KEYS.find(([key]) => key === pressed);
    if (!found || (event.repeat && !found[0].startsWith("Arrow"))) return;
    if (found[4] && !event.target.closest(found[4])) return;
    event.preventDefault();
    does(found[2]);
  });
  document.addEventListener("click", (event) => {
    const button = event.target.closest("button[data-does]");
    if (!button) return;
    if (event.detail) button.blur(); // after a mouse the space bar strikes; a cursor moved by keys stays where it is
    does(button.dataset.does);
  });
}
