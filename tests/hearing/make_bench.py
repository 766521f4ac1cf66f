"""Makes the hearing bench: call-outs in noise and rooms, talk, near misses and rivals, by synthetic voices.

usage: make_bench.py dev|report|neural-dev|neural-report OUT [--seed N] [--jobs N] [--only PREFIX…]
The two sets share no voice, no room and, as far as the grammar allows, no sentence. dev is for setting
thresholds, report for reporting alone. No voice of either was ever given to the acoustic model. The neural sets are
small ones of the same rooms and sentences by talkers who sound like people (`neural.py`; these need training.txt).

OUT/bench.json lists the files: {"note", "set", "seed", "voices", "files": [{"file", "truth", "kind",
"noise", "snr_db", "distance", "rt60_s", "seconds", "recipe"}]}; kind is one of
  callouts  call-outs one after another, 1.0 to 2.5 s apart, and now and then something to be refused
  rivals    the same, each call-out with a "rival" that sounds like it or says its opposite
  near      near misses: nothing here is a call-out
  talk      people talking; babble: six talkers at once; human: recorded people; silence: an empty room
Each NAME.flac (16 kHz, mono, 16 bit) has NAME.json in the format of tests/drill/truth.json, where a call-out
and a refused sentence also have "family".

What was made before by the same recipe (these scripts, the sentences, the seed) is kept.

Signal to noise: the loudness of speech is the RMS over its frames that hold speech, at the microphone, in the
room; that of noise is the RMS over all of it. Needs the Debian packages named in tests/synth/voices.py, ffmpeg
and tests/synth/requirements.txt; for the report set also pocketsphinx-testdata and asterisk-core-sounds-en-wav.
"""

import argparse
import hashlib
import json
import multiprocessing
import pathlib
import random
import subprocess
import sys
from typing import NamedTuple

import numpy as np

HERE = pathlib.Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))
from synth import noises, room  # noqa: E402
from synth.phrases import Grammar  # noqa: E402
from synth import voices as synthetic  # noqa: E402
from synth.voices import RATE  # noqa: E402

import human  # noqa: E402
import neural  # noqa: E402
from sentences import Line, Pool, listed, rivals  # noqa: E402

PACK = HERE.parents[1] / "grammars/newborn/phrases.jsgf"
VOICES = {
    "dev": [
        "flite:awb:0.92", "flite:awb:1", "flite:awb:1.15",
        "espeak:en-029:155:45", "espeak:en-029+f2:165:55", "espeak:en-029+f4:150:50", "espeak:en-029+m3:175:40",
        "espeak:en-029+m7:140:50", "espeak:en-us-nyc:160:50", "espeak:en-us-nyc+f2:175:60",
        "espeak:en-us-nyc+f4:145:45", "espeak:en-us-nyc+m3:190:35", "espeak:en-us-nyc+m7:165:50",
    ],
    "report": [
        "flite:slt:0.92", "flite:slt:1", "flite:slt:1.12", "flite:rms:0.9", "flite:rms:1", "flite:rms:1.1",
        "festival:ked_diphone:0.95", "festival:ked_diphone:1.05", "festival:ked_diphone:1.2",
        "espeak:en-gb-x-rp:155:50", "espeak:en-gb-x-rp+f3:165:55", "espeak:en-gb-x-rp+m4:150:40",
        "espeak:en-gb-x-rp+f5:180:45", "espeak:en-gb-x-rp+m1:140:60", "espeak:en-gb-x-rp+f1:190:50",
    ],
    "neural-dev": ["neural:af_sarah:1.0", "neural:am_michael:1.1", "neural:bf_emma:0.95"],
    "neural-report": ["neural:am_eric:1.1", "neural:bf_lily:1.15", "neural:bm_george:1.0"],
}  # fmt: skip
# (size in m, the microphone, RT60 in s after Sabine) of where one stands near and far; bench.json has what was measured.
ROOMS = {
    "dev": {
        "near": [([4.2, 5.0, 2.8], [1.9, 2.6, 1.3], 0.25), ([3.5, 4.1, 2.6], [1.6, 2.2, 1.4], 0.38)],
        "far": [([6.2, 5.4, 2.9], [2.9, 2.3, 1.4], 0.35), ([7.1, 6.0, 3.0], [3.2, 2.8, 1.5], 0.5)],
    },
    "report": {
        "near": [([4.7, 3.8, 2.7], [2.1, 1.7, 1.5], 0.22), ([5.3, 4.4, 3.1], [2.4, 2.0, 1.2], 0.36)],
        "far": [([5.8, 6.6, 2.7], [2.6, 3.1, 1.3], 0.40), ([8.0, 5.6, 3.2], [3.7, 2.6, 1.4], 0.5)],
    },
}
APART = {"near": (0.3, 0.6), "far": (1.5, 2.5)}
NOISES = ["babble", "suction", "alarms", "crying", "fan"]
SNRS = [20, 10, 5, 0]
SIZES = {"dev": (30, 1), "report": (60, 2)}  # call-outs a file, times that each rival is said
CLEAN = 4  # times as many call-outs in a file without noise, where one in a hundred matters
FLOOR_DB = -45  # the room's own hum and hiss, against speech
LEVEL_DB = (-32, -22)  # loudness of speech against full scale, one a file
TURN = 4  # sentences that one voice says in a row


