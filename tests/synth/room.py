"""What a room adds to speech: reverberation, fan and hiss, other people's talk."""

import numpy as np
import pyroomacoustics as pra
from scipy.io import wavfile
from scipy.signal import fftconvolve

from .voices import RATE


def lasting(size, seconds):
    """(absorption, order) that make a box-shaped room ring for about that RT60."""
    absorption, order = pra.inverse_sabine(seconds, size)
    return absorption, min(order, 50)


def impulse(size, source, microphone, absorption, order=12):
    """Impulse response of a box-shaped room; the direct path stands at sample 0 with gain 1."""
    room = pra.ShoeBox(size, fs=RATE, materials=pra.Material(absorption), max_order=order)
    room.add_source(source)
    room.add_microphone(microphone)
    room.compute_rir()
    h = np.asarray(room.rir[0][0])
    direct = int(np.argmax(np.abs(h) > 0.5 * np.abs(h).max()))
    direct += int(np.argmax(np.abs(h[direct : direct + 20])))
    h = h[direct:] / abs(h[direct])
    return h[: int(0.7 * RATE)]


def rt60(h):
    """Seconds until the room has fallen by 60 dB, from the first 20 dB."""
    return float(pra.experimental.measure_rt60(h, RATE, decay_db=20))


def reverberate(x, h):
    """The sound in the room, longer than x by the room's tail."""
    return fftconvolve(x, h)


def shaped_noise(random, seconds, levels):
    """Noise with a spectrum given as [(Hz, dB)], straight lines between on a log axis; RMS 1."""
    n = round(seconds * RATE)
    spectrum = np.fft.rfft(random.standard_normal(n))
    freq = np.maximum(np.fft.rfftfreq(n, 1 / RATE), 20)
    db = np.interp(np.log(freq), np.log([f for f, _ in levels]), [d for _, d in levels])
    x = np.fft.irfft(spectrum * 10 ** (db / 20), n)
    return x / np.sqrt(np.mean(x**2))


def fan(random, seconds):
    """A fan and ventilation: strong below 300 Hz, falling, with some hiss."""
    return shaped_noise(random, seconds, [(20, -10), (80, 0), (300, -4), (1000, -14), (4000, -28), (8000, -38)])


def hiss(random, seconds):
    """Gas flow: flat, rising a little to the top."""
    return shaped_noise(random, seconds, [(20, -30), (200, -12), (1000, -3), (3000, 0), (8000, 0)])


def mix_at(speech_rms, noise, snr_db):
    """The noise scaled to stand snr_db below speech of that loudness."""
    return noise * speech_rms / np.sqrt(np.mean(noise**2)) * 10 ** (-snr_db / 20)


def babble(random, utterances, talkers, seconds):
    """Equally loud talkers, each saying utterances in random order without end; RMS 1."""
    n = round(seconds * RATE)
    out = np.zeros(n)
    for _ in range(talkers):
        at = -int(random.integers(0, 2 * RATE))
        while at < n:
            x = utterances[int(random.integers(len(utterances)))]
            start, cut = max(at, 0), max(-at, 0)
            piece = x[cut : cut + n - start]
            out[start : start + len(piece)] += piece
            at += len(x) + int(random.uniform(0.05, 0.5) * RATE)
    return out / np.sqrt(np.mean(out**2))


def save(path, x):
    wavfile.write(path, RATE, (np.clip(x, -1, 1) * 32767).round().astype(np.int16))
