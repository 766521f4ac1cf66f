"""Recorded people who call nothing out: prompts of a telephone system, and test data of a recogniser.

From the Debian packages asterisk-core-sounds-en-wav (8 kHz) and pocketsphinx-testdata. Numbers are
spoken in them, and sounds that nobody spoke.
"""

import pathlib

import numpy as np

from sentences import Line
from synth.voices import RATE, load, loudness

PROMPTS = pathlib.Path("/usr/share/asterisk/sounds")
READ = pathlib.Path("/usr/share/pocketsphinx/test/data")
LEVEL = 0.06  # loudness of each recording; full scale is 1
PAUSE = 0.5  # seconds between recordings


def recordings():
    """(samples, [(line, voice, onset, end)]) of all recordings, one after another."""
    found = [p for p in sorted(PROMPTS.glob("en_US*/**/*.wav")) if p.parent.name != "silence"]
    read = sorted(READ.glob("**/*.wav")) + sorted(READ.glob("*.raw")) + sorted(READ.glob("tidigits/*.raw"))
    for files, package in ((found, "asterisk-core-sounds-en-wav"), (read, "pocketsphinx-testdata")):
        if not files:
            raise SystemExit(f"error: no recordings of the Debian package {package}: install it, or run make hearing")
    pieces, said, at = [], [], 0
    for path in found + read:
        x = np.fromfile(path, "<i2") / 32768 if path.suffix == ".raw" else load(path)
        if not np.any(x):
            continue
        pieces += [x * LEVEL / loudness(x), np.zeros(round(PAUSE * RATE))]
        name = f"{path.parent.name}/{path.stem}" if path in read else path.stem
        said.append((Line(name, {}, "recorded people"), "recorded", at, at + len(x)))
        at += len(pieces[-2]) + len(pieces[-1])
    y = np.concatenate(pieces)
    y += 1e-4 * np.random.default_rng(1).standard_normal(len(y))
    return y * min(1, 0.97 / np.abs(y).max()), said
