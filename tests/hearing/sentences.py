"""Which sentences the hearing bench says: call-outs of every family, rivals, near misses, talk."""

import hashlib
import pathlib
import random
from typing import NamedTuple

HERE = pathlib.Path(__file__).resolve().parent
DRAWS = 1500


class Line(NamedTuple):
    words: str
    sense: dict  # the meaning in the grammar; empty for what is to be refused
    family: str  # rule/event, or what kind of talk


def natural(words):
    """Refuses what the grammar allows and nobody says."""
    w = words.split()
    odd = (
        w.count("given") > 1
        or w.count("repeated") + ("second" in w) + ("repeat" in w) + ("third" in w) > 1
        or (w[-1] == "days") == (w[-2:-1] == ["one"]) and w[-1] in ("day", "days")
        or (w[-1] == "minutes" and w[-3:-1] == ["at", "one"])
        or (w[-1] == "minute" and w[-3:-1] != ["at", "one"])
        or "gestation" in w and w[-1] in ("day", "days") and "weeks" not in w
    )
    return not odd


def half(words):
    """Which set a sentence belongs to, by chance but always the same: 0 or 1."""
    return hashlib.sha256(words.encode()).digest()[0] % 2


class Pool:
    """What one set may say: its half of each family's sentences, or all where the family has too few."""

    def __init__(self, grammar, chatter, which, seed):
        self.grammar, self.which = grammar, which
        rng = random.Random(seed)
        found = {}
        for rule in grammar.public:
            for _ in range(DRAWS):
                words, sense = grammar.sample(rng, rule)
                # A scribe command leaves no event of its own, and some of them would end the recording.
                if sense.get("event") not in (None, "command", "decoy") and natural(words):
                    family = f"{rule}/{sense['event']}"
                    found.setdefault(family, {})[words] = Line(words, sense, family)
        self.families = {family: self._own(lines) for family, lines in sorted(found.items())}
        self.near, self.talk = (self._chatter(chatter, rng, rule) for rule in ("near", "talk"))

    def _own(self, lines):
        """By meaning, so that a rare one is said as often as one that has many forms."""
        out = {}
        for words, line in sorted(lines.items()):
            value = line.sense.get("value")
            kind = "number" if isinstance(value, (int, float)) else str(value)
            out.setdefault(kind, []).append(line)
        for kind, all_forms in out.items():
            mine = [x for x in all_forms if half(x.words) == self.which]
            out[kind] = mine if len(all_forms) >= 6 and mine else all_forms
        return out

    def _chatter(self, chatter, rng, rule):
        said = {chatter.sample(rng, rule)[0] for _ in range(2 * DRAWS)}
        fit = sorted(w for w in said if half(w) == self.which and not self.grammar.inside(w))
        return [Line(w, {}, rule) for w in fit]

    def callouts(self, rng, count):
        """Families in turn, in chance order; those whose value is a number come twice as often."""
        turn = []
        while len(turn) < count:
            once = [f for f, kinds in self.families.items() for _ in range(1 + ("number" in kinds))]
            rng.shuffle(once)
            turn += once
        out = []
        for family in turn[:count]:
            kinds = self.families[family]
            out.append(rng.choice(kinds[rng.choice(sorted(kinds))]))
        return out


def listed(path):
    """A text file's sentences: one a line, # for headings."""
    lines = path.read_text(encoding="utf-8").splitlines()
    return [line.strip() for line in lines if line.strip() and not line.startswith("#")]


TEENS = [("thirteen", "thirty"), ("fourteen", "forty"), ("fifteen", "fifty"), ("sixteen", "sixty"),
         ("seventeen", "seventy"), ("eighteen", "eighty"), ("nineteen", "ninety")]  # fmt: skip
NUMBERED = [
    "{} breaths given", "{} breaths done", "volume {} mils", "saline {} milliliters given", "blood {} m l",
    "glucose {}", "glucose is {} milligrams", "heart rate one {}", "heart rate a hundred and {}",
    "heart rate is one {}", "weight two thousand nine hundred and {} grams",
    "epinephrine zero point {} mils", "pressure {}",
]  # fmt: skip
OPPOSITES = (
    [(f"{what} started", f"{what} stopped") for what in ("breaths", "ventilation", "p p v", "bagging", "compressions", "chest compressions", "c pap", "intubation attempt")]
    + [(f"starting {what}", f"stopping {what}") for what in ("breaths", "ventilation", "p p v", "bagging", "compressions")]
    + [(f"start {what}", f"stop {what}") for what in ("ventilation", "bagging", "compressions")]
    + [(f"heart rate {verb}{trend}", f"heart rate {verb}not {trend}") for verb in ("", "is ") for trend in ("rising", "increasing", "going up")]
    + [(f"chest {verb}{move}", f"chest {verb}not {move}") for verb in ("", "is ") for move in ("rising", "moving")]
    + [("heart rate rising", "heart rate falling"), ("heart rate going up", "heart rate going down")]
    + [(f"heart rate {a} {n}", f"heart rate {b} {n}") for n in ("sixty", "one hundred", "eighty", "a hundred and twenty") for a, b in (("above", "below"), ("over", "under"), ("greater than", "less than"))]
    + [("c pap on", "c pap off"), ("c p a p on", "c p a p off"), ("pressure increased", "pressure decreased"), ("pressure up", "pressure down")]
    + [("baby breathing", "baby not breathing"), ("baby is crying", "baby is not crying"), ("good tone", "poor tone")]
    + [("c o two detected", "c o two not detected"), ("tube in", "tube out"), ("intubated", "extubated"), ("color change", "no color change")]
    + [("ventilation effective", "ventilation not effective"), ("good chest rise", "no chest rise")]
)  # fmt: skip


def rivals(grammar):
    """[(call-out, its rival)], both ways round; pairs of which the grammar holds only one are left out."""
    texts = [(form.format(a), form.format(b)) for form in NUMBERED for a, b in TEENS]
    out = []
    for pair in texts + OPPOSITES:
        senses = [grammar.read(words) for words in pair]
        if all(senses) and senses[0] != senses[1]:
            kind = "teens and tens" if pair in texts else "opposites"
            a, b = (Line(w, s, kind) for w, s in zip(pair, senses))
            out += [(a, b), (b, a)]
    return out
