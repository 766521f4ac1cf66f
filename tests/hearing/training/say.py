"""Says training clips in the voices of speakers.py on all cores, and makes rooms and noises.

usage: say.py WORK_DIR DATA_DIR [--part SHARE]
Reads WORK_DIR/texts.json.gz. Writes DATA_DIR/rooms.npy, noises.npy (noises.py), and shards of clips (clips.py).
"""

import argparse
import multiprocessing
import os
import pathlib
import random
import sys

os.environ["OMP_NUM_THREADS"] = "1"
import numpy as np  # noqa: E402

HERE = pathlib.Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent), str(HERE.parents[1])]
from synth.voices import RATE  # noqa: E402

import clips  # noqa: E402
import noises  # noqa: E402
import speakers  # noqa: E402

# Kind, speaker, hours of each process, processes, clips in a shard.
KINDS = [
    ("hibari", speakers.Hibari, 4, 8, 250),
    ("espeak", speakers.Espeak, 6, 4, 1500),
    ("pico", speakers.Pico, 4, 4, 500),
    ("joe", speakers.Joe, 0.33, 1, 100),
    ("tube", speakers.Tube, 0.37, 1, 100),
]
ROOMS = 16, 90  # groups, rooms in each
NOISES = [("hum", 8), ("beeps", 20), ("crying", 14), ("suction", 10), ("knocks", 6)]  # hums first: train.py relies on it
NOISE_SECONDS = 40
LOUDNESS = 0.1
MOST_FAILURES = 50


def rooms(seed):
    return noises.impulses(np.random.default_rng(seed), ROOMS[1]).astype(np.float16)


def noise(job):
    name, seed = job
    return getattr(noises, name)(np.random.default_rng(seed), NOISE_SECONDS * RATE).astype(np.float16)


def speak(work, data, kind, speaker, hours, size, seed):
    """What one process says."""
    rng, texts = random.Random(seed), clips.spoken(work)
    say, shard, waves, index, said, failures = speaker(rng), 0, [], [], 0, 0
    while said < hours * 3600 * RATE:
        k = rng.randrange(len(texts))
        try:
            x = say(texts[k])
        except Exception as error:  # a synthesiser that stumbles over one sentence says the next
            failures += 1
            print(f"{kind} could not say {texts[k]!r}: {error!r}", flush=True)
            if failures > MOST_FAILURES:
                raise
            continue
        if clips.SHORTEST < len(x) < clips.LONGEST:
            waves.append((np.clip(x * LOUDNESS, -1, 1) * 32767).astype(np.int16))
            index.append(k)
            said += len(x)
        if len(waves) >= size:
            clips.write(data, f"{kind}_{seed}_{shard}", waves, index)
            shard, waves, index = shard + 1, [], []
    if waves:
        clips.write(data, f"{kind}_{seed}_{shard}", waves, index)
    return f"{kind} {seed}: {said / 3600 / RATE:.2f} h"


def main():
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("work", type=pathlib.Path)
    ask.add_argument("data", type=pathlib.Path)
    ask.add_argument("--part", type=float, default=1, help="of the rooms and hours, for a try")
    args = ask.parse_args()
    args.data.mkdir(parents=True, exist_ok=True)
    with multiprocessing.Pool() as pool:
        groups = pool.map_async(rooms, range(max(1, int(ROOMS[0] * args.part))), 1)
        made = pool.map(noise, [(name, seed) for name, count in NOISES for seed in range(count)], 1)
        np.save(args.data / "noises.npy", np.stack(made))
        np.save(args.data / "rooms.npy", np.concatenate(groups.get()))
        kinds = [(kind, speaker, hours * args.part, size) for kind, speaker, hours, count, size in KINDS for _ in range(count)]
        jobs = [pool.apply_async(speak, (args.work, args.data, *kind, 100 + n)) for n, kind in enumerate(kinds)]
        for job in jobs:
            print(job.get(), flush=True)


if __name__ == "__main__":
    main()
