// Puts the server's words into the page; makes none of its own.
const at = (id) => document.getElementById(id);

export function made(tag, text, name) {
  const element = document.createElement(tag);
  if (text !== undefined) element.textContent = text;
  if (name) element.className = name;
  return element;
}
export function set(id, text) {
  if (at(id).textContent !== text) at(id).textContent = text;
}
// To a part of the page, with the cursor.
export function goTo(id) {
  at(id).focus({ preventScroll: true });
  at(id).scrollIntoView({ block: "start" });
}
export function list(id, lines) {
  const place = at(id);
  if (place.dataset.lines === JSON.stringify(lines)) return;
  place.dataset.lines = JSON.stringify(lines);
  place.replaceChildren(...lines.map((line) => made("li", line)));
}
export function showShot(shot) {
  set("title", shot.title);
  set("rate", shot.rate);
  showFigures(shot.figures);
  list("doubts", shot.doubts);
  at("doubted").hidden = !shot.doubts.length;
  showFinding(shot.finding);
  showHand(shot.hand);
  speak(shot.finding);
  set("decay-words", shot.decay.caption);
  if (shot.what !== "whole") set("plane-words", shot.plane ? shot.plane.words : "needs a reference and a ring");
}
export function showHand({ headline, odds, q, healthy, tint }) {
  set("hand-headline", headline);
  set("hand-q", q);
  set("hand-healthy", healthy);
  set("hand-odds", odds);
  at("hand").dataset.tint = tint;
}
// From the shot to the painted picture. Clocks of two computers differ, so it is told on the tester's own only.
export function showDelay(struck_at_ms) {
  const delay = Date.now() - struck_at_ms;
  const own = ["localhost", "127.0.0.1", "[::1]"].includes(location.hostname);
  set("delay", own && delay >= 0 && delay < 5000 ? `; ${Math.round(delay)} ms from shot to picture` : "");
}
function showFigures(figures) {
  const place = at("figures");
  if (place.children.length !== figures.length)
    place.replaceChildren(...figures.map(() => {
      const cell = made("div");
      cell.append(made("dt"), made("dd"), made("dd", "", "interval"));
      return cell;
    }));
  figures.forEach((figure, k) => {
    const [name, value, interval] = place.children[k].children;
    name.textContent = figure.name;
    value.textContent = figure.value;
    interval.textContent = figure.interval;
  });
}
function showFinding(finding) {
  set("sentence", finding.sentence);
  document.body.dataset.headline = finding.headline;
  for (const [part, id, words] of [["next", "next-step", finding.next_step], ["caution", "caution-words", finding.caution],
    ["unseen", "unseen-words", finding.unseen]]) {
    set(id, words);
    at(part).hidden = !words;
  }
  const odds = JSON.stringify(finding.odds);
  if (at("odds").dataset.odds !== odds) at("odds").replaceChildren(...finding.odds.map(chance));
  at("odds").dataset.odds = odds;
  set("odds-words", finding.odds_words);
  const key = JSON.stringify(finding.parts);
  if (at("because").dataset.lines === key) return;
  at("because").dataset.lines = key;
  at("because").replaceChildren(...finding.parts.flatMap(([head, lines]) => {
    const items = made("ul");
    items.append(...lines.map((line) => made("li", line)));
    return [made("h3", head), items];
  }));
}
// Figures move with every shot; read out is the first finding, another one, and else what it has come to after a while.
const APART_MS = 10_000;
let spoken = { at: -Infinity };
function speak({ headline, sentence, next_step }) {
  const now = performance.now();
  if (headline === spoken.headline && now - spoken.at < APART_MS) return;
  if (sentence === spoken.sentence) return;
  spoken = { at: now, headline, sentence };
  set("spoken", `${sentence} ${next_step && `Next: ${next_step}.`}`);
}
// What the bar and the finding say, read out when it is asked for; said again although it is the same.
export function readOut() {
  const told = ["hand-headline", "hand-q", "hand-healthy", "hand-odds"].map((id) => at(id).textContent).filter(Boolean);
  const doubts = [...at("doubts").children].map((one) => one.textContent);
  const next = at("exam").dataset.asked && at("exam-verdict").textContent ? at("exam-words").textContent : at("next-step").textContent;
  at("spoken").textContent = "";
  setTimeout(() => set("spoken", [`${told.join(", ")}.`, doubts.length ? `Doubts: ${doubts[0]}.` : "", next ? `Next: ${next}.` : "", at("leads").textContent].filter(Boolean).join(" ")), 50);
}
function chance(one) {
  const line = made("li");
  line.toggleAttribute("data-shorted", one.shorted);
  const bar = made("meter");
  bar.value = one.share;
  bar.setAttribute("aria-label", `${one.name} ${one.words}`);
  line.append(made("span", one.name), made("span", one.words), bar);
  return line;
}
export function showAnswer(words, failed) {
  at("answer").toggleAttribute("data-failed", failed);
  at("answer").textContent = words;
}
export function showStatus(status) {
  for (const name of ["link", "leads"]) {
    at(name).dataset.state = status[name].state;
    set(name, status[name].words);
  }
  set("before", status.unstruck);
  at("before").hidden = !status.unstruck || !document.body.dataset.shot;
  at("seat").hidden = status.pages < 2 && status.commands;
  set("seat", `${status.pages} pages open; this one ${status.commands ? "commands" : "watches"}`);
  set("prior", status.wish.prior);
  for (const [name, choices] of Object.entries(status.choices)) fill(at(`wish-${name}`), choices, status.wish[name]);
  at("wish-kind").disabled = !status.commands || status.wish.reference !== "";
}
function fill(select, choices, value) {
  const key = JSON.stringify(choices);
  const other = select.dataset.choices !== key;
  if (other) {
    select.dataset.choices = key;
    select.replaceChildren(...choices.map(([name, words]) => new Option(words, name)));
  }
  select.dataset.stands = value;
  if (other || document.activeElement !== select) select.value = value;
}
// Shows what the server holds, where a choice was refused or left.
export function settle(select) {
  select.value = select.dataset.stands;
}
