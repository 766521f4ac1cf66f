"""Says training clips with Kokoro in batches on the GPU.

usage: say_kokoro.py WORK_DIR DATA_DIR KOKORO_DIR [--hours N] [--processes N]
KOKORO_DIR is what kokoro_weights.py wrote. All talkers but those kept back speak (talkers.py), and half of the clips are of a
mixture of them: anybody's throat with the manner of those who speak English, or of Hindi talkers where the accent is Indian.
Other processes make the phonemes. Writes shards crowd_SEED_N.npz (clips.py).
"""

import argparse
import multiprocessing
import pathlib
import random
import sys
from functools import cache

import numpy as np

HERE = pathlib.Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))
import clips  # noqa: E402
from accents import Indian  # noqa: E402
from speakers import Hibari  # noqa: E402

GROUP = 1000  # sentences that are said together
SEED = 100
RATE = 16000


@cache
def _phonemizer(work):
    return Hibari(random.Random()), clips.spoken(work)


def phonemes(job):
    """A group of sentences: [(place, phonemes, whether the accent is Indian)]."""
    work, seed = job
    speaker, texts = _phonemizer(work)
    speaker.rng.seed(seed)
    out = []
    for k in speaker.rng.sample(range(len(texts)), min(GROUP, len(texts))):
        said, accent = speaker.phonemes(texts[k])
        out.append((k, "".join(said), isinstance(accent, Indian)))
    return out


def style(styles, length, indian, rng):
    """The talker of one sentence."""
    if not indian or rng.random() < 0.25:
        return styles.draw(length, rng)
    row, hindi = min(length, styles.stack.shape[1]) - 1, styles.hindi
    if rng.random() < 0.4:
        throat = styles.stack[rng.choice(hindi), row][:128]
    else:
        throat = styles.mixed(range(len(styles.names)), row, rng)[:128]
    shares = rng.dirichlet([0.7] * len(hindi))
    manner = shares @ styles.stack[hindi, row][:, 128:]
    if rng.random() < 0.4:  # between Hindi and English
        part = rng.uniform(0.3, 0.9)
        manner = part * manner + (1 - part) * styles.stack[rng.choice(styles.english), row][128:]
    return np.concatenate([throat, manner]).astype(np.float32)


def main():
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("work", type=pathlib.Path)
    ask.add_argument("data", type=pathlib.Path)
    ask.add_argument("kokoro", type=pathlib.Path)
    ask.add_argument("--hours", type=float, default=31)
    ask.add_argument("--processes", type=int, default=3)
    args = ask.parse_args()
    jobs = ((args.work, SEED * 1000 + n) for n in range(10_000))
    with multiprocessing.get_context("fork").Pool(args.processes) as pool:  # before the GPU is touched
        groups = pool.imap_unordered(phonemes, jobs)
        from kokoro import LONGEST, Kokoro, Styles

        model, styles, rng = Kokoro(args.kokoro), Styles(args.kokoro), np.random.default_rng(SEED)
        seconds = 0.0
        for n, group in enumerate(groups):
            told = [(place, ids, indian) for place, said, indian in group if 0 < len(ids := model.ids(said)) <= LONGEST]
            shown = np.stack([style(styles, len(ids), indian, rng) for _, ids, indian in told])
            speeds, rates = rng.uniform(0.75, 1.4, len(told)), 20 * rng.integers(1060, 1321, len(told))
            waves = model.clips([ids for _, ids, _ in told], shown, speeds, rates)
            kept = [(x, place) for x, (place, _, _) in zip(waves, told, strict=True) if x is not None]
            kept = [(x, place) for x, place in kept if clips.SHORTEST < len(x) < clips.LONGEST]
            clips.write(args.data, f"crowd_{SEED}_{n}", [x for x, _ in kept], [place for _, place in kept])
            seconds += sum(len(x) for x, _ in kept) / RATE
            print(f"crowd: {seconds / 3600:.2f} h", flush=True)
            if seconds >= args.hours * 3600:
                break
        pool.terminate()


if __name__ == "__main__":
    main()
