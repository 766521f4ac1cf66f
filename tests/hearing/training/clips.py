"""How sentences and clips are kept between the scripts of this folder.

WORK_DIR/texts.json.gz comes from texts.py. DATA_DIR/KIND_SEED_NUMBER.npz holds clips of one kind of voice: "wave", int16
samples at 16 kHz one clip after another; "n", samples of each; "index", the sentence of each.
"""

import gzip
import json
import os

import numpy as np

SHORTEST, LONGEST = 4000, 128_000  # samples


def read_texts(work):
    with gzip.open(work / "texts.json.gz", "rt") as f:
        return json.load(f)


def spoken(work):
    """What a synthesiser is told of each sentence, without those of recorded people."""
    texts = read_texts(work)
    rows = texts["said"][: len(texts["said"]) - texts["people"]]
    return [" ".join(texts["words"][k][1] for k in row) for row in rows]


def write(data, name, clips, index):
    """A shard, complete as soon as it is there: train.py may be waiting for it."""
    data.mkdir(parents=True, exist_ok=True)
    new = data / f"{name}.new.npz"
    np.savez(new, wave=np.concatenate(clips), n=[len(c) for c in clips], index=index)
    os.replace(new, data / f"{name}.npz")
