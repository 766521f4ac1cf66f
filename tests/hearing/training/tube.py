"""Talkers with throats of their own: GnuSpeech computes the air in a tube of given length and widths (tube.mjs)."""

import json
import pathlib
import random
import sys

HERE = pathlib.Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent), str(HERE.parents[1])]
from npm import package  # noqa: E402

PACKAGE = "@echogarden/gnuspeech-wasm", "0.3.0", "7faeb0fd9001ce8995c5e3c033ba23149564943083479449c55068926f1c148d"
# Length of the throat in cm and pitch in semitones around which the package's own talkers are made.
TALKERS = {"male": (17.5, -12), "female": (15, 0), "large_child": (12.5, 2.5)}


def command():
    return ["node", str(pathlib.Path(__file__).with_suffix(".mjs")), str(package(*PACKAGE))]


def line(text, talker, file):
    """What the program is told so that talker number `talker` says a text into a file."""
    rng = random.Random(talker)
    voice = rng.choice(list(TALKERS))
    length, pitch = TALKERS[voice]
    closing = rng.uniform(18, 36)
    settings = {
        "voice_name": voice,
        "vocal_tract_length": length * rng.uniform(0.92, 1.08),
        "reference_glottal_pitch": pitch + rng.gauss(0, 2.5),
        "glottal_pulse_tp": rng.uniform(30, 46),
        "glottal_pulse_tn_min": closing,
        "glottal_pulse_tn_max": closing,
        "breathiness": rng.uniform(0.3, 5),
        "aperture_radius": rng.uniform(2.7, 3.3),
        "global_nose_radius_coef": rng.uniform(0.85, 1.15),
        "global_radius_coef": rng.uniform(0.93, 1.07),
        **{f"radius_{k}_coef": rng.uniform(0.92, 1.08) for k in range(1, 9)},
        "throat_cutoff": rng.uniform(1000, 2500),
        "throat_volume": rng.uniform(3, 12),
        "mix_offset": rng.uniform(44, 54),
        "tempo": rng.uniform(0.75, 1.15),
        "pitch_offset": rng.uniform(-6, -2),
        "notional_pitch": rng.uniform(0, 4),
        "pretonic_lift": rng.uniform(1, 6),
        "tonic_range": rng.uniform(-11, -5),
        "drift_deviation": rng.uniform(0, 1.5),
    }
    return json.dumps({"text": text, "file": file, "settings": settings})
