"""Other ways to speak English: phones that a speaker consistently says otherwise, for synthetic voices.

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


class Accent:
    """One speaker's way: a few of the rules, drawn once."""

    def __init__(self, rng):
        drawn = rng.sample(RULES, rng.randint(1, 7))
        self.neural = {said: rng.choice(instead.split()) for of, instead, _, _ in drawn for said in of.split()}
        self.espeak = {said: rng.choice(instead.split()) for _, _, of, instead in drawn for said in of.split()}
        self.devoiced, self.shortened = rng.random() < 0.12, rng.random() < 0.1

    def of_neural(self, phonemes):
        """A string of phonemes as `hibari` spells them, said in this accent."""
        longest = sorted(self.neural, key=len, reverse=True)
        said = re.sub("|".join(longest), lambda m: self.neural[m.group()], phonemes)
        return re.sub(r"[^\s.,?!]+", lambda m: "".join(self._ended(list(m.group()))), said)

    def of_espeak(self, mnemonics):
        """What espeak-ng prints for -x --sep='|', as phoneme input in this accent."""
        words = [self._ended([self._mnemonic(m) for m in word.split("|")]) for word in mnemonics.split()]
        return "[[" + " ".join("|".join(word) for word in words) + "]]"

    def _mnemonic(self, one):
        stress = re.match("[',]*", one).group()
        return stress + self.espeak.get(one[len(stress) :], one[len(stress) :])

    def _ended(self, word):
        """A list of phones with its end as this speaker says it."""
        if self.shortened and "".join(word[-2:]) in CLUSTERS:
            word = word[:-1]
        return word[:-1] + [LAST.get(word[-1], word[-1])] if self.devoiced else word
