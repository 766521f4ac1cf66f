"""Scores phrases on recordings without the program: the outside reference for the acoustic model and the decoder.

usage: score.py CMUDICT    writes reference.json beside this file, and the recordings (*.flac) that are missing

CMUDICT is a CMU Pronouncing Dictionary as text, the one that assets.lock pins. The acoustic model runs in ONNX Runtime,
over mel features as librosa computes them; the scores are computed here: a trellis over the whole recording for one
phrase at a time, with a blank before, between and after its phones and the word boundary between its words, for the best
alignment and for all of them. It shares no code with the program.

Needs numpy, librosa 0.11.0 and onnxruntime 1.32.0 (PyPI), the Debian packages espeak-ng and flite, and ffmpeg.
"""

import collections
import json
import pathlib
import subprocess
import sys
import tempfile

import librosa
import numpy as np
import onnxruntime

HERE = pathlib.Path(__file__).resolve().parent
MODEL = HERE.parents[1] / "src/engine/acoustic.onnx"
RATE = 16000
SHORTEST = 41600  # samples; shorter sound is padded

# The model's classes: ARPAbet, then the word boundary and the blank.
PHONES = (
    "AA AE AH AO AW AY B CH D DH EH ER EY F G HH IH IY JH K L M N NG OW OY P R S SH T TH UH UW V W Y Z ZH"
).split()
BOUNDARY, BLANK = len(PHONES), len(PHONES) + 1

# Recordings: name, what is said, the voice.
RECORDINGS = [
    ("one_twenty", "heart rate one twenty", ["flite", "-voice", "slt"]),
    ("sixty", "heart rate below sixty", ["espeak-ng", "-v", "en-us", "-s", "150"]),
    ("cord", "cord clamped", ["flite", "-voice", "rms"]),
    ("chest", "chest is rising", ["espeak-ng", "-v", "en-gb-scotland", "-s", "160"]),
    ("oxygen", "oxygen thirty percent", ["flite", "-voice", "awb"]),
    ("baby", "baby is crying", ["espeak-ng", "-v", "en-029", "-s", "170"]),
]

PHRASES = """
heart rate one twenty
heart rate one thirty
heart rate one thirteen
heart rate over one hundred
heart rate below sixty
heart rate below sixteen
heart rate is rising
no heart rate
cord clamped
cord milked
chest is rising
chest not rising
chest is moving
oxygen thirty percent
oxygen thirteen percent
oxygen thirty
oxygen one hundred percent
saturation eighty five
baby is crying
baby is breathing
baby not breathing
baby is born
breaths started
breaths stopped
mask adjusted
mouth opened
time check
help called
room air
hat on
""".split("\n")[1:-1]


def speak(name, text, voice):
    """16 kHz mono samples of NAME.flac, which is made if it is missing."""
    flac = HERE / f"{name}.flac"
    if not flac.exists():
        with tempfile.TemporaryDirectory() as folder:
            wav = str(pathlib.Path(folder) / "said.wav")
            options = ["-t", text, "-o", wav] if voice[0] == "flite" else ["-w", wav, text]
            subprocess.run(voice + options, check=True)
            form = ["-ar", str(RATE), "-ac", "1", "-sample_fmt", "s16", "-bitexact"]
            subprocess.run(["ffmpeg", "-y", "-loglevel", "error", "-i", wav] + form + [str(flac)], check=True)
    raw = subprocess.run(["ffmpeg", "-loglevel", "error", "-i", str(flac), "-f", "s16le", "-"], check=True, capture_output=True)
    return np.frombuffer(raw.stdout, "<i2").astype(np.float32) / 32768


def log_probs(model, samples):
    """[frames × 41], a frame for each 20 ms of the samples."""
    padded = np.pad(samples, (0, max(SHORTEST, -(-len(samples) // 320) * 320) - len(samples)))
    mel = librosa.feature.melspectrogram(
        y=padded, sr=RATE, n_fft=400, hop_length=160, window="hann", center=True, pad_mode="reflect", n_mels=80, power=2.0
    )[:, :-1]
    mel = np.log10(np.maximum(mel, 1e-10))
    mel = (np.maximum(mel, mel.max() - 8) + 4) / 4
    out = model.run(None, {"mel": mel.T[None].astype(np.float32)})[0][0]
    return out[: -(-len(samples) // 320)]


def trellis(log_probs, classes, join):
    """Log-probability of the alignments of all frames with `classes`: of the best (join is max) or of all (logaddexp)."""
    states = np.full(2 * len(classes) + 1, BLANK)
    states[1::2] = classes
    # A blank may be left out between two different classes.
    skips = np.zeros(len(states), bool)
    skips[3::2] = states[3::2] != states[1:-2:2]
    score = np.full(len(states), -np.inf)
    score[:2] = log_probs[0, states[:2]]
    for frame in log_probs[1:].astype(np.float64):
        one = np.concatenate([[-np.inf], score[:-1]])
        two = np.where(skips, np.concatenate([[-np.inf, -np.inf], score[:-2]]), -np.inf)
        score = join(join(score, one), two) + frame[states]
    return float(join(score[-1], score[-2]))


def rounded(score):
    return round(score, 4) if np.isfinite(score) else None


def main():
    options = onnxruntime.SessionOptions()
    options.graph_optimization_level = onnxruntime.GraphOptimizationLevel.ORT_DISABLE_ALL
    model = onnxruntime.InferenceSession(str(MODEL), options)
    said = collections.defaultdict(list)
    for line in pathlib.Path(sys.argv[1]).read_text(encoding="utf-8").splitlines():
        word, *phones = line.split("#")[0].split()
        said[word].append([phone.rstrip("012") for phone in phones])
    # The first pronunciation of each word.
    phrases = [{"words": words, "phones": [said[word][0] for word in words.split()]} for words in PHRASES]
    recordings = []
    for name, text, voice in RECORDINGS:
        frames = log_probs(model, speak(name, text, voice))
        best, total = [], []
        for phrase in phrases:
            classes = [c for way in phrase["phones"] for c in (BOUNDARY, *map(PHONES.index, way))][1:]
            best.append(rounded(trellis(frames, classes, np.maximum)))
            total.append(rounded(trellis(frames, classes, np.logaddexp)))
        likely = PHRASES[int(np.argmax([s if s is not None else -np.inf for s in total]))]
        print(f"{name}: said \"{text}\", best \"{likely}\"")
        free = rounded(float(frames.max(1).astype(np.float64).sum()))
        recordings.append({"file": f"{name}.flac", "said": text, "best": likely, "frames": len(frames), "free": free, "viterbi": best, "forward": total})
    text = json.dumps({"phrases": phrases, "recordings": recordings}, indent=1)
    (HERE / "reference.json").write_text(text + "\n", encoding="utf-8")


main()
