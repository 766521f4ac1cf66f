"""Rooms and noises that training puts its clips into: impulse responses, and sounds of level 1."""

import numpy as np
import pyroomacoustics as pra
from scipy.fft import irfft, rfft
from scipy.signal import butter, lfilter, sosfilt

RATE = 16000
TAIL = 14400  # samples of reverberation that are kept


def impulses(random, count):
    """Impulse responses of box-shaped rooms, RT60 0.12 to 0.9 s, talker 0.1 to 4.5 m away; direct path first, gain 1."""
    out = []
    while len(out) < count:
        size = random.uniform([2.5, 2.5, 2.3], [9, 8, 4])
        seconds = float(np.exp(random.uniform(np.log(0.12), np.log(0.9))))
        try:
            absorption, order = pra.inverse_sabine(seconds, size)
        except ValueError:  # such a room cannot be so dead
            continue
        order = min(order, int(random.integers(10, 18)))
        room = pra.ShoeBox(size, fs=RATE, materials=pra.Material(min(absorption, 0.95)), max_order=order, air_absorption=True)
        microphone, how = random.uniform(0.3, size - 0.3), random.random()
        far = random.uniform(0.1, 0.6) if how < 0.3 else random.uniform(0.5, 2) if how < 0.75 else random.uniform(1.5, 4.5)
        way = random.normal(size=3) * [1, 1, 0.4]
        source = microphone + way / np.linalg.norm(way) * far
        if (source < 0.2).any() or (source > size - 0.2).any():
            continue
        room.add_source(source)
        room.add_microphone(microphone)
        room.compute_rir()
        h = np.asarray(room.rir[0][0], np.float32)
        direct = int(np.argmax(np.abs(h) > 0.5 * np.abs(h).max()))
        direct += int(np.argmax(np.abs(h[direct : direct + 20])))
        h = (h[direct:] / abs(h[direct]))[:TAIL]
        out.append(np.pad(h, (0, TAIL - len(h))))
    return np.array(out, np.float32)


def _level(x):
    return x / np.sqrt(np.mean(x[np.abs(x) > 0.01 * np.abs(x).max()] ** 2) + 1e-12)


def shaped(random, n, points):
    """Noise with a spectrum of [(Hz, dB)]."""
    spectrum, f = rfft(random.standard_normal(n)), np.maximum(np.fft.rfftfreq(n, 1 / RATE), 20)
    db = np.interp(np.log(f), np.log([p for p, _ in points]), [d for _, d in points])
    return _level(irfft(spectrum * 10 ** (db / 20), n))


def hum(random, n):
    """A fan, gas flow, white or pink noise, each a little different every time."""
    kinds = [[-10, 0, -4, -14, -28, -38], [-30, -20, -12, -3, 0, 0], [0] * 6, [0, -3, -8, -13, -18, -22]]
    levels = kinds[random.integers(4)]
    return shaped(random, n, [(f, d + random.uniform(-5, 5)) for f, d in zip([20, 100, 300, 1000, 3000, 8000], levels)])


def beeps(random, n):
    x, at = np.zeros(n), 0
    pitch, length, pause = random.uniform(350, 1400), random.uniform(0.06, 0.25), random.uniform(0.3, 1.2)
    burst, partials, climb = int(random.choice([1, 1, 1, 2, 3, 5])), int(random.integers(1, 6)), random.uniform(0, 0.06)
    while at < n:
        for k in range(burst):
            t = np.arange(int(length * RATE)) / RATE
            edge = np.minimum(1, np.minimum(t, t[::-1]) / 0.008)
            tone = sum(
                np.sin(2 * np.pi * pitch * (1 + climb * k) * (h + 1) * t) / (h + 1) ** random.uniform(0.5, 1.5)
                for h in range(partials)
            )
            start = at + int(k * (length + 0.08) * RATE)
            x[start : start + len(t)] += (tone * edge)[: max(0, n - start)]
        at += int((pause + burst * (length + 0.08)) * RATE * random.uniform(0.97, 1.03))
    return _level(x)


def crying(random, n):
    x, at, base = np.zeros(n), int(random.uniform(0, 1) * RATE), random.uniform(330, 560)
    while at < n:
        t = np.arange(int(random.uniform(0.4, 1.4) * RATE)) / RATE
        wander = 1 + 0.01 * lfilter([0.02], [1, -0.98], random.standard_normal(len(t)))
        pitch = base * (1 + 0.15 * np.sin(np.pi * t / t[-1]) + 0.03 * np.sin(2 * np.pi * random.uniform(4, 8) * t)) * wander
        phase = 2 * np.pi * np.cumsum(pitch) / RATE
        s = sum(np.sin((h + 1) * phase) / (h + 1) ** 0.7 for h in range(12)) + 0.15 * random.standard_normal(len(t))
        for centre, width in ((random.uniform(900, 1400), 0.3), (random.uniform(2700, 3800), 0.25)):
            band = [centre * (1 - width) / (RATE / 2), min(0.99, centre * (1 + width) / (RATE / 2))]
            s = s * 0.3 + sosfilt(butter(2, band, "band", output="sos"), s) * 2
        s *= np.minimum(1, np.minimum(t / 0.05, t[::-1] / 0.2))
        x[at : at + len(s)] += s[: n - at]
        at += len(s) + int(random.uniform(0.15, 0.9) * RATE)
    return _level(x)


def suction(random, n):
    hiss = [(20, -30), (200, -12), (1000, -3), (3000, 0), (8000, 0)]
    x = hum(random, n) if random.random() < 0.3 else shaped(random, n, hiss)
    gurgle = lfilter([0.002], [1, -0.998], random.standard_normal(n))
    slow = lfilter([0.0005], [1, -0.9995], random.standard_normal(n))
    on = np.convolve(slow > np.percentile(slow, random.uniform(0, 40)), np.ones(400) / 400, "same")
    return _level(x * np.exp(0.35 * gurgle / np.std(gurgle)) * (0.1 + 0.9 * on))


def knocks(random, n):
    x = hum(random, n) * 0.05
    for _ in range(int(n / RATE * random.uniform(0.5, 2))):
        at, fade = int(random.integers(0, n - 4000)), np.exp(-np.arange(3000) / (random.uniform(0.01, 0.05) * RATE))
        dull = [(20, 0), (random.uniform(200, 2500), 0), (8000, -random.uniform(10, 40))]
        x[at : at + 3000] += random.uniform(0.3, 2) * fade * shaped(random, 3000, dull)
    return _level(x)
