// The scribe's view: the list, and acts on it by keyboard alone. Each act goes to the recorder's core.

import { act } from "/link.js";
import { at, make, mark, stamp, start } from "/draw.js";

const DONE = {
  confirm: "confirmed",
  withdraw: "withdrawn",
  heard: "settled as heard",
  rival: "settled as the other",
  value: "amended",
  shift: "moved",
  mark: "marked",
  undo: "undone",
};
const ALONE = ["mark", "undo"];
const ASKS = { value: "new value", shift: "by how many seconds (−5 is earlier)" };

let lines = []; // newest first
let chosen = null; // seq
let busy = false;

const list = at("list");
const line = () => lines.find(({ seq }) => seq === chosen);

function row(line) {
  const words = line.words ? make("q", "words", line.words) : make("span", "words", `by ${line.by}`);
  const question = line.question ? make("i", "", line.question) : null;
  const made = make("li", "", make("span", "when", stamp(line.at)), mark(line), make("b", "", line.text), words, question);
  made.id = `event-${line.seq}`;
  made.setAttribute("role", "option");
  made.addEventListener("click", () => choose(line.seq));
  return made;
}

function choose(seq) {
  chosen = seq;
  for (const made of list.children) {
    const is = made.id === `event-${seq}`;
    made.setAttribute("aria-selected", String(is));
    if (is) made.scrollIntoView({ block: "nearest" });
  }
  if (line()) list.setAttribute("aria-activedescendant", `event-${seq}`);
  at("chosen").textContent = line() ? `${stamp(line().at)}  ${line().text}` : "none yet";
}

function draw(told) {
  const place = lines.findIndex(({ seq }) => seq === chosen);
  lines = told.toReversed();
  list.replaceChildren(...lines.map(row));
  // The choice stays where it is, whatever is new; where its event is gone, the one in its place is chosen.
  const next = line() ?? lines[Math.min(Math.max(place, 0), lines.length - 1)];
  choose(next?.seq ?? null);
  const open = lines.filter(({ doubt }) => doubt).length;
  at("open").textContent = open ? `${open} in doubt` : "nothing in doubt";
}

function step(by) {
  const place = lines.findIndex(({ seq }) => seq === chosen);
  const next = lines[Math.min(Math.max(place + by, 0), lines.length - 1)];
  if (next) choose(next.seq);
}

// From the newest on, and round again.
function nextDoubt() {
  const place = lines.findIndex(({ seq }) => seq === chosen);
  const round = [...lines.slice(place + 1), ...lines.slice(0, place + 1)];
  const next = round.find(({ doubt }) => doubt);
  if (next) choose(next.seq);
}

async function ask(what, text) {
  if (busy) return;
  busy = true;
  say("…");
  const { done, why } = await act(what);
  busy = false;
  say(done ? `✓ ${text}: ${DONE[what.act]}` : `! not done: ${why}`);
}

function say(text) {
  at("answer").textContent = text;
}

function begin(name) {
  if (ALONE.includes(name)) return ask({ act: name }, "the log");
  if (!line()) return say("! not done: there is no event yet");
  if (!ASKS[name]) return ask({ act: name, of: chosen }, line().text);
  // The event stands fixed from here on, whatever is called out while the number is typed.
  Object.assign(at("amend").dataset, { act: name, of: chosen, text: line().text });
  at("number-name").textContent = `${line().text}: ${ASKS[name]}`;
  at("number").value = "";
  at("amend").hidden = false;
  at("number").focus();
}

function leave() {
  at("amend").hidden = true;
  list.focus();
}

at("amend").addEventListener("submit", (event) => {
  event.preventDefault();
  const { act: name, of, text } = at("amend").dataset;
  const typed = at("number").value.trim().replace("−", "-").replace(",", ".");
  const number = Number(typed);
  if (typed === "" || !Number.isFinite(number)) return say("! not done: that is no number");
  leave();
  const what = { act: name, of: Number(of) };
  ask(name === "value" ? { ...what, value: number } : { ...what, ms: Math.round(number * 1000) }, text);
});
at("number").addEventListener("keydown", (event) => event.key === "Escape" && leave());

const MOVES = {
  ArrowUp: () => step(-1),
  ArrowDown: () => step(1),
  Home: () => lines[0] && choose(lines[0].seq),
  End: () => lines.length && choose(lines.at(-1).seq),
  d: nextDoubt,
};

// Letters act only while the list has the focus, and once however long they are held.
list.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.altKey || event.metaKey) return;
  const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
  const button = document.querySelector(`button[data-key="${CSS.escape(key)}"]`);
  if (MOVES[key]) MOVES[key]();
  else if (button && !event.repeat) begin(button.dataset.act);
  else if (!button) return;
  event.preventDefault();
});

for (const button of document.querySelectorAll("button[data-act]")) {
  button.addEventListener("click", () => {
    list.focus();
    begin(button.dataset.act);
  });
}

let told = [];
start("/events/list", (kind, data) => {
  if (kind === "list") told = data.list;
  // A new face may have moved birth, and with it every time in the list.
  if (kind !== "beat") draw(told);
});
list.focus();
