// Ties the parts together: messages from the server go to words and plots, keys and buttons become orders.
import { ask, remember } from "./ask.js";
import { pictured } from "./colours.js";
import { DecayPlot } from "./decay.js";
import { answerExam, askExam, showExam } from "./exam.js";
import { listen } from "./keys.js";
import { Link } from "./link.js";
import { PlanePlot } from "./plane.js";
import { askBegin, askEnd, askItem, askReading, askWithdraw, itemOnBench, showSheet } from "./sheet.js";
import { Sound } from "./sound.js";
import { TrendPlot } from "./trend.js";
import { goTo, readOut, settle, showAnswer, showDelay, showHand, showShot, showStatus } from "./words.js";

const root = document.documentElement;
const decay = new DecayPlot(document.getElementById("decay"));
const plane = new PlanePlot(document.getElementById("plane"));
const trend = new TrendPlot(document.getElementById("trend-plots"));
const sound = new Sound();
let status = null;
let frozen = false;
let held = false;
let newest = null; // the last shot that came, which is the one that is kept and marked
let waiting = null; // the newest shot that is not drawn yet: a slow screen skips the others
let drawing = false; // until the frame is through in which the last shot is painted
let read_from = 0; // where the page stood when the list of keys was opened
let marked = null; // the last mark that was asked for
let doubt = null; // the mark that the server doubts: the same key once more takes it all the same
let owed = 0; // shots that came and were not yet called seen

const COMMANDS = ["run", "strike", "prior", "good", "shorted", "keep", "note", "work", "begin", "observe", "withdraw", "end", "go", "skip", "ring", "back", "onward", "afresh", "heated", "cooled", "tapped"]
  .map((name) => `[data-does=${name}]`).join() + ",[data-wish]";

function heard(message) {
  if (message.what === "status") return hear_status(message);
  if (message.what === "ground") return plane.ground(message);
  if (message.what === "sheet") return showSheet(message);
  if (message.what === "trend") return trend.show(message);
  if (message.what === "examination") return hear_exam(message);
  if (message.what === "answer") return hear_answer(message);
  if (message.what === "whole" && frozen) return draw(message);
  if (message.what === "shot") hear_shot(message);
}
function hear_answer({ words, failed, doubted }) {
  doubt = doubted ? marked : null;
  [words, again] = [again + words, ""];
  showAnswer(words, failed);
  if (failed) document.querySelectorAll("[data-wish]").forEach(settle);
}
let judged = ""; // by the examination, so that its verdict is shown once and a later shot's stays
function hear_exam(message) {
  showExam(message);
  const hand = JSON.stringify(message.hand);
  if (message.hand && hand !== judged) showHand(message.hand);
  judged = hand;
}
function hear_shot(message) {
  owed += 1;
  newest = message;
  document.body.dataset.newest = message.number;
  if (frozen) return pay(0);
  sound.follow(message.tone_hz); // for ears it is never too late, whatever the screen does
  waiting = message;
  // A hidden tab draws nothing: with nobody listening it leaves its shots owed and is sent no more.
  if (!document.hidden || sound.on) pay(1);
  draw_newest();
}
function draw_newest() {
  if (drawing || !waiting || document.hidden) return;
  const shot = waiting;
  waiting = null;
  drawing = true;
  if (!frozen) draw(shot);
  requestAnimationFrame(() => { // the plots have asked for this frame before, and are painted by now
    drawing = false;
    if (!frozen) {
      document.body.dataset.drawn = Date.now();
      showDelay(shot.struck_at_ms);
    }
    pay(waiting ? 1 : 0);
    draw_newest();
  });
}
document.addEventListener("visibilitychange", draw_newest);
function pay(left) {
  for (; owed > left; owed -= 1) link.order({ do: "seen" });
}
// While shots come the verdict's box only grows, so that doubts that come and go do not move the plots under it.
function settle_box() {
  const box = document.getElementById("said");
  box.style.minHeight = status.running ? `${box.getBoundingClientRect().height}px` : "";
}
function draw(shot) {
  decay.show(shot.decay);
  if (shot.plane) plane.show(shot.plane);
  showShot(shot);
  settle_box();
  Object.assign(document.body.dataset, { shot: shot.number, struck: shot.struck_at_ms, whole: shot.decay.whole });
}
// A server that was started again is asked what the old one was asked; it strikes nothing by itself.
let again = ""; // told with the next answer
function ask_again(before, message) {
  if (!message.commands || !before || before.run === message.run) return;
  const { capacitor, connection, reference, kind, prior } = before.wish;
  order({ do: "wish", capacitor, connection, prior, reference, ...(reference ? {} : { kind }) });
  order({ do: "work", item: itemOnBench() });
  again = "the server was started again: what was asked here is asked again, and nothing is struck by itself; ";
}
function hear_status(message) {
  ask_again(status, message);
  status = message;
  showStatus(message);
  told_running(message.running);
  if (!message.running) settle_box();
  document.querySelector("[data-does=take]").hidden = message.commands;
  for (const one of document.querySelectorAll(COMMANDS))
    if (one.dataset.wish !== "kind") one.disabled = !message.commands;
  remember("reference", message.wish.reference);
  if (!message.running) sound.silence();
  document.body.toggleAttribute("data-sleeps", message.link.state !== "ready" || message.leads.state === "live");
}
function told_running(on) {
  document.body.toggleAttribute("data-running", on);
  press("run", on);
  document.querySelector("[data-does=run] span").textContent = on ? "Stop" : "Strike on and on";
}
const GONE = {
  closed: "the page's server does not answer: it was stopped, or the network is gone; start coilbell page again and open the address it prints; with --keep-address this page finds it by itself",
  full: "too many pages watch this tester already; close one, and this one goes on by itself",
};
function wire(state) {
  if (state === "open") return showAnswer("", false);
  Object.assign(document.getElementById("link").dataset, { state: "stopped" });
  document.getElementById("link").textContent = GONE[state];
  document.getElementById("leads").dataset.state = "unknown";
  document.getElementById("leads").textContent = "lead voltage not known";
  document.body.toggleAttribute("data-sleeps", true);
  told_running(false); // nothing strikes that this page could know of
  sound.silence();
}
const link = new Link(heard, wire);

