"""Scores phrases on recordings by plain CTC Viterbi: the outside reference for the decoder.

usage: score.py CMUDICT    writes reference.json and the recordings (*.flac) beside this file

CMUDICT is a CMU Pronouncing Dictionary as text, the one that assets.lock pins. The acoustic model runs
through PyPI hama's own Python code, and the score is computed here: a trellis over the whole recording
for one phrase at a time, with a blank before, between and after its phones and the word boundary between
its words. It shares no code with the program.

Needs requirements.txt, the Debian packages espeak-ng and flite, and ffmpeg.
"""

import collections
import importlib.metadata
import json
import pathlib
import subprocess
import sys
import tempfile

import hama
import numpy as np

HERE = pathlib.Path(__file__).resolve().parent
RATE = 16000

# ARPAbet to the model's tokens.
TOKENS = dict(
    AA="ɑ", AE="æ", AH="ʌ", AO="ɔ", AW="aʊ", AY="aɪ", B="b", CH="t͡ʃ", D="d", DH="ð", EH="ɛ", ER="ɝ", EY="eɪ",
    F="f", G="g", HH="h", IH="ɪ", IY="i", JH="d͡ʒ", K="k", L="l", M="m", N="n", NG="ŋ", OW="oʊ", OY="ɔɪ", P="p",
    R="ɹ", S="s", SH="ʃ", T="t", TH="θ", UH="ʊ", UW="u", V="v", W="w", Y="j", Z="z", ZH="ʒ",
)

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
    """Makes NAME.flac, 16 kHz mono 16 bit, and gives its samples."""
    flac = HERE / f"{name}.flac"
    with tempfile.TemporaryDirectory() as folder:
        wav = str(pathlib.Path(folder) / "said.wav")
        options = ["-t", text, "-o", wav] if voice[0] == "flite" else ["-w", wav, text]
        subprocess.run(voice + options, check=True)
        form = ["-ar", str(RATE), "-ac", "1", "-sample_fmt", "s16", "-bitexact"]
        subprocess.run(["ffmpeg", "-y", "-loglevel", "error", "-i", wav] + form + [str(flac)], check=True)
    raw = subprocess.run(["ffmpeg", "-loglevel", "error", "-i", str(flac), "-f", "s16le", "-"], check=True, capture_output=True)
    return np.frombuffer(raw.stdout, "<i2").astype(np.float32) / 32768


def log_probs(model, samples):
    inputs = {
        model._waveform_input_name: samples[None],
        model._waveform_lengths_input_name: np.array([len(samples)], dtype=np.int64),
    }
    out = model.session.run([model._log_probs_output_name], inputs)[0]
    return out[0] if out.ndim == 3 else out


def viterbi(log_probs, tokens, blank):
    """Log-probability of the best alignment of all frames with `tokens`."""
    states = np.full(2 * len(tokens) + 1, blank)
    states[1::2] = tokens
    # A blank may be left out between two different tokens.
    skips = np.zeros(len(states), bool)
    skips[3::2] = states[3::2] != states[1:-2:2]
    best = np.full(len(states), -np.inf)
    best[:2] = log_probs[0, states[:2]]
    for frame in log_probs[1:].astype(np.float64):
        one = np.concatenate([[-np.inf], best[:-1]])
        two = np.where(skips, np.concatenate([[-np.inf, -np.inf], best[:-2]]), -np.inf)
        best = np.maximum(np.maximum(best, one), two) + frame[states]
    return float(max(best[-1], best[-2]))


def main():
    model = hama.ASRModel()
    index = {token: k for k, token in enumerate(model.decoder_tokens)}
    said = collections.defaultdict(list)
    for line in pathlib.Path(sys.argv[1]).read_text(encoding="utf-8").splitlines():
        word, *phones = line.split("#")[0].split()
        said[word].append([phone.rstrip("012") for phone in phones])
    phrases = []
    for words in PHRASES:
        # The first pronunciation of each word, in ARPAbet and in tokens.
        phones = [said[word][0] for word in words.split()]
        phrases.append({"words": words, "phones": phones, "tokens": [[index[TOKENS[p]] for p in way] for way in phones]})
    recordings = []
    for name, text, voice in RECORDINGS:
        frames = log_probs(model, speak(name, text, voice))
        scores = []
        for phrase in phrases:
            tokens = phrase["tokens"][0]
            for word in phrase["tokens"][1:]:
                tokens = tokens + [index["<wb>"]] + word
            score = viterbi(frames, tokens, model.blank_id)
            scores.append(round(score, 4) if np.isfinite(score) else None)
        best = PHRASES[int(np.argmax([s if s is not None else -np.inf for s in scores]))]
        print(f"{name}: said \"{text}\", best \"{best}\"")
        free = round(float(frames.max(1).astype(np.float64).sum()), 4)
        recordings.append({"file": f"{name}.flac", "said": text, "best": best, "frames": len(frames), "free": free, "scores": scores})
    document = {
        "model": f"hama {importlib.metadata.version('hama')}",
        "boundary": index["<wb>"],
        "blank": model.blank_id,
        "tokens": {phone: index[token] for phone, token in TOKENS.items()},
        "phrases": phrases,
        "recordings": recordings,
    }
    text = json.dumps(document, ensure_ascii=False, indent=1)
    (HERE / "reference.json").write_text(text + "\n", encoding="utf-8")


main()
