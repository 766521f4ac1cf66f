"""Makes a development set for tuning: call-outs and other talk, synthetic, in many conditions.

usage: make_dev.py OUT_DIR [--seed N]
Writes OUT_DIR/clips/*.wav (16 kHz mono) and OUT_DIR/dev.json. None of its voices speaks in the drill
(tests/drill). Needs the Debian packages named in tests/synth/voices.py and tests/synth/requirements.txt.

dev.json: {"note", "seed", "voices", "clips": [{"file", "kind": "callout" | "talk" | "babble",
"words" (null unless a call-out), "said", "event", "value"?, "unit"?, "detail"?, "onset_ms", "end_ms",
"voice", "condition": {"noise", "snr_db", "reverb", "before", "after"}}]}
onset_ms and end_ms bound the call-out (or the talk) itself, from the start of the clip.
"""

import argparse
import json
import pathlib
import random
import sys

import numpy as np

HERE = pathlib.Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))
from synth import room  # noqa: E402
from synth.phrases import Grammar  # noqa: E402
from synth.voices import RATE, Voices  # noqa: E402

VOICES = [
    "flite:awb",
    "flite:kal16:1.1",
    "festival:kal_diphone:1.15",
    "espeak:en-us:160",
    "espeak:en-us+f2:170",
    "espeak:en-gb+m3:155",
    "espeak:en-gb-scotland:160",
    "espeak:en-029+f4:150",
    "espeak:en-gb-x-gbclan+f1:160",
    "espeak:en-us-nyc+m7:165",
]
PER_CALLOUT = 4
PER_TALK = 2
# (noise, dB of signal to noise, weight)
CONDITIONS = [
    ("none", None, 3),
    ("fan", 20, 2), ("fan", 10, 2), ("fan", 5, 2),
    ("hiss", 20, 1), ("hiss", 10, 2), ("hiss", 5, 2),
    ("babble", 20, 2), ("babble", 10, 3),
]  # fmt: skip
LEVEL = 0.06  # loudness of the speech in the clip


def natural(words):
    """Refuses what the grammar allows and nobody says."""
    w = words.split()
    odd = (
        w.count("given") > 1
        or w.count("repeated") + ("second" in w) + ("repeat" in w) + ("third" in w) > 1
        or (w[-1] == "days") == (w[-2:-1] == ["one"]) and w[-1] in ("day", "days")
        or (w[-1] == "minutes" and w[-3:-1] == ["at", "one"])
        or (w[-1] == "minute" and w[-3:-1] != ["at", "one"])
        or "gestation" in w and w[-1] in ("day", "days") and "weeks" not in w
    )
    return not odd


def callouts(grammar, rng, count):
    """Sentences spread over all rules and meanings, then over their numbers."""
    pool = {}
    for rule in grammar.public:
        for _ in range(600):
            words, sense = grammar.sample(rng, rule)
            if natural(words) and grammar.read(words) == sense:
                value = sense.get("value")
                kind = "number" if isinstance(value, (int, float)) else value
                pool.setdefault((rule, sense["event"], kind), {})[words] = sense
    chosen, groups = {}, sorted(pool, key=str)
    numbers = [k for k in groups if k[2] == "number"]
    turn = groups + numbers * count
    for key in turn:
        if len(chosen) >= count:
            break
        left = sorted(set(pool[key]) - set(chosen))
        if left:
            words = rng.choice(left)
            chosen[words] = pool[key][words]
    return chosen


def sentences(path, grammar):
    """The talk by heading; stops where a sentence holds a whole call-out."""
    out, head = {}, None
    for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
        if line.startswith("#"):
            head = line[2:].split(":")[0]
        elif line.strip():
            found = grammar.inside(line)
            if found:
                sys.exit(f"{path}:{number}: holds the call-out {found!r}; reword it")
            out.setdefault(head, []).append(line.strip())
    return out


