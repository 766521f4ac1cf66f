// What both views draw. All text goes in as text, never as markup: words and names come from outside.

import { Clock, follow } from "/link.js";

export const at = (id) => document.getElementById(id);
export const clock = new Clock();
const NO_TIME = "–:––";
let birth = null;

/// An element with a class, and texts or elements in it.
export function make(name, style, ...inside) {
  const made = document.createElement(name);
  if (style) made.className = style;
  made.append(...inside.filter((part) => part !== null && part !== undefined));
  return made;
}

function put(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

/// m:ss, with a sign before the origin.
export function face(ms) {
  const seconds = Math.floor(Math.abs(ms) / 1000);
  return `${ms < 0 && seconds ? "−" : ""}${Math.floor(seconds / 60)}:${String(seconds % 60).padStart(2, "0")}`;
}

/// When something was, by birth; in brackets from the start while birth is not known.
export function stamp(moment) {
  return birth === null ? `(${face(moment)})` : face(moment - birth);
}

/// A time that goes on by itself: since, or until, a moment.
export function going(how, moment, before = "", after = "") {
  const element = make("span", "going");
  Object.assign(element.dataset, { how, moment, before, after });
  tell(element, clock.now());
  return element;
}

function tell(element, now) {
  const { how, moment, before, after } = element.dataset;
  // Rounded so that "in 0:01" is the last second before it is due.
  const ms = how === "since" ? now - moment : Math.max(0, Math.ceil((moment - now) / 1000)) * 1000;
  put(element, now === null ? NO_TIME : `${before}${face(ms)}${after}`);
}

function tick() {
  const now = linked() ? clock.now() : null;
  for (const element of document.querySelectorAll(".going")) tell(element, now);
  put(at("clock"), now === null ? NO_TIME : face(now - (birth ?? 0)));
}

const linked = () => document.body.dataset.link === "on";

const MARKS = { true: ["?", "doubtful"], false: ["✓", "accepted"] };

/// Not on disk yet.
const WAITS = ["…", "waiting"];

/// The mark of an event: a sign, a shape and a word.
export function mark(line) {
  const [sign, word] = line.waits ? WAITS : MARKS[Boolean(line.doubt)];
  const made = make("span", `mark ${word}`, sign);
  made.setAttribute("role", "img");
  made.setAttribute("aria-label", word);
  return made;
}

const capital = (text) => text.charAt(0).toUpperCase() + text.slice(1);

function sign(head, text) {
  const shape = make("b", "shape", "!");
  shape.setAttribute("aria-hidden", "true");
  const words = make("span", "told", make("strong", "", head), text ? make("span", "", text) : null);
  return make("p", "sign", shape, words);
}

let troubles = [];
let ended = null;

function signs(link, why) {
  const all = troubles.map(({ device, state, text }) => sign(`${capital(device)} ${state}`, text));
  if (ended !== null) {
    all.unshift(sign("The recording has ended", ended));
  } else if (why === "token") {
    all.unshift(sign("This link is not valid", "Open the link that the recorder shows now."));
  } else if (link === "lost") {
    all.unshift(sign("Connection lost", "What stands here is old."));
  }
  const text = all.map((each) => each.textContent).join();
  if (at("signs").dataset.text === text) return; // else it would be read out again and again
  at("signs").dataset.text = text;
  at("signs").replaceChildren(...all);
}

function link(state, why) {
  document.body.dataset.link = state;
  signs(state, why);
  tick();
}

function draw(now, told) {
  birth = told.birth;
  troubles = told.troubles;
  ended = told.ended;
  put(at("since"), birth === null ? "since the start: birth is not recorded" : "since birth");
  at("running").replaceChildren(
    ...told.running.map((timer) => make("li", "", make("b", "", timer.title), going("since", timer.since))),
  );
  at("due").replaceChildren(
    ...told.due.map((due) => {
      const when = due.is_due ? going("since", due.at, "now +") : going("until", due.at, "in ");
      return make("li", due.is_due ? "is-due" : "", when, make("b", "", due.title));
    }),
  );
  put(at("due-name"), told.more_due ? `due, and ${told.more_due} more` : "due");
  put(at("so-far"), told.so_far ? `${told.so_far} …` : "");
  put(at("purpose"), told.purpose);
  put(at("pack"), told.title);
  put(at("caution"), told.caution);
}

/// Follows a stream and draws what both views have; `more(kind, data)` draws the rest.
export function start(path, more) {
  let run = null;
  const heard = (kind, data) => {
    if (kind === "face" && data.face.run !== run) {
      run = data.face.run;
      clock.forget();
    }
    clock.hear(data.now);
    if (kind === "face") draw(data.now, data.face);
    link(ended === null ? "on" : "ended");
    more(kind, data);
  };
  follow(path, heard, (why) => link(ended === null ? "lost" : "ended", why));
  setInterval(tick, 100);
  themes();
  stayAwake();
}

// Light, dark, or as the system has it.
function themes() {
  const order = ["", "light", "dark"];
  const root = document.documentElement;
  root.dataset.theme = localStorage.getItem("earmark-theme") ?? "";
  at("theme").addEventListener("click", () => {
    const next = order[(order.indexOf(root.dataset.theme) + 1) % order.length];
    root.dataset.theme = next;
    localStorage.setItem("earmark-theme", next);
  });
}

// A wall display must not go dark by itself, where the browser lets us say so.
function stayAwake() {
  const ask = () => document.visibilityState === "visible" && navigator.wakeLock?.request("screen").catch(() => {});
  document.addEventListener("visibilitychange", ask);
  ask();
}
