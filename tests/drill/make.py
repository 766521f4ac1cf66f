"""Makes the demo drill: script.txt spoken by synthetic voices in a computed room.

usage: make.py            writes drill.flac and truth.json beside this file
       make.py --dry DIR  also writes each voice alone, without room and noise, to check the times by

Everything in it is invented. Needs the Debian packages named in tests/synth/voices.py, ffmpeg, and
tests/synth/requirements.txt. The same packages give the same file.
"""

import argparse
import hashlib
import json
import pathlib
import re
import sys
from typing import NamedTuple

import numpy as np

HERE = pathlib.Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))
from synth import room  # noqa: E402
from synth.phrases import Grammar  # noqa: E402
from synth.voices import RATE, Voices, run  # noqa: E402


class Person(NamedTuple):
    voice: str
    stands: list  # metres in a room of 6 x 5 x 2.8, the microphone in its middle above the warmer
    level_db: float  # at the microphone, against the leader


PEOPLE = {
    "leader": Person("flite:slt", [3.0, 2.0, 1.6], 0),
    "assistant": Person("flite:rms:1.05", [3.7, 2.9, 1.6], -1.5),
    "nurse": Person("festival:ked_diphone:1.05", [2.0, 3.4, 1.5], -2.5),
    "talker": Person("espeak:en-gb-x-rp+f3:155", [4.6, 3.9, 1.6], -4),
}
ROOM, MICROPHONE, ABSORPTION = [6, 5, 2.8], [3.0, 2.6, 1.4], 0.35
STARTS = -55.0  # seconds from birth to the first sample
TAIL = 2.5
LEVEL = 0.08  # loudness of the leader's speech; full scale is 1
STEP = 8  # samples are multiples of it: the noise hides the loss, and FLAC stores three bits less of each
FAN_DB, BEEP_DB, SUCTION_DB, CRY_DB = -18, -20, -12, -9  # against the leader's speech
BREATH = 0.09  # pause in seconds between talk and call-out in one breath


class Said(NamedTuple):
    at: int  # sample
    end: int
    who: str
    words: str
    callout: bool
    one_breath: bool


def read(path, voices):
    """The script as (what is said, what happens), times in samples from the start of the file."""
    lines, said, happens = [], [], []
    for number, text in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
        text = text.strip()
        if not text or text.startswith("#"):
            continue
        m = re.fullmatch(r"(\S+)\s+(\w+)\s+(.+)", text)
        if not m or not re.fullmatch(r"-?\d+:\d+(\.\d+)?|\+[\d.]+", m[1]):
            sys.exit(f"{path}:{number}: want WHEN WHO > CALL-OUT, or the like, not {text!r}")
        when, who, rest = m.groups()
        parts = re.findall(r"([~>])\s*([a-z ]+)", rest) if who in PEOPLE else []
        lines.append((number, when, who, rest, [(k, w.strip()) for k, w in parts]))
    voices.prepare([(w, PEOPLE[who].voice) for _, _, who, _, parts in lines for _, w in parts])
    last = 0
    for number, when, who, rest, parts in lines:
        if when[0] == "+":
            at = last + round(float(when[1:]) * RATE)
        else:
            minutes, seconds = when.lstrip("-").split(":")
            at = float(minutes) * 60 + float(seconds)
            at = round((-at if when[0] == "-" else at) * RATE) - round(STARTS * RATE)
        if not parts:
            happens.append((at, who, float(rest)))
            continue
        if at < last:
            sys.exit(f"{path}:{number}: starts {(last - at) / RATE:.2f} s before the line above has ended")
        for kind, words in parts:
            end = at + len(voices.say(words, PEOPLE[who].voice))
            said.append(Said(at, end, who, words, kind == ">", len(parts) > 1))
            last, at = end, end + round(BREATH * RATE)
    return said, happens


def speech(said, voices, length, dry=None):
    """Everybody in the room, each heard from where they stand; the direct path comes without delay."""
    out = np.zeros(length)
    for who, person in PEOPLE.items():
        alone = np.zeros(length)
        for s in said:
            if s.who == who:
                alone[s.at : s.end] += voices.say(s.words, person.voice)
        if dry:
            room.save(dry / f"{who}.wav", alone * LEVEL)
        h = room.impulse(ROOM, person.stands, MICROPHONE, ABSORPTION)
        out += room.reverberate(alone, h)[:length] * 10 ** (person.level_db / 20)
    return out


def monitor(happens, length):
    """A soft tone for each heart beat while the oximeter reads, its pitch falling with the saturation."""
    out, on, heart, saturation = np.zeros(length), False, 60.0, 50.0
    todo, beat = sorted(happens), 0
    t = np.arange(round(0.07 * RATE)) / RATE
    while beat < length:
        while todo and todo[0][0] <= beat:
            _, what, value = todo.pop(0)
            heart = value if what == "heart" else heart
            saturation = value if what == "saturation" else saturation
            on = on or what == "oximeter"
        if on:
            pitch = 700 * 2 ** ((saturation - 95) / 60)
            tone = (np.sin(2 * np.pi * pitch * t) + 0.2 * np.sin(4 * np.pi * pitch * t)) * np.hanning(len(t))
            out[beat : beat + len(t)] += tone[: length - beat]
        beat += round(60 / heart * RATE) if on else RATE // 10
    return out


