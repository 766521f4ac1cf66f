"""Packs recordings for training: people as clips, crying babies as noise.

usage: recordings.py WORK_DIR DATA_DIR --people FOLDER --cries FOLDER
FOLDER/train.tsv lists the people's recordings (16 kHz), the same table that texts.py was given; only those are used. Cries
are all WAV and FLAC files below the other folder; those of 8 kHz that are not silent are used.
Writes DATA_DIR/people_0_0.npz (clips.py) and DATA_DIR/cries.npz: "wave" and "n", at 8 kHz.
"""

import argparse
import pathlib
import sys

import numpy as np
import soundfile

HERE = pathlib.Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parents[1])]
from synth.voices import RATE, loudness  # noqa: E402

import clips  # noqa: E402

LOUDNESS = 0.1
CRY_RATE = 8000
SILENT = 1e-4


def samples(x):
    return (np.clip(x * LOUDNESS, -1, 1) * 32767).astype(np.int16)


def main():
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("work", type=pathlib.Path)
    ask.add_argument("data", type=pathlib.Path)
    ask.add_argument("--people", type=pathlib.Path, required=True)
    ask.add_argument("--cries", type=pathlib.Path, required=True)
    args = ask.parse_args()
    texts, waves = clips.read_texts(args.work), []
    for line in (args.people / "train.tsv").read_text(encoding="utf-8").splitlines():
        path = args.people / line.split("\t")[0]
        x, rate = soundfile.read(path)
        if rate != RATE:
            raise SystemExit(f"{path} has {rate} Hz, not {RATE}")
        waves.append(samples(x / loudness(x)))
    if len(waves) != texts["people"]:
        raise SystemExit(f"{len(waves)} recordings, but texts.json.gz has {texts['people']}: run texts.py with --people again")
    first = len(texts["said"]) - texts["people"]
    clips.write(args.data, "people_0_0", waves, range(first, first + len(waves)))
    cries = []
    for path in sorted(p for p in args.cries.rglob("*") if p.suffix in (".wav", ".flac")):
        x, rate = soundfile.read(path)
        level = np.sqrt(np.mean(x**2))
        if rate == CRY_RATE and level > SILENT:
            cries.append(samples(x / level))
    np.savez(args.data / "cries.npz", wave=np.concatenate(cries), n=[len(x) for x in cries])
    print(len(waves), "recordings of people,", len(cries), "of cries")


if __name__ == "__main__":
    main()
