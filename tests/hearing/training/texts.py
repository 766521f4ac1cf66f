"""Writes the sentences of training, their phones, and what each may be mistaken for.

usage: texts.py WORK_DIR [--count N] [--people FOLDER]
Writes WORK_DIR/texts.json.gz:
  "words"   [[word, spelling for a synthesiser, ARPAbet phones]]
  "said"    a row of places in "words" for each sentence; the last ones are those of recorded people
  "rivals"  for each sentence up to eight [first word replaced, how many words are, places of the new words]
  "people"  how many of the sentences are of recorded people
FOLDER/train.tsv lists the people's recordings: file, speaker, words, with tabs between; letters are spelled one by one.
Needs the dictionary that `make assets` fetches and Debian's licence texts.
"""

import argparse
import gzip
import json
import pathlib
import random
import re
import sys
import tomllib
from collections import Counter

HERE = pathlib.Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent), str(HERE.parents[1])]
from sentences import TEENS, listed  # noqa: E402
from synth.phrases import ONES, TENS, Grammar  # noqa: E402
from synth.voices import RESPELL  # noqa: E402

from alike import PACK, common, dictionary, sounding_alike  # noqa: E402

LICENCES = [pathlib.Path("/usr/share/common-licenses") / name for name in ("GPL-3", "Apache-2.0", "MPL-2.0", "GFDL-1.3")]
SPOKEN_LETTERS = (
    "ay bee see dee ee eff gee aitch eye jay kay ell em en oh pee cue ar ess tee you vee double-you ex why zee".split()
)
ALPHABET = "abcdefghijklmnopqrstuvwxyz"
SPELLED = dict(zip(ALPHABET, SPOKEN_LETTERS, strict=True))
DIGITS = ["zero", "oh"] + ONES[1:] + TENS[2:] + ["hundred", "point"]
# Before a final "eight", which is weak.
HEADS = [["heart", "rate"], ["rate", "is"], ["sats"], ["apgar"], ["saturation"], ["one"], ["twenty"], ["point"], ["size"]]
EIGHTS = [["eight"], ["eighty", "eight"], ["eight", "eight"], ["point", "eight"], ["ninety", "eight"]]
# A word too many, as in a denial.
ADDED = ["not", "is", "are", "no", "the", "one", "isn't", "was"]
# What the dictionary lacks.
MORE = {
    "apnoeic": "AE P N IY IH K",
    "epi": "EH P IY",
    "neonatology": "N IY OW N EY T AA L AH JH IY",
    "colour": "K AH L ER",
    "bm": "B IY EH M",
    "naloxone": "N AH L AA K S OW N",
    "surfactant": "S ER F AE K T AH N T",
    "fentanyl": "F EH N T AH N IH L",
    "atropine": "AE T R AH P IY N",
    "stylet": "S T AY L AH T",
    "auscultating": "AO S K AH L T EY T IH NG",
    "reapplied": "R IY AH P L AY D",
    "micrograms": "M AY K R AH G R AE M Z",
    "bicarbonate": "B AY K AA R B AH N AH T",
    "cannula": "K AE N Y AH L AH",
    "cannulating": "K AE N Y AH L EY T IH NG",
    "intubating": "IH N T UW B EY T IH NG",
    "ventilating": "V EH N T AH L EY T IH NG",
    "compressing": "K AH M P R EH S IH NG",
    "restarted": "R IY S T AA R T AH D",
    "blender": "B L EH N D ER",
}


class Texts:
    """Call-outs of the grammar, what its decoys make of them, other talk (talk.txt), and pieces of licence texts."""

    def __init__(self, rng, known):
        self.rng, self.known = rng, known
        self.grammar = Grammar(PACK / "phrases.jsgf")
        lines = (HERE / "talk.txt").read_text(encoding="utf-8").splitlines()
        self.talk = [line.strip() for line in lines if line.strip() and not line.startswith("#")]
        self.decoys = tomllib.loads((PACK / "decoys.toml").read_text(encoding="utf-8"))
        text = " ".join(path.read_text(errors="ignore") for path in LICENCES).lower()
        self.other = re.sub(r"[^a-z' ]+", " ", text).split()
        self.alike = sounding_alike(known, common(known))

    def callout(self):
        return self.grammar.sample(self.rng, self.rng.choice(list(self.grammar.public)))[0]

    def almost(self):
        """A call-out as the pack's decoys are made: denied, asked, put off, or a word turned into its opposite."""
        words, kind = self.callout().split(), self.rng.random()
        rows = [(k, row) for k, word in enumerate(words) for row in self.decoys["opposites"] if word in row]
        if rows and kind < 0.6:
            k, row = self.rng.choice(rows)
            words[k] = self.rng.choice(row)
        elif kind < 0.7:
            words.insert(self.rng.randrange(len(words)), self.rng.choice(self.decoys["denials"]))
        elif kind < 0.8:
            words.insert(0, self.rng.choice(self.decoys["lead_ins"]))
        elif kind < 0.9:
            words.append(self.rng.choice(self.decoys["tails"]))
        else:
            words = words[: max(1, len(words) - 1)]
        return " ".join(words)

    def sound_alike(self):
        """A call-out in which another word stands where one sounds like it, so that no word is heard by its place."""
        words = self.callout().split()
        places = [k for k, word in enumerate(words) if self.alike(word)]
        if places:
            k = self.rng.choice(places)
            words[k] = self.rng.choice(list(self.alike(words[k])))
        return " ".join(words)

    def draw(self):
        while True:
            kind = self.rng.random()
            if kind < 0.06:
                said = self.almost()
            elif kind < 0.20:
                said = self.sound_alike()
            elif kind < 0.24:
                words = (self.callout() + " " + self.callout()).split()
                self.rng.shuffle(words)
                said = " ".join(words[: self.rng.randint(1, 6)])
            elif kind < 0.55:
                said = self.callout()
            elif kind < 0.70:
                said = self.rng.choice(self.talk)
            else:
                at = self.rng.randrange(len(self.other) - 8)
                said = " ".join(self.other[at : at + self.rng.randint(3, 7)])
            if all(word in self.known for word in said.split()) and len(said.split()) < 14:
                return said


