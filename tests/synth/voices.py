"""Synthetic voices from Debian's espeak-ng, flite and festival, as 16 kHz samples without leading silence.

Needs the packages espeak-ng, flite, festival, festvox-kallpc16k, festvox-kdlpc16k, and numpy, scipy.
A voice is named ENGINE:NAME[:PACE[:PITCH]], e.g. "flite:slt", "espeak:en-gb+f3:150:60", "festival:ked_diphone";
the pace is words a minute for espeak-ng and a stretch (1.1 = slower) for the others, the pitch 0 to 99 for
espeak-ng (50 where not said) and none for the others.
"""

import os
import re
import subprocess
import tempfile

import numpy as np
from scipy.io import wavfile
from scipy.signal import resample_poly

RATE = 16000

# Letters that the grammar spells one by one, written so that every engine says their names.
LETTERS = dict(
    a="ay", c="see", e="ee", f="eff", g="gee", i="eye", l="ell", m="em", n="en", o="oh",
    p="pee", s="ess", t="tee", u="you", v="vee",
)
# Words that some engine would say quite wrongly.
RESPELL = {"peep": "peep", "pap": "pap", "sats": "sats", "mils": "mills", "apgar": "ap gar"}


def spell(words):
    """The grammar's words as text for a synthesiser."""
    tokens = words.split()
    out = []
    for i, w in enumerate(tokens):
        letter = len(w) == 1 and w in LETTERS
        if w == "a":  # the article, unless letters stand on its left: "l m a", "c p a p"
            letter = i > 0 and len(tokens[i - 1]) == 1
        out.append(LETTERS[w] if letter else RESPELL.get(w, w))
    return " ".join(out)


def trim(x):
    """Cut to where the sound is above -40 dB of its peak.

    The start must stay above it (root mean square of 10 ms) for 25 ms: some voices begin with a faint
    click before a closed consonant, which is no speech.
    """
    n, hop = RATE // 100, RATE // 1000
    power = np.concatenate([[0], np.cumsum(x**2)])
    frames = (power[n::hop] - power[: len(power) - n : hop]) / n
    loud = frames >= frames.max() * 1e-4
    lasting = np.convolve(loud, np.ones(25), "valid") == 25
    first = int(np.argmax(lasting)) * hop
    above = np.abs(x) >= np.abs(x).max() * 0.01
    start = first + int(np.argmax(above[first:]))
    return x[start : np.flatnonzero(above)[-1] + 1]


def load(path):
    rate, x = wavfile.read(path)
    x = x.astype(np.float64) / 32768
    if rate != RATE:
        step = np.gcd(rate, RATE)
        x = resample_poly(x, RATE // step, rate // step)
    return x


class Voices:
    """Says texts, each once; ask for many at a time, since festival is slow to start."""

    def __init__(self):
        self.said = {}

    def say(self, words, voice):
        self.prepare([(words, voice)])
        return self.said[words, voice].copy()

    def prepare(self, pairs):
        todo = [p for p in dict.fromkeys(pairs) if p not in self.said]
        with tempfile.TemporaryDirectory() as folder:
            files = {p: os.path.join(folder, f"{i}.wav") for i, p in enumerate(todo)}
            festival = {}
            for (words, voice), path in files.items():
                engine, name, pace, pitch = (voice.split(":") + ["", ""])[:4]
                text = spell(words)
                if engine == "espeak":
                    run(["espeak-ng", "-v", name, "-s", pace or "165", "-p", pitch or "50", "-w", path, text])
                elif engine == "flite":
                    run(["flite", "-voice", name, "--setf", f"duration_stretch={pace or 1}", "-t", text, "-o", path])
                else:
                    festival.setdefault((name, pace), []).append((text, path))
            for (name, pace), jobs in festival.items():
                script = os.path.join(folder, "say.scm")
                with open(script, "w") as f:
                    f.write(f"(voice_{name})\n(Parameter.set 'Duration_Stretch {pace or 1})\n")
                    for text, path in jobs:
                        f.write(f'(utt.save.wave (utt.synth (Utterance Text "{text}")) "{path}" \'riff)\n')
                run(["festival", "-b", script])
            for pair, path in files.items():
                x = trim(load(path))
                self.said[pair] = x / loudness(x)


def run(command, told=None):
    """What the command printed, when it was told that on its standard input."""
    done = subprocess.run(command, input=told, capture_output=True, text=True)
    if done.returncode:
        raise SystemExit(f"{command[0]} failed: {done.stderr.strip()}\nIs the Debian package installed?")
    return done.stdout


def fitted(x, rate):
    """Samples of another rate as those of all voices: 16 kHz, without silence, loudness 1."""
    step = np.gcd(rate, RATE)
    x = trim(resample_poly(np.asarray(x, np.float64), RATE // step, rate // step))
    return x / loudness(x)


def loudness(x):
    """Root mean square over the 20 ms frames that hold speech (within 30 dB of the loudest)."""
    n = 320
    frames = np.array([np.mean(x[i : i + n] ** 2) for i in range(0, max(1, len(x) - n), n)])
    return float(np.sqrt(frames[frames > frames.max() / 1000].mean()))