function press(name, on) {
  document.querySelector(`[data-does=${name}]`).setAttribute("aria-pressed", String(on));
}
function order(what) {
  if (!link.order(what)) showAnswer("the server does not answer", true);
}
async function kept(head, fields, make) {
  const given = await ask(head, fields);
  if (given) order(marked = { do: make, ...given });
}
async function asked(form) {
  const given = await form();
  if (given) order(given);
}
function choose(choice) {
  const given = answerExam(choice);
  if (!given) return showAnswer("the examination does not ask that now", true);
  if (given.choice === "begin") return asked(askExam);
  if (given.choice === "report") return open_report(given.item);
  order(given);
}
const open_report = (item, full = "") => window.open(`report/${encodeURIComponent(item)}${full}`, "_blank", "noopener");
// A frozen picture is not the last ring once others came after it: it must not be kept for another.
function behind() {
  const shown = Number(document.body.dataset.shot);
  if (!frozen || shown === newest.number) return false;
  showAnswer(`the picture is frozen at shot ${shown}, the last ring is shot ${newest.number}: press F to see it first`, true);
  return true;
}
const ITEM = { name: "item", label: "Item in the bench log", needed: true };
const MARK = [{ name: "reference", label: "Reference", needed: true }, { name: "unit", label: "Unit, the specimen's name", needed: true }];
const DOES = {
  run: () => order({ do: "run", on: !status.running }),
  strike: () => order({ do: "strike" }),
  take: () => order({ do: "take" }),
  capacitor: () => order({ do: "next", wish: "capacitor" }),
  reference: () => order({ do: "next", wish: "reference" }),
  kind: () => order({ do: "next", wish: "kind" }),
  prior: () => kept("How probable a shorted turn is before the ring", [{ name: "prior", label: "Prior probability", needed: true, hint: "such as 0.3 or 30%" }], "wish"),
  in: () => order({ do: "wish", connection: "in circuit" }),
  out: () => order({ do: "wish", connection: "out of circuit" }),
  good: () => (doubt ? order({ ...doubt, anyway: true }) : behind() || kept("Mark the last ring as good", MARK, "mark")),
  shorted: () => behind() || kept("Mark the last ring as shorted on purpose", [...MARK, { name: "how", label: "What was shorted", needed: true }], "mark"),
  keep: () => behind() || kept("Keep the last ring in the log", [ITEM, { name: "words", label: "A note with it, or nothing" }], "keep"),
  note: () => kept("Note", [ITEM, { name: "words", label: "Words", needed: true }], "note"),
  print: async () => {
    const given = await ask("Report of an item, to print", [ITEM]);
    if (given) open_report(given.item);
  },
  losses: async () => {
    const given = await ask("Technician's page of an item, with loss over amplitude and what moved the odds", [ITEM]);
    if (given) open_report(given.item, "?full=1");
  },
  work: () => asked(askItem),
  begin: () => asked(askBegin),
  observe: () => asked(askReading),
  withdraw: () => asked(askWithdraw),
  end: () => asked(askEnd),
  sheet: () => left("sheet") || goTo("sheet"),
  exam: () => left("exam") || goTo("exam"),
  go: () => choose("go"),
  skip: () => choose("skip"),
  ring: () => choose("ring"),
  back: () => choose("back"),
  onward: () => choose("onward"),
  afresh: () => asked(askExam),
  ...Object.fromEntries(["heated", "cooled", "tapped"].map((words) => [words, () => order({ do: "event", words })])),
  read: readOut,
  freeze: () => {
    if (!newest && !frozen) return showAnswer("nothing has been struck yet; there is no picture to freeze", true);
    frozen = !frozen;
    press("freeze", frozen);
    document.body.toggleAttribute("data-frozen", frozen);
    if (frozen) return sound.silence(), link.order({ do: "whole" });
    waiting = newest;
    draw_newest();
  },
  hold: () => {
    if (!newest && !held) return showAnswer("nothing has been struck yet; there is no trace to hold", true);
    held = !held;
    press("hold", held);
    decay.hold(held);
  },
  closer: () => decay.view(0.5, 0),
  wider: () => decay.view(2, 0),
  earlier: () => decay.view(1, -0.25),
  later: () => decay.view(1, 0.25),
  all: () => decay.all(),
  sound: () => press("sound", sound.toggle()),
  why: () => document.getElementById("why").toggleAttribute("open"),
  large: () => {
    const large = root.dataset.type !== "large";
    root.dataset.type = large ? "large" : "";
    press("large", large);
    dress();
  },
  look: () => {
    root.dataset.look = root.dataset.look === "dark" ? "light" : "dark";
    dress();
  },
  keys: () => {
    const list = document.getElementById("keys");
    list.hidden = !list.hidden;
    document.querySelector("[data-does=keys]").setAttribute("aria-expanded", String(!list.hidden));
    if (list.hidden) return scrollTo({ top: read_from });
    read_from = scrollY;
    list.scrollIntoView({ block: "nearest" });
  },
};
// Leaves a part of the page for its top, where the cursor is in it; else false.
function left(id) {
  if (!document.getElementById(id).contains(document.activeElement)) return false;
  document.activeElement.blur();
  scrollTo({ top: 0 });
  return true;
}
function dress() {
  document.getElementById("said").style.minHeight = "";
  decay.dress();
  plane.dress();
  trend.dress();
}
if (matchMedia("(prefers-color-scheme: light)").matches) DOES.look();
addEventListener("beforeprint", () => ["decay", "plane"].forEach((id) => pictured(document.getElementById(id))));
addEventListener("afterprint", () => document.querySelectorAll(".printed").forEach((one) => one.remove()));
// On a small screen panels begin folded: what the hand needs stays in its bar.
if (matchMedia("(max-width: 60rem)").matches) document.querySelectorAll("details").forEach((one) => one.removeAttribute("open"));
listen((name) => {
  if (!status) return;
  const button = document.querySelector(`button[data-does=${name}]`);
  if (button && button.disabled) return showAnswer(document.getElementById("seat").textContent, true);
  showAnswer("", false);
  if (name !== "good") doubt = null;
  DOES[name]();
});
for (const select of document.querySelectorAll("[data-wish]")) {
  let mouse = false;
  select.addEventListener("pointerdown", () => { mouse = true; });
  select.addEventListener("keydown", () => { mouse = false; });
  select.addEventListener("change", () => {
    order({ do: "wish", [select.dataset.wish]: select.value });
    if (mouse) select.blur(); // a cursor moved by keys stays, to go on through the list
  });
  select.addEventListener("blur", () => settle(select));
}
document.addEventListener("keydown", (event) => event.key === "Escape" && document.activeElement.blur());
addEventListener("resize", () => { document.getElementById("said").style.minHeight = ""; });
document.body.dataset.ready = "";
