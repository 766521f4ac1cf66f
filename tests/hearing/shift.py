"""Does it matter where the stream began? The same sound after 0 to 2 s of quiet must give the same events.

usage: shift.py --binary PATH DIR [--clips N] [--quiet MS…]
Makes N short recordings (kept in DIR) of two call-outs each, in clean sound and in babble at 10 dB, replays each behind
so much quiet (faint noise), and lists what changes against the first. Needs numpy, scipy, and the synthesisers.
"""

import argparse
import json
import pathlib
import random
import subprocess
import sys
import tempfile

import numpy as np
from scipy.io import wavfile

HERE = pathlib.Path(__file__).resolve().parent
ROOT = HERE.parents[1]
sys.path[:0] = [str(HERE.parent)]
from synth import noises  # noqa: E402
from synth.phrases import Grammar  # noqa: E402
from synth.voices import RATE, Voices  # noqa: E402

VOICES = ["espeak:en-us:160", "espeak:en-gb-scotland:155", "flite:slt:1", "flite:rms:1", "flite:awb:1", "espeak:en-gb+f2:165:55"]
CROWD = ["espeak:en-us+m4:170", "espeak:en-gb+f4:160:60", "flite:slt:0.95", "flite:rms:1.05", "espeak:en-us+f3:175", "flite:awb:1.1"]
CHATTER = [
    "can you pass me the towel please", "we will need another line in a moment", "the father is just outside the door",
    "who has called for the second team", "it is warmer here than it was", "let me see the chart for a second",
]
QUIET = [0, 3, 10, 130, 500, 1000, 1370, 1377, 2000]
FAINT = 0.0003
LOUD = 0.08
# A call-out is the same where it begins within so many milliseconds of the other.
NEAR_MS = 300


def make(folder, clips):
    rng, pick = np.random.default_rng(20), random.Random(20)
    grammar, voices = Grammar(ROOT / "grammars/newborn/phrases.jsgf"), Voices()
    rules = [r for r in grammar.public if "decoy" not in r]
    said = []
    while len(said) < clips:
        pair = [grammar.sample(pick, pick.choice(rules)) for _ in range(2)]
        if all(m.get("event") not in (None, "decoy", "command") for _, m in pair):
            said.append(([words for words, _ in pair], VOICES[len(said) % len(VOICES)]))
    voices.prepare([(w, v) for pair, v in said for w in pair] + [(w, v) for w in CHATTER for v in CROWD])
    crowd = {v: [noises.level(voices.say(w, v)) for w in CHATTER] for v in CROWD}
    for n, (pair, voice) in enumerate(said):
        rest = lambda: np.zeros(int(rng.uniform(0.8, 1.6) * RATE))  # noqa: E731
        first, second = (LOUD * noises.level(voices.say(w, voice)) for w in pair)
        parts = [rest(), first, rest(), second, rest()]
        near, edges = np.concatenate(parts), np.cumsum([len(p) for p in parts]) * 1000 // RATE
        for kind in ("clean", "babble"):
            noise = noises.babble(rng, crowd, len(near) / RATE)[: len(near)] if kind == "babble" else 0 * near
            sound = near + LOUD / np.sqrt(10) * noise + FAINT * rng.standard_normal(len(near))
            wavfile.write(folder / f"{kind}-{n:02}.wav", RATE, np.int16(np.clip(sound, -1, 1) * 32767))
        (folder / f"{n:02}.json").write_text(json.dumps({"voice": voice, "said": pair, "ends_ms": [int(edges[1]), int(edges[3])]}))


def quiet(ms):
    faint = FAINT * np.random.default_rng(7).standard_normal(RATE * 3)
    return np.int16(faint[len(faint) - ms * RATE // 1000 :] * 32767)


def events(binary, sound, ms):
    """(moment, what, doubt, when it was written) of each event, on the clock of the sound itself."""
    with tempfile.TemporaryDirectory() as folder:
        audio, log = f"{folder}/a.wav", f"{folder}/a.earmark.jsonl"
        wavfile.write(audio, RATE, np.concatenate([quiet(ms), sound]))
        args = [binary, "replay", audio, "--purpose", "demo", "--start", "2026-01-01T09:00:00Z", "--log", log]
        subprocess.run(args, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        records = [json.loads(line) for line in pathlib.Path(log).read_text().splitlines()]
    out = []
    for r in records:
        if r["kind"] == "event":
            what = " ".join(str(r[k]) for k in ("event", "value", "unit", "detail") if r.get(k) is not None)
            out.append((r["t_ms"] - ms, what, "doubtful" if r.get("doubt") else "accepted", r["written_ms"] - ms))
    return sorted(out)


def pairs(one, other):
    """Events of two replays of the same sound, each with its fellow or None."""
    left = list(other)
    for event in one:
        fellow = min((e for e in left if e[1] == event[1] and abs(e[0] - event[0]) < NEAR_MS), key=lambda e: abs(e[0] - event[0]), default=None)
        if fellow:
            left.remove(fellow)
        yield event, fellow
    yield from ((None, event) for event in left)


def twice(found):
    return sum(abs(a[0] - b[0]) < NEAR_MS for n, a in enumerate(found) for b in found[n + 1 :])


def main():
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("folder", type=pathlib.Path)
    ask.add_argument("--binary", required=True)
    ask.add_argument("--clips", type=int, default=48)
    ask.add_argument("--quiet", type=int, nargs="+", default=QUIET)
    args = ask.parse_args()
    args.folder.mkdir(parents=True, exist_ok=True)
    if not list(args.folder.glob("clean-*.wav")):
        make(args.folder, args.clips)
    for kind in ("clean", "babble"):
        files = sorted(args.folder.glob(f"{kind}-*.wav"))[: args.clips]
        total, doubles, came, moved, drift, late = 0, 0, {}, {}, [], []
        touched, gone = set(), set()
        for path in files:
            _, sound = wavfile.read(path)
            ends = json.loads((args.folder / f"{path.stem[-2:]}.json").read_text())["ends_ms"]
            first = None
            for ms in args.quiet:
                found = events(args.binary, sound, ms)
                total, doubles = total + len(found), doubles + twice(found)
                for begins, *_, written in found:
                    # Of the call-out that it belongs to.
                    late += [written - end for end in ends if begins < end][:1]
                first = found if first is None else first
                for one, other in pairs(first, found):
                    if one and other:
                        drift.append(abs(one[0] - other[0]))
                    if one and other and one[2] == other[2]:
                        continue
                    if not (one and other):
                        gone.add(path.name)
                        came[ms] = came.get(ms, 0) + 1
                    else:
                        moved[ms] = moved.get(ms, 0) + 1
                    touched.add(path.name)
                    print(f"{path.name} behind {ms} ms: {one} -> {other}", file=sys.stderr)
        print(
            f"{kind}: {len(files)} recordings, {total} events, {doubles} twice; outcome changes in {len(touched)} recordings, in {len(gone)} of them an event "
            f"comes or goes; by quiet: comes or goes {came}, accepted or doubtful {moved}; same event, onsets apart: "
            f"95 % {np.percentile(drift, 95):.0f} ms, at most {max(drift)} ms; "
            f"end of call-out to record: median {np.median(late):.0f} ms, 95 % {np.percentile(late, 95):.0f} ms",
            flush=True,
        )


if __name__ == "__main__":
    main()