class Lexicon:
    """The words that were used, each with its number."""

    def __init__(self, known):
        self.known, self.rows, self.places = known, [], {}
        self.letters = {c: known[c] for c in SPELLED} | {"a": ["EY"]}

    def phones(self, word):
        """Those of the dictionary; of a contraction, those of its word and a sound. None if unknown."""
        known = self.known
        if word not in known and word.endswith("'s") and word[:-2] in known:
            base = known[word[:-2]]
            hissing, voiceless = ("S", "Z", "SH", "CH", "ZH", "JH"), ("P", "T", "K", "F", "TH")
            known[word] = base + (["AH", "Z"] if base[-1] in hissing else ["S"] if base[-1] in voiceless else ["Z"])
        return known.get(word)

    def place(self, word, letter=False):
        """The number of a word, or of a letter that is spelled."""
        if (word, letter) not in self.places:
            self.places[word, letter] = len(self.rows)
            spelling = SPELLED[word].replace("-", " ") if letter else RESPELL.get(word, word)
            self.rows.append([word, spelling, " ".join(self.letters[word] if letter else self.phones(word))])
        return self.places[word, letter]

    def read(self, sentence):
        """Numbers of its words. "a" is a letter where it stands behind one."""
        words, row = sentence.split(), []
        for k, w in enumerate(words):
            letter = len(w) == 1 and w in SPELLED
            if w == "a":
                letter = k > 0 and len(words[k - 1]) == 1
            row.append(self.place(w, letter))
        return row


class Sentences:
    """What is said: the sentences of Texts, natural.jsgf, letters and digits in any order, frequent words."""

    def __init__(self, rng):
        self.rng, known = rng, dictionary()
        for word, phones in MORE.items():
            known.setdefault(word, phones.split())
        self.lexicon, self.texts, self.natural = Lexicon(known), Texts(rng, known), Grammar(HERE / "natural.jsgf")
        self.words = common(known)
        self.weights = [1 / (k + 50) ** 0.7 for k in range(len(self.words))]
        self.never = set(listed(HERE.parent / "near_report.txt"))
        self.missing = Counter()

    def spoken_naturally(self):
        return self.natural.sample(self.rng, self.rng.choice(self.natural.public))[0]

    def spelled(self):
        """Letters and digits in any order: [(word, whether it is a letter)]."""
        rng, kind = self.rng, self.rng.random()
        if kind < 0.3:
            return [(rng.choice(DIGITS), False) for _ in range(rng.randint(1, 6))]
        if kind < 0.6:
            return [(rng.choice(ALPHABET), True) for _ in range(rng.randint(1, 6))]
        if kind < 0.75:
            said = (rng.choice(TENS[2:]), rng.choice(ONES[1:10]), *([rng.choice(DIGITS)] * rng.randint(0, 1)))
            return [(w, False) for w in said]
        if kind < 0.85:
            head = rng.choice(HEADS)
            return [(w, False) for w in [*head, *rng.choices(EIGHTS)[0]]]
        return [
            (rng.choice(ALPHABET), True) if rng.random() < 0.5 else (rng.choice(DIGITS), False) for _ in range(rng.randint(2, 6))
        ]

    def draw(self):
        """A sentence as numbers of words."""
        rng, place = self.rng, self.lexicon.place
        while True:
            kind = rng.random()
            if kind < 0.14:
                drawn = rng.choices(self.words, self.weights, k=rng.randint(1, 8))
                return [place(w) for w in drawn if len(w) > 1] or self.draw()
            if kind < 0.24:
                return [place(w, letter) for w, letter in self.spelled()]
            if kind < 0.52:
                sentence = self.spoken_naturally()
            elif kind < 0.70:
                sentence = self.texts.callout()
            else:
                sentence = self.texts.draw()
            row = sentence.split()
            lacking = [w for w in row if not self.lexicon.phones(w)]
            self.missing.update(lacking)
            if lacking or not 0 < len(row) < 15 or sentence in self.never:
                continue
            row = self.lexicon.read(sentence)
            if len(row) > 2 and rng.random() < 0.08:  # broken off, or heard from its middle on
                k = rng.randint(1, len(row) - 1)
                row = row[:k] if rng.random() < 0.6 else row[k:]
            return row

    def of_people(self, table):
        """Those of recorded people; an empty row where a word is unknown."""
        for line in table.read_text(encoding="utf-8").splitlines():
            told = line.split("\t")[2].split()
            known = all(self.lexicon.phones(w) for w in told)
            yield [self.lexicon.place(w, len(w) == 1) for w in told] if known else []


