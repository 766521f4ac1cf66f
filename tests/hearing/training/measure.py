"""How many phones a model gets wrong when it is read greedily, clean and in babble at 10 dB.

usage: measure.py MODEL.onnx… [--people FOLDER]
Without --people: flite and festival, which training lacks, forty sentences a voice. With it: the people of FOLDER/test.tsv
(file, speaker, words, with tabs between). The babble is six others of the same set.
"""

import argparse
import os
import pathlib
import random
import sys

os.environ["OMP_NUM_THREADS"] = "1"
import numpy as np  # noqa: E402
import onnxruntime  # noqa: E402
import soundfile  # noqa: E402
from rapidfuzz.distance import Levenshtein  # noqa: E402

HERE = pathlib.Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent), str(HERE.parents[1])]
from synth.voices import Voices  # noqa: E402

from alike import dictionary  # noqa: E402
from network import PHONES, mel_bank  # noqa: E402
from texts import Texts  # noqa: E402

VOICES = ["flite:kal16:1", "flite:slt:1", "flite:rms:1", "flite:awb:1", "festival:kal_diphone:1", "festival:ked_diphone:1"]
LEVEL = 0.05
BABBLE_DB = 10
SHORTEST = 41600  # samples; shorter clips are padded, as the program does
BANK, WINDOW = mel_bank(dtype=np.float64), np.hanning(401)[:-1]


def mel(x):
    x = np.pad(x, (0, max(0, SHORTEST - len(x))))
    x = np.pad(x, (0, -len(x) % 320))
    y = np.pad(x, 200, mode="reflect")
    frames = np.stack([y[k : k + 400] for k in range(0, len(x), 160)])
    z = np.log10(np.maximum(np.abs(np.fft.rfft(frames * WINDOW)) ** 2 @ BANK, 1e-10))
    return ((np.maximum(z, z.max() - 8) + 4) / 4).astype(np.float32)[None]


def synthetic():
    """[(samples, voice, phones)]"""
    known, rng, voices = dictionary(), random.Random(5), Voices()
    texts = Texts(rng, known)
    jobs = [(texts.draw(), voice) for voice in VOICES for _ in range(40)]
    jobs = [(words, voice) for words, voice in jobs if "a" not in words.split()]  # a letter or an article
    voices.prepare(jobs)
    return [
        (np.pad(voices.said[job] * LEVEL, (4800, 4800)), job[1], [p for word in job[0].split() for p in known[word]])
        for job in jobs
    ]


def recorded(folder):
    """The same of people, who only spell: "a" is a letter."""
    known, out = dictionary() | {"a": ["EY"]}, []
    for line in (folder / "test.tsv").read_text(encoding="utf-8").splitlines():
        path, who, words = line.split("\t")
        x, _ = soundfile.read(folder / path)
        out.append((x / np.sqrt(np.mean(x**2)) * LEVEL, who, [p for word in words.split() for p in known[word]]))
    return out


def babble(clips, who, n, rng):
    """Six others at once."""
    others = sorted({w for _, w, _ in clips if w != who})
    total = np.zeros(n)
    for other in rng.choice(others, min(6, len(others)), replace=False):
        mine = [x for x, w, _ in clips if w == other]
        x = np.concatenate([mine[k] for k in rng.permutation(len(mine))])
        x = np.tile(x, n // len(x) + 2)
        at = rng.integers(len(x) - n)
        total += x[at : at + n] / np.sqrt(np.mean(x**2))
    return total / np.sqrt(np.mean(total**2))


def heard(session, x):
    best = session.run(None, {"mel": mel(x)})[0][0].argmax(1)
    return [PHONES[k] for j, k in enumerate(best) if k < len(PHONES) and (j == 0 or best[j - 1] != k)]


def main():
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("models", nargs="+")
    ask.add_argument("--people", type=pathlib.Path)
    args = ask.parse_args()
    clips, rng = recorded(args.people) if args.people else synthetic(), np.random.default_rng(3)
    levels = [np.sqrt(np.mean(x[np.abs(x) > 0.01 * np.abs(x).max()] ** 2)) for x, _, _ in clips]
    sounds = {"clean": [x + 1e-5 * rng.standard_normal(len(x)) for x, _, _ in clips]}
    quieter = 10 ** (-BABBLE_DB / 20)
    sounds[f"babble {BABBLE_DB} dB"] = [
        x + babble(clips, who, len(x), rng) * level * quieter for (x, who, _), level in zip(clips, levels, strict=True)
    ]
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    for model in args.models:
        session = onnxruntime.InferenceSession(model, options)
        for noise, waves in sounds.items():
            wrong = {}
            for x, (_, who, truth) in zip(waves, clips, strict=True):
                counted = wrong.setdefault(who, [0, 0])
                counted[0] += Levenshtein.distance(heard(session, x), truth)
                counted[1] += len(truth)
            total = np.sum(list(wrong.values()), 0)
            each = {who: round(100 * a / b, 1) for who, (a, b) in wrong.items()}
            print(f"{model} {noise}: {100 * total[0] / total[1]:.2f} % of {total[1]} phones wrong", each, flush=True)


if __name__ == "__main__":
    main()
