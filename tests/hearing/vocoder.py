"""Says a clip again through a vocoder, as voices made from statistics of speech sound: smooth, buzzing, of any throat.

The vocoder is WORLD (Morise, Yokomori, Ozawa, "WORLD: A Vocoder-Based High-Quality Speech Synthesis System for Real-Time
Applications", 2016), by the package pyworld.
"""

import numpy as np
import pyworld
from scipy.ndimage import uniform_filter1d
from synth.voices import RATE

FRAME_MS = 5.0


def again(x, random):
    """Samples at 16 kHz, of the same length but for less than a frame; `random` is a numpy Generator."""
    x = np.ascontiguousarray(x, np.float64)
    pitch, times = pyworld.dio(x, RATE, frame_period=FRAME_MS)
    pitch = pyworld.stonemask(x, pitch, times, RATE)
    spectra = _throat(pyworld.cheaptrick(x, pitch, times, RATE), random.uniform(0.85, 1.15))
    rough = pyworld.d4c(x, pitch, times, RATE)
    # Averages over neighbouring frames are what such a voice has instead of a mouth that moves at once.
    coded = pyworld.code_spectral_envelope(spectra, RATE, int(random.integers(18, 41)))
    coded = uniform_filter1d(coded, int(random.integers(1, 8)), axis=0)
    spectra = pyworld.decode_spectral_envelope(np.ascontiguousarray(coded), RATE, (spectra.shape[1] - 1) * 2)
    if random.random() < 0.5:
        rough = np.repeat(np.where(pitch > 0, 0.001, 0.999)[:, None], rough.shape[1], axis=1)
    return pyworld.synthesize(_melody(pitch, random), spectra, rough, RATE, FRAME_MS)


def _throat(spectra, formants):
    """All formants moved up by a factor."""
    bins = np.arange(spectra.shape[1]) / formants
    below = np.minimum(bins.astype(int), spectra.shape[1] - 2)
    part = np.clip(bins - below, 0, 1)
    return np.ascontiguousarray(spectra[:, below] ** (1 - part) * spectra[:, below + 1] ** part)


def _melody(pitch, random):
    """Higher or lower, flatter down to one note, or livelier."""
    voiced = pitch > 0
    if not voiced.any():
        return pitch
    middle = np.exp(np.log(pitch[voiced]).mean())
    other, lively = middle * np.exp(random.uniform(np.log(0.65), np.log(1.5))), random.choice([0, 0.5, 1, 1, 1.3])
    out = np.zeros_like(pitch)
    out[voiced] = np.clip(other * (pitch[voiced] / middle) ** lively, 60, 480)
    return out