class Rivals:
    """What a sentence may be mistaken for: numbers and opposites, words that sound alike, a word more or less."""

    def __init__(self, sentences):
        self.rng, self.lexicon, self.texts = sentences.rng, sentences.lexicon, sentences.texts
        known, phones = self.lexicon.known, self.lexicon.phones
        self.numbers = [w for w in (*ONES, *TENS[2:], "hundred", "oh") if w in known]
        self.teens = {a: b for x, y in TEENS for a, b in ((x, y), (y, x))}
        pairs = ((self.texts.callout(), sentences.spoken_naturally()) for _ in range(6000))
        of_grammar = sorted({w for pair in pairs for said in pair for w in said.split() if phones(w)})
        self.close = sounding_alike(known, [w for w in of_grammar if len(w) > 1], 2)
        self.any = sounding_alike(known, [w for w in sentences.words if len(w) > 1])
        sounds = self.lexicon.letters
        self.letters = {c: [o for o in SPELLED if o != c and set(sounds[o]) & set(sounds[c])] for c in SPELLED}
        for w in ADDED:
            phones(w)

    def of(self, row):
        """Up to eight [at, take, put]: `take` words from `at` on are replaced by the words `put`."""
        rng, place, phones = self.rng, self.lexicon.place, self.lexicon.phones
        near, alike, changed = [], [], []
        for at, k in enumerate(row):
            word = self.lexicon.rows[k][0]
            if self.lexicon.places.get((word, True)) == k:
                near += [(at, 1, [place(o, True)]) for o in rng.sample(self.letters[word], min(2, len(self.letters[word])))]
                continue
            if word in self.teens:
                near += [(at, 1, [place(self.teens[word])])] * 3
            if word in self.numbers:
                near += [(at, 1, [place(rng.choice(self.numbers))])]
            for line in self.texts.decoys["opposites"]:
                if word in line:
                    other = rng.choice(line).split()
                    if all(phones(w) for w in other):
                        near.append((at, 1, [place(w) for w in other]))
            both = list(self.close(word))
            if both:
                alike.append((at, 1, [place(rng.choice(both))]))
            if len(word) > 1 and (other := list(self.any(word))):
                alike.append((at, 1, [place(rng.choice(other))]))
            if len(row) > 1:
                changed.append((at, 1, []))
            changed.append((at, 0, [place(rng.choice(ADDED))]))
        groups = ((near, 3), (alike, 3), (changed, 2))
        picked = [x for some, most in groups for x in rng.sample(some, min(most, len(some)))]
        out, seen = [], {self._sound(row)}
        for at, take, put in picked:
            other = self._sound(row[:at] + put + row[at + take :])
            if other not in seen:
                seen.add(other)
                out.append([at, take, put])
        return out

    def _sound(self, row):
        return " ".join(self.lexicon.rows[k][2] for k in row)


def main():
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("work", type=pathlib.Path)
    ask.add_argument("--count", type=int, default=100_000)
    ask.add_argument("--people", type=pathlib.Path, help="folder of recorded people, with train.tsv")
    args = ask.parse_args()
    sentences = Sentences(random.Random(8))
    rivals = Rivals(sentences)
    said = [sentences.draw() for _ in range(args.count)]
    people = list(sentences.of_people(args.people / "train.tsv")) if args.people else []
    said += people
    told = {"words": sentences.lexicon.rows, "said": said, "rivals": [rivals.of(row) for row in said], "people": len(people)}
    args.work.mkdir(parents=True, exist_ok=True)
    with gzip.open(args.work / "texts.json.gz", "wt") as f:
        json.dump(told, f, separators=(",", ":"))
    print(len(said), "sentences,", len(told["words"]), "words; left out for words without phones:", dict(sentences.missing))


if __name__ == "__main__":
    main()
