"""What makes noise around a newborn: other talkers, suction, alarms, a cry, a fan. Each is RMS 1."""

import numpy as np

from .room import fan, hiss
from .voices import RATE


def level(x):
    return x / np.sqrt(np.mean(x**2) + 1e-12)


def place(out, at, x):
    """Adds x to out from sample at on; what does not fit is cut."""
    start, cut = max(at, 0), max(-at, 0)
    piece = x[cut : cut + max(0, len(out) - start)]
    out[start : start + len(piece)] += piece


def babble(random, crowd, seconds, talkers=6):
    """Equally loud talkers without end, each one person of {person: [utterance of loudness 1]}."""
    out, people = np.zeros(round(seconds * RATE)), sorted(crowd)
    for person in random.choice(people, talkers, replace=len(people) < talkers):
        at = -int(random.integers(0, 2 * RATE))
        while at < len(out):
            x = crowd[person][int(random.integers(len(crowd[person])))]
            place(out, at, x)
            at += len(x) + int(random.uniform(0.05, 0.5) * RATE)
    return level(out)


def suction(random, seconds):
    """A catheter: hiss whose strength gurgles, on for 2 to 6 s, off for up to 1 s."""
    x = hiss(random, seconds)
    t = np.arange(len(x)) / RATE
    marks = np.arange(0, seconds + 1, 0.08)
    gurgle = 1 + 0.6 * np.interp(t, marks, random.uniform(-1, 1, len(marks)))
    edges, on, at = [(0.0, 1.0)], True, 0.0
    while at < seconds:
        at += random.uniform(2, 6) if on else random.uniform(0.2, 1)
        edges += [(at, float(on)), (at + 0.15, float(not on))]
        at, on = at + 0.15, not on
    times, gains = zip(*edges)
    return level(x * gurgle * np.interp(t, times, gains))


def pulse(pitch, seconds, harmonics):
    t = np.arange(round(seconds * RATE)) / RATE
    x = sum(a * np.sin(2 * np.pi * k * pitch * t) for k, a in enumerate(harmonics, 1) if k * pitch < 7800)
    return x * np.minimum(1, np.minimum(t, t[::-1]) / (0.15 * seconds))


def bursts(random, seconds):
    """One device that sounds bursts of 10 or 3 pulses; times and spectrum after IEC 60601-1-8, from memory."""
    out, at = np.zeros(round(seconds * RATE)), int(random.uniform(0, 2) * RATE)
    urgent, pitch = random.random() < 0.5, random.uniform(250, 900)
    length = random.uniform(0.1, 0.2) if urgent else random.uniform(0.13, 0.25)
    space = random.uniform(0.05, 0.12) if urgent else random.uniform(0.13, 0.25)
    tune = random.choice([1, 1, 1.26, 1.5, 0.84], 10)
    harmonics = 10 ** (random.uniform(-15, 0, 5) / 20)
    while at < len(out):
        for n in range(10 if urgent else 3):
            place(out, at, pulse(pitch * tune[n % 5], length, harmonics))
            wide = 2 * space + length if n % 5 == 2 and urgent else 0.5 if n == 4 else space
            at += round((length + wide) * RATE)
        at += round(random.uniform(2.5, 4) * RATE)
    return out


def alarms(random, seconds):
    """Two devices in alarm, and the soft beep of an oximeter at each heart beat."""
    out, at = bursts(random, seconds) + bursts(random, seconds), 0
    every, pitch = 60 / random.uniform(70, 170), random.uniform(450, 850)
    beep = 0.5 * pulse(pitch, 0.08, [1, 0.2])
    while at < len(out):
        place(out, at, beep)
        at += round(every * random.uniform(0.97, 1.03) * RATE)
    return level(out)


def wail(random):
    """One cry of about a second: a voiced source gliding near 450 Hz with vibrato, shaped by a small tract."""
    seconds = random.uniform(0.7, 1.4)
    t = np.arange(round(seconds * RATE)) / RATE
    u = t / seconds
    vibrato = 1 + random.uniform(0.008, 0.02) * np.sin(2 * np.pi * random.uniform(5, 7.5) * t)
    pitch = random.uniform(380, 520) * (0.85 + 0.35 * np.sin(np.pi * u) ** 0.7) * vibrato
    phase, x = 2 * np.pi * np.cumsum(pitch) / RATE, np.zeros(len(t))
    formants = [(random.uniform(1000, 1400), 250, 1), (random.uniform(2900, 3600), 500, 0.6), (5200, 700, 0.25)]
    for k in range(1, 18):
        f = k * pitch
        tract = sum(g / (1 + ((f - c) / w) ** 2) for c, w, g in formants)
        x += (tract + 0.03) * np.sin(k * phase) * (f < 7500)
    breath = 0.05 * random.standard_normal(len(t)) * np.sqrt(np.mean(x**2))
    return level(x + breath) * np.minimum(1, np.minimum(u / 0.12, (1 - u) / 0.2)).clip(0)


def crying(random, seconds):
    out, at = np.zeros(round(seconds * RATE)), -int(random.uniform(0, 1) * RATE)
    while at < len(out):
        x = wail(random) * 10 ** (random.uniform(-3, 1) / 20)
        place(out, at, x)
        at += len(x) + round(random.uniform(0.2, 0.6) * RATE)
    return level(out)


STEADY = {"suction": suction, "alarms": alarms, "crying": crying, "fan": fan}