def suction(random, seconds):
    """A catheter: hiss that swells, gurgles a little and stops."""
    x = room.hiss(random, seconds)
    t = np.arange(len(x)) / RATE
    gurgle = 1 + 0.5 * np.interp(t, np.arange(0, seconds + 1, 0.08), random.uniform(-1, 1, int((seconds + 1) / 0.08) + 1))
    return x * gurgle * np.minimum(1, np.minimum(t, seconds - t) / 0.2).clip(0)


def cry(random):
    """One cry of about a second: a voiced source gliding near 450 Hz, shaped by a small vocal tract."""
    seconds = random.uniform(0.8, 1.2)
    t = np.arange(round(seconds * RATE)) / RATE
    u = t / seconds
    f0 = random.uniform(420, 470) * (0.85 + 0.35 * np.sin(np.pi * u) ** 0.7) * (1 + 0.012 * np.sin(2 * np.pi * 6.5 * t))
    phase, x = 2 * np.pi * np.cumsum(f0) / RATE, np.zeros(len(t))
    for k in range(1, 16):
        f = k * f0
        tract = sum(g / (1 + ((f - c) / w) ** 2) for c, w, g in [(1150, 250, 1), (3200, 500, 0.6), (5200, 700, 0.25)])
        x += (tract + 0.03) * np.sin(k * phase) * (f < 7500)
    return x / np.sqrt(np.mean(x**2)) * np.minimum(1, np.minimum(u / 0.12, (1 - u) / 0.2)).clip(0)


def noises(happens, length):
    random = np.random.default_rng(2024)
    gain = lambda db: 10 ** (db / 20)  # noqa: E731
    out = room.fan(random, length / RATE) * gain(FAN_DB)
    h = room.impulse(ROOM, [3.4, 3.0, 1.1], MICROPHONE, ABSORPTION)
    beside = monitor(happens, length) * 2**0.5 * gain(BEEP_DB)
    for at, what, value in happens:
        pieces = []
        if what == "suction":
            pieces = [suction(random, value) * gain(SUCTION_DB)]
        elif what == "cry":
            pieces = [np.concatenate([cry(random) * gain(CRY_DB), np.zeros(round(0.45 * RATE))]) for _ in range(int(value))]
        for x in pieces:
            beside[at : at + len(x)] += x
            at += len(x)
    return out + room.reverberate(beside, h)[:length]


def truth(said, grammar, digest):
    callouts, refused = [], []
    for s in said:
        sense = grammar.read(s.words)
        if s.callout and not sense:
            sys.exit(f"script.txt: the grammar refuses the call-out {s.words!r}")
        inside = None if s.callout else grammar.inside(s.words)
        if inside:
            sys.exit(f"script.txt: the talk {s.words!r} holds the call-out {inside!r}; reword it")
        times = {
            "onset_ms": round(s.at / RATE * 1000),
            "end_ms": round(s.end / RATE * 1000),
            "voice": s.who,
            **({"one_breath": True} if s.one_breath else {}),
        }
        (callouts if s.callout else refused).append({"words": s.words, **(sense or {}), **times})
    return {
        "note": "An invented drill: invented baby, team and numbers, synthetic voices, a computed room.",
        "audio": "drill.flac",
        "sha256": digest,
        "birth_ms": round(-STARTS * 1000),
        "voices": {who: p.voice for who, p in PEOPLE.items()},
        "callouts": callouts,
        "refused": refused,
    }


def main():
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--dry", type=pathlib.Path, metavar="DIR")
    args = ask.parse_args()
    if args.dry:
        args.dry.mkdir(parents=True, exist_ok=True)
    grammar, voices = Grammar(HERE.parents[1] / "grammars/newborn/phrases.jsgf"), Voices()
    said, happens = read(HERE / "script.txt", voices)
    truth(said, grammar, None)  # complain about the script before the slow part
    length = said[-1].end + round(TAIL * RATE)
    whole = speech(said, voices, length, args.dry) + noises(happens, length)
    wav, flac = HERE / "drill.wav", HERE / "drill.flac"
    room.save(wav, np.round(whole * LEVEL * 32768 / STEP) * STEP / 32767)
    if np.abs(whole * LEVEL).max() > 0.98:
        sys.exit("the mix clips; lower LEVEL")
    run(["ffmpeg", "-y", "-loglevel", "error", "-i", str(wav), "-map_metadata", "-1", "-fflags", "+bitexact",
         "-flags:a", "+bitexact", "-compression_level", "12", str(flac)])  # fmt: skip
    wav.unlink()
    document = truth(said, grammar, hashlib.sha256(flac.read_bytes()).hexdigest())
    (HERE / "truth.json").write_text(json.dumps(document, indent=1) + "\n")
    print(
        f"{len(document['callouts'])} call-outs, {len(document['refused'])} refused, "
        f"{length / RATE:.0f} s, {flac.stat().st_size / 1e6:.2f} MB",
        file=sys.stderr,
    )


if __name__ == "__main__":
    main()