class Voices(synthetic.Voices):
    """All of them, the neural talkers too."""

    def prepare(self, pairs):
        pairs = list(dict.fromkeys(pairs))
        super().prepare([p for p in pairs if not p[1].startswith("neural:")])
        self.said |= {p: neural.say(*p) for p in pairs if p not in self.said}


class Plan(NamedTuple):
    """One file to be made."""

    name: str
    kind: str
    noise: str = "none"
    snr_db: int | None = None
    distance: str = "near"
    count: int = 0


class Set:
    """What all files of a set share."""

    def __init__(self, which, seed):
        self.which, self.seed, self.voices = which, seed, VOICES[which]
        self.base = which.removeprefix("neural-")  # whose sentences and rooms it has
        self.grammar = Grammar(PACK)
        self.pool = Pool(self.grammar, Grammar(HERE / "chatter.jsgf"), ["dev", "report"].index(self.base), seed)
        self.near_misses = self._near_misses(HERE / f"near_{self.base}.txt")
        self.impulses = {d: self._impulses(d) for d in APART}
        self.crowd = self._crowd()

    def _near_misses(self, path):
        said = listed(path)
        whole = [w for w in said if (self.grammar.read(w) or {}).get("event") not in (None, "decoy")]
        if whole:
            print(f"{path.name}: left out, since the grammar takes them for call-outs: {', '.join(whole)}", file=sys.stderr)
        return [Line(w, {}, "near miss") for w in said if w not in whole]

    def _impulses(self, distance):
        """Per room: impulse responses of six places to speak from, and of one where a noise comes from."""
        rng, out = np.random.default_rng(self.number(distance)), []
        for size, mic, seconds in ROOMS[self.base][distance]:
            soak, order = room.lasting(size, seconds)

            def heard(apart, height, size=size, mic=mic, soak=soak, order=order):
                angle = rng.uniform(0, 2 * np.pi)
                flat = np.sqrt(max(apart**2 - (height - mic[2]) ** 2, 0.01))
                place = [mic[0] + flat * np.cos(angle), mic[1] + flat * np.sin(angle), height]
                place = [float(np.clip(p, 0.2, s - 0.2)) for p, s in zip(place, size)]
                return room.impulse(size, place, mic, soak, order)

            speak = [heard(rng.uniform(*APART[distance]), mic[2] + rng.uniform(0, 0.2)) for _ in range(6)]
            out.append((speak, heard(rng.uniform(1.2, 2.0), mic[2] - 0.2), room.rt60(speak[0])))
        return out

    def _crowd(self):
        talk, voices = [w for w in listed(HERE / "talk.txt") if len(w.split()) > 4], Voices()
        pairs = [(w, v) for n, v in enumerate(self.voices) for w in talk[n % 5 :: 5]]
        voices.prepare(pairs)
        out = {}
        for words, voice in pairs:
            out.setdefault(person(voice), []).append(voices.said[words, voice].astype(np.float32))
        return out

    def number(self, *what):
        """A seed for one purpose."""
        return int.from_bytes(hashlib.sha256(repr((self.which, self.seed, *what)).encode()).digest()[:6], "big")


