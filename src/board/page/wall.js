// The wall view: read from afar, touched by nobody.

import { at, going, make, mark, stamp, start } from "/draw.js";

function value({ title, text, number, at: moment, target }) {
  const cell = make("div", "value", make("dt", "", title));
  if (text === null) {
    cell.append(make("dd", "none", "not called out"));
  } else {
    const [, big, rest] = number === null ? [] : (/^([\d.]+)\s*(.*)$/.exec(text) ?? []);
    cell.append(big ? make("dd", "big", big) : make("dd", "text", text));
    cell.append(make("dd", "age", big && rest ? `${rest}, ` : null, going("since", moment, "", " ago")));
  }
  if (target) cell.append(make("dd", "target", make("small", "", "target now "), target.text));
  return cell;
}

function event(line) {
  const when = make("span", "when", stamp(line.at));
  const question = line.question ? make("i", "", line.question) : null;
  const made = make("li", "", when, mark(line), make("span", "what", line.text, " ", question));
  made.dataset.seq = line.seq;
  return made;
}

start("/events", (kind, { face }) => {
  if (kind !== "face") return;
  at("values").replaceChildren(...face.values.map(value));
  const aims = face.values.filter(({ target }) => target);
  at("sources").textContent = aims.map(({ title, target }) => `${title} target: ${target.source}.`).join(" ");
  at("events").replaceChildren(...face.events.toReversed().map(event));
});
