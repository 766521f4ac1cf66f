"""How words are said, and which sound alike: what one may be taken for."""

import os
import pathlib
import re
from functools import cache

import wordfreq
from rapidfuzz.distance import Levenshtein

PACK = pathlib.Path(__file__).resolve().parents[3] / "grammars/newborn"
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
