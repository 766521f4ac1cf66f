"""Reads a phrase grammar (JSGF) far enough to sample from it and to say what a sentence means.

Written apart from the recorder's own grammar reader on purpose, so that neither checks itself.
"""

import re
from functools import cache

ONES = (
    "zero one two three four five six seven eight nine ten eleven twelve thirteen fourteen "
    "fifteen sixteen seventeen eighteen nineteen"
).split()
TENS = "_ _ twenty thirty forty fifty sixty seventy eighty ninety".split()


def below_hundred(n):
    if n < 20:
        return ONES[n]
    return TENS[n // 10] + (f" {ONES[n % 10]}" if n % 10 else "")


def whole_forms(n):
    """Every way to say a whole number below ten thousand, the plainest first."""
    if n < 100:
        return [below_hundred(n)]
    if n < 1000:
        head, rest = ONES[n // 100], n % 100
        heads = [f"{head} hundred"] + (["a hundred"] if head == "one" else [])
        if not rest:
            return heads
        tail = below_hundred(rest)
        short = f"{head} {tail}" if rest >= 10 else f"{head} oh {tail}"
        return [short] + [f"{h}{link} {tail}" for h in heads for link in ("", " and")]
    thousand, rest = f"{ONES[n // 1000]} thousand", n % 1000
    if not rest:
        return [thousand]
    if rest < 100:
        return [f"{thousand} and {below_hundred(rest)}", f"{thousand} {below_hundred(rest)}"]
    long = [f"{thousand} {f}" for f in whole_forms(rest) if "hundred" in f and not f.startswith("a ")]
    pair, tail = below_hundred(n // 100), n % 100
    if not tail:
        return long + [f"{pair} hundred"]
    return long + ([f"{pair} {below_hundred(tail)}"] if tail >= 10 else [])


def number_forms(text):
    """Every way to say a number written in digits: "3.5" gives "three point five", "three and a half"."""
    whole, _, fraction = text.partition(".")
    fraction = fraction.rstrip("0")
    wholes = whole_forms(int(whole))
    if not fraction:
        return wholes
    tails = {" ".join(ONES[int(d)] for d in fraction), " ".join("oh" if d == "0" else ONES[int(d)] for d in fraction)}
    heads = wholes if int(whole) else ["zero", "oh", ""]
    forms = [f"{h} point {t}".strip() for h in heads for t in sorted(tails, reverse=True)]
    if fraction == "5" and int(whole):
        forms += [f"{w} and a half" for w in wholes]
    return forms


@cache
def spoken_range(low, high, step):
    """{spoken words as a tuple: number as text} for a range of the grammar."""
    places = max(len(x.partition(".")[2]) for x in (low, high, step))
    scale = 10**places
    out = {}
    for i in range(round(float(low) * scale), round(float(high) * scale) + 1, round(float(step) * scale)):
        text = f"{i / scale:.{places}f}" if places else str(i)
        if "." in text:
            text = text.rstrip("0").rstrip(".")
        for form in number_forms(text):
            out.setdefault(tuple(form.split()), text)
    return out


TOKEN = re.compile(r"<[^>]+>|\{[^}]*\}|[()\[\]|]|[a-z']+")
RANGE = re.compile(r"number:([\d.]+)-([\d.]+)(?:/([\d.]+))?$")


class Grammar:
    def __init__(self, path):
        text = re.sub(r"/\*.*?\*/", " ", open(path, encoding="utf-8").read(), flags=re.S)
        self.rules, self.public = {}, []
        for public, name, body in re.findall(r"(public\s+)?<([a-z_]+)>\s*=\s*([^;]*);", text):
            tokens = TOKEN.findall(body)
            tree, rest = self._alternatives(tokens)
            if rest:
                raise ValueError(f"{path}: rule <{name}>: cannot read from {' '.join(rest)!r}")
            self.rules[name] = tree
            if public:
                self.public.append(name)

    def _alternatives(self, tokens):
        branches, items = [], []
        while tokens and tokens[0] not in (")", "]"):
            token, *tokens = tokens
            if token == "|":
                branches.append(items)
                items = []
            elif token in "([":
                inner, tokens = self._alternatives(tokens)
                tokens = tokens[1:]
                items.append(inner if token == "(" else ("either", [inner, ("row", [])]))
            elif token[0] == "{":
                items.append(("tag", token[1:-1]))
            elif token[0] == "<":
                spec = RANGE.match(token[1:-1])
                items.append(("number", spec[1], spec[2], spec[3] or "1") if spec else ("rule", token[1:-1]))
            else:
                items.append(("word", token))
        branches = [("row", b) for b in branches + [items]]
        return (branches[0] if len(branches) == 1 else ("either", branches)), tokens

    def sample(self, random, rule):
        """A random sentence of a rule: (words, meaning)."""
        found = []
        self._sample(random, ("rule", rule), found)
        return " ".join(w for w, _ in found if w), meaning([t for _, t in found if t])

    def _sample(self, random, node, found):
        kind = node[0]
        if kind == "word":
            found.append((node[1], None))
        elif kind == "tag":
            found.append((None, node[1]))
        elif kind == "number":
            spoken = spoken_range(*node[1:])
            value = random.choice(sorted(set(spoken.values()), key=float))
            words = random.choice([w for w, v in spoken.items() if v == value])
            found.append((" ".join(words), f"#{value}"))
        elif kind == "rule":
            self._sample(random, self.rules[node[1]], found)
        elif kind == "either":
            self._sample(random, random.choice(node[1]), found)
        else:
            for part in node[1]:
                self._sample(random, part, found)

    def read(self, words):
        """The meaning of a whole sentence, or None where the grammar refuses it."""
        words = tuple(words.split())
        for name in self.public:
            for end, tags in self._match(("rule", name), words, 0):
                if end == len(words):
                    return meaning(tags)
        return None

    def inside(self, words):
        """The first call-out that stands anywhere inside a sentence, or None."""
        words = tuple(words.split())
        for start in range(len(words)):
            for name in self.public:
                for end, _ in self._match(("rule", name), words, start):
                    if end > start:
                        return " ".join(words[start:end])
        return None

    def _match(self, node, words, at):
        kind = node[0]
        if kind == "word":
            if at < len(words) and words[at] == node[1]:
                yield at + 1, []
        elif kind == "tag":
            yield at, [node[1]]
        elif kind == "number":
            spoken = spoken_range(*node[1:])
            for end in range(min(len(words), at + 9), at, -1):
                if words[at:end] in spoken:
                    yield end, [f"#{spoken[words[at:end]]}"]
        elif kind == "rule":
            yield from self._match(self.rules[node[1]], words, at)
        elif kind == "either":
            for branch in node[1]:
                yield from self._match(branch, words, at)
        else:
            yield from self._row(node[1], words, at)

    def _row(self, parts, words, at):
        if not parts:
            yield at, []
            return
        for middle, tags in self._match(parts[0], words, at):
            for end, more in self._row(parts[1:], words, middle):
                yield end, tags + more


def meaning(tags):
    """{"event", "value"?, "unit"?, "detail"?} from tags in the order spoken; a number comes as "#120"."""
    out, number = {}, None

    def worth(text):
        text = number if text == "#" else text
        return (float(text) if "." in text else int(text)) if re.fullmatch(r"[\d.]+", text) else text

    for tag in tags:
        if tag[0] == "#":
            number = tag[1:]
            continue
        for part in tag.split():
            name, _, text = part.partition("=")
            if name == "unit":
                out["unit"] = text
            elif name[0] == ".":
                out.setdefault("detail", {})[name[1:]] = worth(text)
            else:
                out["event"] = name
                if text:
                    out["value"] = worth(text)
    return out