class Studio:
    def __init__(self, seed, voices, talk):
        self.np = np.random.default_rng(seed)
        self.rng = random.Random(seed)
        self.voices = voices
        pairs = [(s, v) for i, s in enumerate(talk) for v in (VOICES[i % 10], VOICES[(i * 3 + 4) % 10])]
        voices.prepare(pairs)
        self.talk = pairs
        self.crowd = [voices.said[p] for p in pairs]
        self.rooms = [
            room.impulse([w, d, 2.8], [w * 0.4, d * 0.5, 1.5], [w * 0.4 + far, d * 0.5 + 0.2, 1.2], soak)
            for w, d, far, soak in [(4, 5, 0.8, 0.35), (6, 5, 1.5, 0.3), (3.5, 4, 1.0, 0.2)]
        ]

    def noise(self, kind, seconds):
        if kind == "babble":
            return room.babble(self.np, self.crowd, 6, seconds)
        return {"fan": room.fan, "hiss": room.hiss}[kind](self.np, seconds)

    def clip(self, words, voice, plain=False):
        """(samples, onset in samples, end in samples, condition) of one sentence in a random setting."""
        rng, x = self.rng, self.voices.say(words, voice)
        kind, snr, _ = rng.choices(CONDITIONS, [c[2] for c in CONDITIONS])[0]
        if plain:
            kind, snr = "none", None
        context = rng.choices(["none", "before", "after", "both"], [6, 2, 1, 1])[0]
        before = [self._other(voice)] if context in ("before", "both") else []
        after = [self._other(voice)] if context in ("after", "both") else []
        lead = [np.zeros(int(rng.uniform(0.3, 1.0) * RATE))]
        gap = lambda: np.zeros(int(rng.choice([0.1, 0.25, 0.5, 0.8]) * RATE))  # noqa: E731
        for b in before:
            lead += [b[2], gap()]
        head = np.concatenate(lead)
        tail = [p for a in after for p in (gap(), a[2])] + [np.zeros(int(rng.uniform(0.6, 1.0) * RATE))]
        y = np.concatenate([head, x, *tail])
        wet = rng.random() < 0.35 and not plain
        if wet:
            y = room.reverberate(y, rng.choice(self.rooms))[: len(y)]
        y += 10 ** (-55 / 20) * self.np.standard_normal(len(y))
        if kind != "none":
            y += room.mix_at(1, self.noise(kind, len(y) / RATE), snr)
        condition = {
            "noise": kind,
            "snr_db": snr,
            "reverb": wet,
            "before": before[0][0] if before else None,
            "after": after[0][0] if after else None,
        }
        return y * LEVEL, len(head), len(head) + len(x), condition

    def _other(self, voice):
        """Talk beside the sentence; one time in three by the same voice."""
        own = [p for p in self.talk if p[1] == voice]
        words, by = self.rng.choice(own if self.rng.random() < 1 / 3 else self.talk)
        return words, by, self.voices.said[words, by]


def main():
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("out", type=pathlib.Path)
    ask.add_argument("--seed", type=int, default=11)
    ask.add_argument("--callouts", type=int, default=160)
    args = ask.parse_args()
    grammar = Grammar(HERE.parents[1] / "grammars/newborn/phrases.jsgf")
    rng = random.Random(args.seed)
    chosen = callouts(grammar, rng, args.callouts)
    talk = sentences(HERE / "talk.txt", grammar)
    refused = talk["near"] + talk["talk"]
    jobs = [(w, v) for w in chosen for v in rng.sample(VOICES, PER_CALLOUT)]
    jobs += [(w, v) for w in refused for v in rng.sample(VOICES, PER_TALK)]
    voices = Voices()
    print(f"{len(chosen)} call-outs, {len(refused)} other sentences, {len(jobs)} clips", file=sys.stderr)
    voices.prepare(jobs)
    studio = Studio(args.seed, voices, talk["talk"])
    (args.out / "clips").mkdir(parents=True, exist_ok=True)
    clips = []
    for i, (words, voice) in enumerate(jobs):
        # The first voice of each call-out is heard clean, so that every one is there once without noise.
        plain = words in chosen and i % PER_CALLOUT == 0
        samples, onset, end, condition = studio.clip(words, voice, plain)
        name = f"clips/{i:04}.wav"
        room.save(args.out / name, samples)
        sense = chosen.get(words)
        clips.append({
            "file": name,
            "kind": "callout" if sense else "talk",
            "words": words if sense else None,
            "said": words,
            **(sense or {"event": None}),
            "onset_ms": round(onset / RATE * 1000),
            "end_ms": round(end / RATE * 1000),
            "voice": voice,
            "condition": condition,
        })  # fmt: skip
    for minute in range(10):
        name = f"clips/babble{minute}.wav"
        wet = room.reverberate(studio.noise("babble", 60), studio.rooms[minute % 3])[: 60 * RATE]
        room.save(args.out / name, wet / np.sqrt(np.mean(wet**2)) * LEVEL)
        clips.append({
            "file": name, "kind": "babble", "words": None, "said": None, "event": None,
            "onset_ms": None, "end_ms": None, "voice": None,
            "condition": {"noise": "babble", "snr_db": None, "reverb": True, "before": None, "after": None},
        })  # fmt: skip
    note = "Invented sentences, synthetic voices; for tuning only."
    document = {"note": note, "seed": args.seed, "voices": VOICES, "clips": clips}
    (args.out / "dev.json").write_text(json.dumps(document, indent=1) + "\n")
    print(f"wrote {len(clips)} clips to {args.out}", file=sys.stderr)


if __name__ == "__main__":
    main()
