"""Accents for synthetic voices: phones that a speaker consistently says otherwise.

Lexical sets and what becomes of them are those of J. C. Wells, Accents of English (1982), vol. 1 to 3, from memory.
A rule names the sounds of a set as the two kinds of voices spell them and what may be said instead; the dictionary's
phones stay what they are, so that a model trained on such clips learns to hear a word through an accent.
"""

import re

# (sounds in the neural voice's alphabet, what may stand for them, espeak-ng's mnemonics, what may stand for them)
RULES = [
    ("θ", "t f s", "T", "t f s"),  # thing
    ("ð", "d v z", "D", "d v z"),
    ("ɜɹ ɜː", "ɜː ɛɹ ʌɹ əɪ ɔː aː øː", "3: VR IR @R", "E@ V @I O: A: 3:"),  # nurse
    ("ɔɹ ɔː", "oɹ ɔː ɒ oː ɑɹ", "O@ O: o@", "O: o: 0 O@"),  # north, force, thought
    ("ɑɹ ɑː", "ɑː aː æɹ ɒ", "A@ A: aa", "A: a a# 0"),  # start, bath
    ("æ a", "ɛ a ɑ", "a", "E a# A:"),  # trap
    ("ɛ", "e ɪ æ", "E", "I a e"),  # dress
    ("ɪ", "i ə ɛ", "I", "i: @ E"),  # kit
    ("iː i", "ɪ əi", "i: i", "I i"),  # fleece
    ("ʌ", "ʊ a ɑ ə", "V", "U a# @ 0"),  # strut
    ("ɑ ɒ", "ɔ a ɑː", "0 A:", "O: a# A:"),  # lot
    ("O Q", "oː ɔ əʊ", "oU @U", "o: O: O"),  # goat
    ("A", "eː ɛ I", "eI", "e: E aI"),  # face
    ("I", "Y ɑː aː", "aI", "OI a# A:"),  # price
    ("W", "aː ɛʊ", "aU", "a# a E@"),  # mouth
    ("uː u", "ʊ y", "u: u", "U u"),  # goose
    ("ʊ", "uː", "U", "u:"),  # foot
    ("əɹ ɚ", "ə ɛɹ a", "3", "@ a# V"),  # letter
    ("v", "w f", "v", "w f"),
    ("w", "v", "w", "v"),
    ("T ɾ", "t d", "t#", "t d"),  # butter
    ("ɹ", "ɾ r w", "r", "w l"),
    ("ŋ", "n ŋɡ", "N", "n"),  # moving
    ("ʧ", "ʃ t", "tS", "S"),
    ("ʤ", "ʒ ʧ", "dZ", "Z tS"),
    ("ʃ", "s", "S", "s"),
]
# At the end of a word: voice lost, or the last of two consonants.
LAST = {"z": "s", "d": "t", "v": "f", "ɡ": "k", "g": "k", "b": "p"}  # both spellings of g
CLUSTERS = ("st", "kt", "nd", "ld", "ft", "pt", "sk")


def replaced(phonemes, rules):
    """The longest sounds first."""
    longest = sorted(rules, key=len, reverse=True)
    return re.sub("|".join(longest), lambda m: rules[m.group()], phonemes)


def words_of(mnemonics):
    """What espeak-ng prints for -x --sep='|', as lists of mnemonics."""
    return [word.split("|") for word in mnemonics.split()]


def parted(mnemonic):
    """Its stress marks, and its sound."""
    stress = re.match("[',]*", mnemonic).group()
    return stress, mnemonic[len(stress) :]


def as_input(words):
    """Lists of mnemonics as espeak-ng takes them."""
    return "[[" + " ".join("|".join(word) for word in words) + "]]"


class Accent:
    """One speaker's way: a few of the rules, drawn once."""

    def __init__(self, rng):
        drawn = rng.sample(RULES, rng.randint(1, 7))
        self.neural = {said: rng.choice(instead.split()) for of, instead, _, _ in drawn for said in of.split()}
        self.espeak = {said: rng.choice(instead.split()) for _, _, of, instead in drawn for said in of.split()}
        self.devoiced, self.shortened = rng.random() < 0.12, rng.random() < 0.1

    def of_neural(self, phonemes):
        """A string of phonemes as `hibari` spells them, said in this accent."""
        said = replaced(phonemes, self.neural)
        return re.sub(r"[^\s.,?!]+", lambda m: "".join(self._ended(list(m.group()))), said)

    def of_espeak(self, mnemonics):
        """What espeak-ng prints for -x --sep='|', as phoneme input in this accent."""

        def one(mnemonic):
            stress, sound = parted(mnemonic)
            return stress + self.espeak.get(sound, sound)

        return as_input(self._ended([one(m) for m in word]) for word in words_of(mnemonics))

    def _ended(self, word):
        """A list of phones with its end as this speaker says it."""
        if self.shortened and "".join(word[-2:]) in CLUSTERS:
            word = word[:-1]
        return word[:-1] + [LAST.get(word[-1], word[-1])] if self.devoiced else word