def person(voice):
    return ":".join(voice.split(":")[:2])


def turns(rng, voices, lines):
    """[(voice, [line])]: every voice speaks in turn, in chance order, so that all say about as much."""
    out, order = [], []
    while lines:
        order = order or rng.sample(voices, len(voices))
        out.append((order.pop(), lines[:TURN]))
        lines = lines[TURN:]
    return out


def with_talk(rng, pool, lines):
    """Lines with something to be refused after about every third: half near the grammar, half not."""
    out = []
    for line in lines:
        out.append(line)
        if rng.random() < 1 / 3:
            out.append(rng.choice(pool.near if rng.random() < 0.5 else pool.talk))
    return out


class Scene:
    """Sound of one file: who speaks when, from where, over what noise. Whoever speaks next may stand in another room."""

    def __init__(self, owner, plan):
        self.owner, self.plan = owner, plan
        self.rng, self.np = random.Random(owner.number(plan.name)), np.random.default_rng(owner.number(plan.name, 1))
        self.rooms = owner.impulses[plan.distance]

    def stage(self, spoken, gap):
        """Speech in the room, [(voice, from, to)] of the turns and [(line, voice, onset, end)] of the lines."""
        voices, at, spans, said, pieces = Voices(), round(0.8 * RATE), [], [], []
        voices.prepare([(line.words, voice) for voice, lines in spoken for line in lines])
        for voice, lines in spoken:
            start, dry = at, []
            for line in lines:
                x = voices.said[line.words, voice]
                said.append((line, voice, at, at + len(x)))
                dry += [x, np.zeros(round(self.rng.uniform(*gap) * RATE))]
                at += len(dry[-2]) + len(dry[-1])
            spans.append((voice, start, at))
            pieces.append((start, in_room(np.concatenate(dry), self.rng.choice(self.rng.choice(self.rooms)[0]))))
        out = np.zeros(at + RATE)
        for start, x in pieces:
            noises.place(out, start, x)
        return out, spans, said

    def noise(self, spans, length):
        """The plan's noise, RMS 1, from its place in the room; nobody babbles who also speaks."""
        kind, seconds = self.plan.noise, length / RATE
        if kind == "babble":
            x, fade = np.zeros(length), round(0.2 * RATE)
            edges = [0, *[start for _, start, _ in spans[1:]], length]
            for (voice, _, _), start, end in zip(spans, edges, edges[1:]):
                others = {p: said for p, said in self.owner.crowd.items() if p != person(voice)}
                piece = noises.babble(self.np, others, (end - start + fade) / RATE)
                slope = np.minimum(1, np.minimum(np.arange(len(piece)), np.arange(len(piece))[::-1]) / fade)
                noises.place(x, start, piece * slope)
        else:
            x = noises.STEADY[kind](self.np, seconds)
        return noises.level(self.away(x))

    def away(self, x):
        """A noise as it is heard from its place in one of the rooms."""
        return room.reverberate(x, self.rng.choice(self.rooms)[1])[: len(x)]

    def finish(self, speech, spans):
        y = speech + room.fan(self.np, len(speech) / RATE) * 10 ** (FLOOR_DB / 20)
        y += 10 ** ((FLOOR_DB - 6) / 20) * self.np.standard_normal(len(y))
        if self.plan.snr_db is not None:
            y += room.mix_at(1, self.noise(spans, len(y)), self.plan.snr_db)
        y *= 10 ** (self.rng.uniform(*LEVEL_DB) / 20)
        return y * min(1, 0.97 / np.abs(y).max())


