"""How words are said, and which sound alike: what one may be taken for."""

import os
import pathlib
import re
import sys
from functools import cache

import wordfreq
from rapidfuzz.distance import Levenshtein

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1]))
from synth.phrases import Grammar  # noqa: E402

PACK = pathlib.Path(__file__).resolve().parents[2] / "grammars/newborn"
NUMBERS = (
    "one two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen sixteen seventeen eighteen "
    "nineteen twenty thirty forty fifty sixty seventy eighty ninety hundred"
)
COMMON = 20_000  # words of English, the most frequent ones: rarer ones the voices may say otherwise than the dictionary


def dictionary():
    """First pronunciation of each word, ARPAbet without stress."""
    folder = os.environ.get("EARMARK_ASSETS") or os.path.expanduser("~/.cache/earmark")
    ways = {"a": ["AH"]}
    for path in (PACK / "words.dict", pathlib.Path(folder) / "cmudict.dict"):
        for line in path.read_text(encoding="utf-8").splitlines():
            word, *phones = line.split("#")[0].split() or [""]
            if phones and "(" not in word:
                ways.setdefault(word, [re.sub(r"\d", "", p) for p in phones])
    return ways


def common(known):
    return [word for word in wordfreq.top_n_list("en", COMMON) if word in known]


def sounding_alike(known, others, share=3):
    """For a word, those of the others that are one phone in `share` away from it, at least one, and how many phones."""

    @cache
    def alike(word):
        phones = known[word]
        most = max(1, int(len(phones) / share))
        apart = {other: Levenshtein.distance(phones, known[other], score_cutoff=most) for other in others}
        return {other: distance for other, distance in apart.items() if 0 < distance <= most}

    return alike


class Rivals:
    """What a sentence may be taken for: another number, or another word of the call-outs, or another word of English."""

    def __init__(self, rng):
        self.rng, self.known, grammar = rng, dictionary(), Grammar(PACK / "phrases.jsgf")
        call_outs = (grammar.sample(rng, rng.choice(list(grammar.public)))[0] for _ in range(4000))
        words = sorted({word for said in call_outs for word in said.split() if word in self.known})
        numbers = [word for word in NUMBERS.split() if word in self.known]
        to_numbers = sounding_alike(self.known, numbers, 1.5)
        self.alike = [
            lambda word: to_numbers(word) if word in numbers else {},
            sounding_alike(self.known, words, 2),
            sounding_alike(self.known, common(self.known)),
        ]

    def of(self, words):
        """[(word, its phones)] with another word in the place of one; None where none sounds like another."""
        for alike in self.alike[self.rng.choices(range(3), [5, 3, 2])[0] :]:
            others = [(k, *other) for k, (word, _) in enumerate(words) for other in alike(word).items()]
            if others:
                k, other, _ = self.rng.choices(others, [1 / distance for *_, distance in others])[0]
                return [*words[:k], (other, self.known[other]), *words[k + 1 :]]
        return None
