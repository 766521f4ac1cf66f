"""What the model of written speech makes of phrases in recordings, by other programs: ONNX Runtime and Hugging Face's
tokenizers, both from PyPI. The outside reference for src/engine/dictation.rs.

usage: written.py    writes written.json beside this file, from the recordings of score.py and the files of `make assets`

Needs onnxruntime 1.32.0, tokenizers 0.23.3, numpy and soundfile, and nothing that is in requirements.txt.
"""

import json
import os
import pathlib

import numpy as np
import onnxruntime
import soundfile
import tokenizers

HERE = pathlib.Path(__file__).resolve().parent
ASSETS = pathlib.Path(os.environ.get("EARMARK_ASSETS") or os.path.expanduser("~/.cache/earmark"))
SILENCE = 24000

# As the program writes a call-out, and what it reads it from.
PHRASES = {
    "heart rate one twenty": "Heart rate one twenty",
    "heart rate one thirty": "Heart rate one thirty",
    "heart rate below sixty": "Heart rate below sixty",
    "cord clamped": "Cord clamped",
    "chest is rising": "Chest is rising",
    "oxygen thirty percent": "Oxygen thirty percent",
    "oxygen thirteen percent": "Oxygen thirteen percent",
    "baby is crying": "Baby is crying",
    "mils given i v": "Mils given IV",
}


def main():
    one = onnxruntime.SessionOptions()
    one.intra_op_num_threads = 1
    load = lambda name: onnxruntime.InferenceSession(str(ASSETS / name), one)  # noqa: E731
    encoder, decoder = load("moonshine-encoder.onnx"), load("moonshine-decoder.onnx")
    tokenizer = tokenizers.Tokenizer.from_file(str(ASSETS / "moonshine-tokenizer.json"))
    memory = {i.name: np.zeros((1, 8, 0, 36), np.float32) for i in decoder.get_inputs() if i.name.startswith("past")}

    def hear(sound):
        return encoder.run(None, {"input_values": sound[None].astype(np.float32)})[0]

    def log_prob(heard, text):
        ids = tokenizer.encode(text).ids  # the first stands before every text
        told = {"input_ids": np.array([ids[:-1]]), "encoder_hidden_states": heard, "use_cache_branch": np.array([False])}
        scores = decoder.run(["logits"], told | memory)[0][0].astype(np.float64)
        scores -= np.logaddexp.reduce(scores, axis=-1, keepdims=True)
        return float(scores[np.arange(len(ids) - 1), ids[1:]].sum())

    silence = hear(np.zeros(SILENCE))
    out = {"pieces": {words: tokenizer.encode(text).ids[1:] for words, text in PHRASES.items()}, "recordings": {}}
    for path in sorted(HERE.glob("*.flac")):
        heard = hear(soundfile.read(path)[0])
        nats = {words: round(log_prob(heard, text) - log_prob(silence, text), 3) for words, text in PHRASES.items()}
        out["recordings"][path.name] = nats
    (HERE / "written.json").write_text(json.dumps(out, indent=1) + "\n")


if __name__ == "__main__":
    main()