def in_room(dry, h):
    """Speech through an impulse response, its loudness 1 over the frames where it is spoken."""
    wet, n = room.reverberate(dry, h), 320
    power = lambda x: (x[: len(dry) // n * n].reshape(-1, n) ** 2).mean(1)  # noqa: E731
    frames = power(dry)
    return wet / np.sqrt(power(wet)[frames > frames.max() / 1000].mean())


def lines_for(owner, plan, rng):
    """What is said in a file, as turns."""
    if plan.kind == "callouts":
        lines = with_talk(rng, owner.pool, owner.pool.callouts(rng, plan.count))
    elif plan.kind == "rivals":
        pairs = [a._replace(sense={**a.sense, "rival": b.sense}) for a, b in rivals(owner.grammar)]
        lines = shared_out(plan, pairs, SIZES[owner.base][1], rng)
    elif plan.kind == "near":
        lines = shared_out(plan, owner.near_misses, 2, rng)
    else:
        lines = [rng.choice(owner.pool.talk if rng.random() < 0.75 else owner.pool.near) for _ in range(plan.count)]
    return turns(rng, owner.voices, lines)


def shared_out(plan, lines, times, rng):
    """Every line so many times without noise, and as often in all files of noise together."""
    numbered = [(line, k + n) for n in range(times) for k, line in enumerate(lines)]
    mine = [line for line, k in numbered if plan.noise == "none" or k % len(NOISES) == NOISES.index(plan.noise)]
    return rng.sample(mine, len(mine))


def make(owner, plan, out):
    """Writes one file and its truth; gives its entry for the list."""
    scene, said = Scene(owner, plan), []
    by = recipe(owner, plan)  # now: a script that is edited meanwhile is another recipe
    if plan.kind == "human":
        y, said = human.recordings()
    elif plan.kind == "silence":
        y = room.fan(scene.np, plan.count) * 1e-3 + 3e-4 * scene.np.standard_normal(plan.count * RATE)
    elif plan.kind == "babble":
        y = scene.finish(noises.level(scene.away(noises.babble(scene.np, owner.crowd, plan.count))), [])
    else:
        gap = (0.2, 1.4) if plan.kind == "talk" else (1.0, 2.5)
        speech, spans, said = scene.stage(lines_for(owner, plan, scene.rng), gap)
        y = scene.finish(speech, spans)
    save(out / f"{plan.name}.flac", y)
    document = truth(plan, said)
    (out / f"{plan.name}.json").write_text(json.dumps(document, indent=1) + "\n")
    print(f"{plan.name}: {len(document['callouts'])} call-outs, {len(y) / RATE:.0f} s", file=sys.stderr, flush=True)
    facts = {"kind": plan.kind, "noise": plan.noise, "snr_db": plan.snr_db, "distance": plan.distance}
    facts["rt60_s"] = [round(seconds, 2) for _, _, seconds in scene.rooms]
    facts |= {"seconds": round(len(y) / RATE, 3), "recipe": by}
    return {"file": f"{plan.name}.flac", "truth": f"{plan.name}.json", **facts}


def truth(plan, said):
    callouts, refused = [], []
    for line, voice, onset, end in said:
        times = {"onset_ms": round(onset / RATE * 1000), "end_ms": round(end / RATE * 1000)}
        entry = {"words": line.words, **line.sense, **times, "voice": voice, "family": line.family}
        (callouts if line.sense else refused).append(entry)
    note = "Recorded people." if plan.kind == "human" else "Invented sentences, synthetic voices, a computed room."
    return {"note": note, "audio": f"{plan.name}.flac", "callouts": callouts, "refused": refused}


def save(path, x):
    pcm = (np.clip(x, -1, 1) * 32767).round().astype("<i2").tobytes()
    done = subprocess.run(
        ["ffmpeg", "-y", "-loglevel", "error", "-f", "s16le", "-ar", str(RATE), "-ac", "1", "-i", "-",
         "-map_metadata", "-1", "-fflags", "+bitexact", "-flags:a", "+bitexact", str(path)],
        input=pcm, capture_output=True,
    )  # fmt: skip
    if done.returncode:
        raise SystemExit(f"ffmpeg failed: {done.stderr.decode(errors='replace').strip()}")


def plans(which):
    if which.startswith("neural-"):
        out = [Plan(f"clean-{d}", "callouts", distance=d, count=60) for d in APART]
        out += [Plan(f"{n}-10-{d}", "callouts", n, 10, d, 30) for n in NOISES[:4] for d in APART]
        return [*out, Plan("near-clean", "near")]
    count = SIZES[which][0]
    out = [Plan(f"clean-{d}", "callouts", distance=d, count=CLEAN * count) for d in APART]
    out += [Plan(f"{n}-{snr}-{d}", "callouts", n, snr, d, count) for n in NOISES for snr in SNRS for d in APART]
    out += [Plan(f"talk-{d}", "talk", distance=d, count=600) for d in APART]
    out += [Plan("babble", "babble", distance="far", count=20 * 60), Plan("silence", "silence", count=10 * 60)]
    out += [Plan("near-clean", "near")] + [Plan(f"near-{n}-10", "near", n, 10) for n in NOISES]
    out += [Plan("rivals-clean", "rivals")] + [Plan(f"rivals-{n}-{snr}", "rivals", n, snr) for n in NOISES for snr in (10, 5)]
    return out + [Plan("human", "human")] * (which == "report")


def main():
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("set", choices=sorted(VOICES))
    ask.add_argument("out", type=pathlib.Path)
    ask.add_argument("--seed", type=int, default=1)
    ask.add_argument("--jobs", type=int, default=1, help="processes (default: 1)")
    ask.add_argument("--only", nargs="+", default=[""], metavar="PREFIX", help="only files whose names begin so")
    args = ask.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    owner, listing = Set(args.set, args.seed), args.out / "bench.json"
    kept = json.loads(listing.read_text())["files"] if listing.exists() else []
    made = {e["file"]: e for e in kept if (args.out / e["file"]).exists()}
    wanted = {f"{p.name}.flac": p for p in plans(args.set)}
    made = {f: e for f, e in made.items() if f in wanted and e["recipe"] == recipe(owner, wanted[f])}
    todo = [p for f, p in wanted.items() if f not in made and f.startswith(tuple(args.only))]
    with multiprocessing.get_context("fork").Pool(args.jobs, initializer=share, initargs=(owner, args.out)) as pool:
        for entry in pool.imap(work, todo, chunksize=1):
            made[entry["file"]] = entry
            note = "Invented sentences, synthetic voices, computed rooms."
            files = [made[f] for f in wanted if f in made]
            document = {"note": note, "set": args.set, "seed": args.seed, "voices": owner.voices, "files": files}
            listing.write_text(json.dumps(document, indent=1) + "\n")


def recipe(owner, plan):
    """A digest of all that a file is made from."""
    sources = [HERE / name for name in ("make_bench.py", "sentences.py", "human.py", "chatter.jsgf", "talk.txt")]
    sources += [*(HERE.parent / "synth").glob("*.py"), PACK]
    sources += [HERE / f"near_{owner.base}.txt"] if plan.kind == "near" else []
    parts = [repr((owner.which, owner.seed, plan)).encode(), *(p.read_bytes() for p in sorted(sources))]
    return hashlib.sha256(b"\0".join(parts)).hexdigest()[:16]


def share(owner, out):
    global SHARED
    SHARED = owner, out


def work(plan):
    owner, out = SHARED
    return make(owner, plan, out)


if __name__ == "__main__":
    main()
