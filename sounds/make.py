#!/usr/bin/env python3
"""Makes the sounds: prompts, numbers, words and tones, each kind in one Ogg file, and manifest.toml.

usage: sounds/make.py [--check]

The voice is slt of Debian's flite, a little slowed. Texts come from ../grammars/*/checkpoints.toml
(`prompt`, `spoken`), pack.toml (`caution`), events.toml (`said_back`), the words of
../grammars/*/phrases.jsgf, and texts.txt beside this file.
Needs Debian's flite and ffmpeg, and numpy. --check only tells whether every text has its sound.
"""

import pathlib
import re
import subprocess
import sys
import tempfile
import tomllib
import wave

import numpy as np

HERE = pathlib.Path(__file__).parent
PACKS = HERE.parent / "grammars"
RATE = 16000
VOICE, STRETCH = "slt", "1.06"
# Root mean square of what is spoken, and the highest peak: calm, with room above.
LEVEL, PEAK = 0.1, 0.9
# Silence between sounds of one file, so that no coder smears one into the next.
APART = RATE // 5

ONES = (
    "zero one two three four five six seven eight nine ten eleven twelve thirteen fourteen "
    "fifteen sixteen seventeen eighteen nineteen"
).split()
TENS = "_ _ twenty thirty forty fifty sixty seventy eighty ninety".split()
# Letters stand for their names in the phrases.
LETTERS = dict(
    a="ay", c="see", e="ee", f="eff", g="gee", i="eye", l="ell", m="em", n="en", o="oh",
    p="pee", s="ess", t="tee", u="you", v="vee",
)  # fmt: skip