VOWELS = "AIOQWYaeiouæɑɐɒɔəɚɛɜɪʊʌᵻᵊ"


class Indian:
    """English as many in India speak it; the same methods as Accent.

    After Wells, vol. 3, and C. R. Sailaja, Indian English (2009), from memory: retroflex or dental t and d, v and w one
    sound, dental stops for th, p t k without breath, face and goat of one vowel, r tapped or rolled wherever it is
    written, no weak vowels, stress moved.
    """

    def __init__(self, rng):
        self.rng = rng

        def often(share):
            return rng.random() < share

        self.t = rng.choice("ʈʈʈt")
        self.d = {"ʈ": "ɖ", "t": "d"}[self.t]
        self.vw = rng.choice("ʋʋvw")
        self.r = rng.choice(["ɾ", "ɾ", "r", "ɹ"])
        self.th = rng.choice(["t", "t", "tʰ"])
        self.flat, self.syllables, self.moved = often(0.5), often(0.7), rng.choice([0, 0, 0.15, 0.4])
        self.neural = {
            "θ": self.th,
            "ð": "d",
            "v": self.vw,
            "w": self.vw,
            "t": self.t,
            "d": self.d,
            "T": self.t,
            "ɾ": self.t,
            "A": rng.choice(["eː", "e"]),
            "O": rng.choice(["oː", "o"]),
            "Q": "oː",
            "ɹ": self.r,
            "ɜɹ": rng.choice(["əɾ", "aɾ", "ɛɾ"]),
            "ɜː": "əɾ",
            "əɹ": "ə" + self.r,
            "ɚ": rng.choice(["əɾ", "aɾ"]),
            "ʌ": rng.choice(["ə", "a", "ʌ"]),
            "ɔː": rng.choice(["ɔː", "aː", "ɒ"]),
            "ɑː": rng.choice(["aː", "ɑː"]),
        }
        if often(0.5):
            self.neural |= {"æ": rng.choice(["ɛ", "a"])}
        if often(0.5):
            self.neural |= {"ɑː": "aː", "ɑ": "aː", "ɒ": rng.choice(["ɔ", "a"])}
        if often(0.5):  # weak vowels are as strong as others
            self.neural |= {"ᵊl": "əl", "ᵻ": rng.choice(["ɪ", "ɛ"]), "ə": rng.choice(["ə", "a", "ɛ"])}
        if often(0.25):
            self.neural |= {"z": "s", "ʒ": "ʤ"}
        if often(0.15):
            self.neural |= {"ʃ": "s"}
        self.espeak = {
            "T": "t[",
            "D": "d[",
            "v": "v#",
            "w": rng.choice(["v#", "w"]),
            "t": rng.choice(["t[", "t"]),
            "d": rng.choice(["d[", "d"]),
            "t#": "t",
            "eI": "e:",
            "oU": "o:",
            "@U": "o:",
            "r": rng.choice(["*", "R"]),
            "3:": rng.choice(["V*", "@*", "3:"]),
            "3": rng.choice(["@*", "a*"]),
            "@": rng.choice(["@", "@", "a"]),
            "I2": "I",
            "aa": "a",
            "O@": "O*",
            "A@": "A:*",
            "o@": "o:*",
            "A:": rng.choice(["A:", "a:"]),
            "0": rng.choice(["0", "O"]),
            "V": rng.choice(["V", "@"]),
        }
        if often(0.25):
            self.espeak |= {"z": "s"}

    def of_neural(self, phonemes):
        return " ".join(self._stressed(word) for word in replaced(phonemes, self.neural).split(" "))

    def _stressed(self, word):
        """Every syllable as long and loud as the others, or the stress on another one."""
        r = self.rng
        if self.flat:
            word = word.replace("ˌ", "").replace("ˈ", "ˌ" if r.random() < 0.5 else "ˈ")
        places = [m.start() for m in re.finditer(f"[{VOWELS}]ː?", word)]
        if len(places) > 1 and r.random() < self.moved:
            word = word.replace("ˈ", "").replace("ˌ", "")
            places = [m.start() for m in re.finditer(f"[{VOWELS}]ː?", word)]
            k = r.choice(places)
            word = word[:k] + "ˈ" + word[k:]
        elif self.syllables and len(places) > 1:  # a second stress where there was none, and no short vowel beside it
            k = r.choice(places)
            if k == 0 or word[k - 1] not in "ˈˌ":
                word = word[:k] + "ˌ" + word[k:]
        return word

    def of_espeak(self, mnemonics):
        """What espeak-ng prints for -x --sep='|', as phoneme input in this way of speaking."""

        def one(mnemonic):
            stress, sound = parted(mnemonic)
            if self.syllables and not stress and re.match("[aeiouAEIOUV0@3]", sound) and self.rng.random() < 0.3:
                stress = ","
            return stress + self.espeak.get(sound, sound)

        return as_input([one(m) for m in word] for word in words_of(mnemonics))
