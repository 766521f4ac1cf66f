"""Says texts as one of the neural talkers who are kept back from training (`talkers.py`).

A voice is named neural:TALKER:PACE, e.g. "neural:bf_emma:1.1"; 1.1 is faster. Needs training.txt.
"""

import functools

import numpy as np
import talkers
from synth.voices import fitted, spell

MADE_AT = 24000


@functools.cache
def _model():
    import hibari
    from hibari.g2p import G2P

    accents = {"a": G2P(british=False), "b": G2P(british=True)}  # how the names of Americans and of British begin
    return *talkers.model(), accents, hibari.Hibari(voice="heart"), talkers.kept_back()


def say(words, voice):
    """16 kHz samples without leading silence, loudness 1."""
    session, known, accents, phonemizer, styles = _model()
    _, talker, pace = voice.split(":")
    phonemizer._g2p = accents[talker[0]]
    ids = [known[letter] for letter in "".join(phonemizer.phonemize(spell(words))) if letter in known]
    told = {"tokens": [[0, *ids, 0]], "style": styles[talker][len(ids) - 1][None], "speed": np.array([pace], np.float32)}
    return fitted(session.run(None, told)[0].ravel(), MADE_AT)