def below_hundred(n):
    return ONES[n] if n < 20 else TENS[n // 10] + (f" {ONES[n % 10]}" if n % 10 else "")


def words_of(text):
    return " ".join(re.findall(r"[^\W_']+(?:'[^\W_]+)*", text.lower()))


def phrases(path):
    """The words of a grammar."""
    text = re.sub(r"/\*.*?\*/|//[^\n]*|\{[^}]*\}|<[^>]*>|^#JSGF[^;]*;|^\s*grammar\s[^;]*;|\bpublic\b", " ",
                  path.read_text(), flags=re.S | re.M)  # fmt: skip
    return sorted(set(re.findall(r"[a-z']+", text)))


def texts():
    """{kind: {words: text as it is given to the voice}}; a text stands in the first kind that has it."""
    kinds = {"prompts": [], "numbers": [], "words": []}
    for pack in sorted(PACKS.iterdir()):
        about = pack / "pack.toml"
        if not about.is_file() or not tomllib.loads(about.read_text())["language"].startswith("en"):
            continue
        if (pack / "checkpoints.toml").is_file():
            rules = tomllib.loads((pack / "checkpoints.toml").read_text())
            kinds["prompts"] += [rule["prompt"] for rule in rules.get("checkpoint", []) if "prompt" in rule]
            kinds["prompts"] += [f"since {t['spoken']}" for t in rules.get("timer", []) if "spoken" in t]
        kinds["prompts"].append(tomllib.loads(about.read_text())["caution"])
        if (pack / "events.toml").is_file():
            events = tomllib.loads((pack / "events.toml").read_text())
            for back in [event["said_back"] for event in events.values() if "said_back" in event]:
                kinds["prompts"] += [back["title"], *back.get("words", {}).values()]
        if (pack / "phrases.jsgf").is_file():
            kinds["words"] += phrases(pack / "phrases.jsgf")
    own = [line.strip() for line in (HERE / "texts.txt").read_text().splitlines()]
    kinds["prompts"] += [line for line in own if line and not line.startswith("#")]
    kinds["numbers"] += [below_hundred(n) for n in range(100)] + [f"{ONES[n]} hundred" for n in range(1, 10)]
    seen, out = set(), {}
    for kind, lines in kinds.items():
        fresh = {words_of(text): text for text in lines if words_of(text) not in seen}
        seen |= set(fresh)
        out[kind] = fresh
    return out


def say(text, folder):
    path = folder / "said.wav"
    text = LETTERS.get(text, text)
    run(["flite", "-voice", VOICE, "--setf", f"duration_stretch={STRETCH}", "-t", text, "-o", str(path)])
    with wave.open(str(path)) as file:
        assert (file.getframerate(), file.getnchannels(), file.getsampwidth()) == (RATE, 1, 2)
        x = np.frombuffer(file.readframes(file.getnframes()), np.int16) / 32768
    return level(fade(trim(x)))


def trim(x):
    """Cut to where 10 ms of it are above -45 dB of the loudest, with 15 ms around."""
    n = RATE // 100
    frames = np.sqrt(np.mean(x[: len(x) // n * n].reshape(-1, n) ** 2, axis=1))
    loud = np.flatnonzero(frames > frames.max() * 10 ** (-45 / 20))
    return x[max(0, loud[0] * n - n * 3 // 2) : (loud[-1] + 1) * n + n * 3 // 2]


def fade(x, seconds=0.008):
    n = round(seconds * RATE)
    ramp = 0.5 - 0.5 * np.cos(np.pi * np.arange(n) / n)
    x = x.copy()
    x[:n] *= ramp
    x[-n:] *= ramp[::-1]
    return x


def level(x):
    n = RATE // 50
    frames = np.mean(x[: len(x) // n * n].reshape(-1, n) ** 2, axis=1)
    spoken = np.sqrt(frames[frames > frames.max() / 1000].mean())
    x = x * LEVEL / spoken
    return x * min(1, PEAK / np.abs(x).max())


def tones():
    """One soft sound each: no burst, no melody, no group of three or five, and, unlike the alarm signals of
    IEC 60601-1-8 (pulses in groups, fundamental 150 to 1000 Hz with harmonics; from memory), a pure tone
    above that range without harmonics."""

    def tone(seconds, start, end, rise, gain):
        t = np.arange(round(seconds * RATE)) / RATE
        pitch = start + (end - start) * t / seconds
        x = np.sin(2 * np.pi * np.cumsum(pitch) / RATE)
        shape = np.minimum(t / rise, 1) * np.exp(-np.maximum(t - rise, 0) / (seconds / 3))
        return fade(gain * x * shape)

    return {
        "accepted": tone(0.14, 1480, 1480, 0.012, 0.12),
        "mark": tone(0.14, 1975, 1975, 0.012, 0.10),
        "doubtful": tone(0.34, 1250, 1400, 0.06, 0.16),
        "refused": tone(0.22, 1250, 1060, 0.01, 0.16),
    }


def run(command):
    done = subprocess.run(command, capture_output=True, text=True)
    if done.returncode:
        sys.exit(f"{command[0]} failed: {done.stderr.strip()}\nIs the Debian package installed?")


def write(name, sounds, folder):
    """Writes {key: samples} into one file; gives {key: (from_ms, to_ms)}."""
    places, pieces, at = {}, [np.zeros(APART)], APART
    for key, x in sounds.items():
        # Whole milliseconds, so that the manifest is exact.
        x = np.concatenate([x, np.zeros(-len(x) % 16)])
        places[key] = (at * 1000 // RATE, (at + len(x)) * 1000 // RATE)
        pieces += [x, np.zeros(APART)]
        at += len(x) + APART
    plain = folder / f"{name}.wav"
    with wave.open(str(plain), "wb") as file:
        file.setparams((1, 2, RATE, 0, "NONE", ""))
        file.writeframes((np.concatenate(pieces) * 32767).round().astype(np.int16).tobytes())
    run(["ffmpeg", "-y", "-loglevel", "error", "-i", str(plain), "-map_metadata", "-1", "-fflags", "+bitexact",
         "-flags:a", "+bitexact", "-c:a", "libvorbis", "-q:a", "2", str(HERE / f"{name}.ogg")])  # fmt: skip
    return places


def manifest(spoken, cues):
    lines = [
        "# Made by make.py beside this file: which text is where in which sound file, in milliseconds.",
        'language = "en"',
        f'voice = "flite {VOICE}"',
        "",
        "[tones]",
    ]
    lines += [f'{key} = {{ file = "tones.ogg", from = {a}, to = {b} }}' for key, (a, b) in cues.items()]
    lines += ["", "[texts]"]
    for kind, places in spoken.items():
        lines += [f'"{key}" = {{ file = "{kind}.ogg", from = {a}, to = {b} }}' for key, (a, b) in places.items()]
    (HERE / "manifest.toml").write_text("\n".join(lines) + "\n")


def main():
    wanted = texts()
    if "--check" in sys.argv[1:]:
        have = tomllib.loads((HERE / "manifest.toml").read_text())["texts"]
        missing = [t for kind in wanted.values() for t in kind if t not in have]
        sys.exit(f"no sound for: {', '.join(missing)}. Run sounds/make.py" if missing else 0)
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        spoken = {kind: write(kind, {w: say(t, folder) for w, t in lines.items()}, folder)
                  for kind, lines in wanted.items()}  # fmt: skip
        cues = write("tones", tones(), folder)
    manifest(spoken, cues)
    size = sum(path.stat().st_size for path in HERE.glob("*.ogg"))
    print(f"{sum(map(len, spoken.values()))} texts, {len(cues)} tones, {size / 1e6:.2f} MB", file=sys.stderr)


if __name__ == "__main__":
    main()
