"""Trains the acoustic model further on call-outs in rooms and noise, and writes src/engine/first.weights.

usage: tune.py TRAINING_DIR [--minutes 50] [--rate 6e-4] [--go-on] [--mean-with WEIGHTS] [--out WEIGHTS] [--assets FOLDER]
TRAINING_DIR is what make_training.py made. Loss: connectionist temporal classification over phones, nats a phone,
every clip put into another room and noise each time (augment.py); and for the whole sentence, that it wins against one
that it may be taken for (alike.py): the share of that one in the probability of both, nats. That is training for maximum
mutual information (Bahl et al., "Maximum mutual information estimation of hidden Markov model parameters for speech
recognition", 1986) with one competitor. All weights move; what is written is the moving average over the last hundred
steps, every ten minutes and at the end. With --go-on it starts from the weights that are there; a third of the rate is
then enough. Needs training.txt. Two cores hear about 25 hours of audio in an hour.
"""

import argparse
import json
import multiprocessing
import os
import pathlib
import random
import sys
import time

import numpy as np

HERE = pathlib.Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))
LENGTHS, FRAMES, MOST_PHONES = [150, 200, 300, 400], 6400, 120
AGAINST_RIVAL = 0.3  # weight of a nat lost to a rival, beside a nat a phone
AVERAGE = 0.99


def clips(folder):
    """(samples, [(word, its phones)], how often it is drawn) of each clip."""
    for path in sorted(folder.glob("*.npz")):
        data, told = np.load(path), json.loads(path.with_suffix(".json").read_text())
        for wave, clip in zip(np.split(data["wave"], np.cumsum(data["n"])[:-1]), told):
            yield wave, list(zip(clip["words"].split(), clip["phones"])), often(clip["voice"])


def classes(words):
    """The classes of the model for words with their phones."""
    from model import BOUNDARY, PHONES

    return [PHONES.index(phone) if phone else BOUNDARY for _, phones in words for phone in (None, *phones)][1:]


def often(voice):
    """espeak-ng's are learnt soonest, and are the least like people; the neural ones say the least in an hour."""
    return {"hibari": 3, "joe": 4, "crowd": 4}.get(voice.split(":")[0], 1)


class Features:
    def __init__(self, package):
        self.bands, self.window = package["mel_fb"], package["stft_real_kernel"][0, 0]

    def __call__(self, x):
        padded = np.pad(x.astype(np.float32), 200, mode="reflect")
        frames = np.lib.stride_tricks.sliding_window_view(padded, 400)[::160][: len(x) // 160 + 1]
        power = np.abs(np.fft.rfft(frames * self.window, axis=-1)) ** 2
        return np.log(np.maximum(power.astype(np.float32) @ self.bands, 1e-10))


def batch(items, frames):
    """Features, their mask, and for what was said and for its rival the classes and a mask of those beyond the end."""
    n = len(items)
    x, mask = np.zeros((n, 2 * frames, 80), np.float32), np.zeros((n, frames), np.float32)
    told, beyond = np.zeros((2, n, MOST_PHONES), np.int32), np.ones((2, n, MOST_PHONES), np.float32)
    for k, (heard, *sentences) in enumerate(items):
        x[k, : len(heard)], mask[k, : (len(heard) + 1) // 2] = heard[: 2 * frames], 1
        for which, sentence in enumerate(sentences):
            told[which, k, : len(sentence)], beyond[which, k, : len(sentence)] = sentence, 0
    return x, mask, told, beyond


def produce(queue, folder, package_path, seed):
    """Fills the queue with batches of clips of like length, without end."""
    from alike import Rivals
    from augment import Augment
    from model import read_package

    features, pool = Features(read_package(package_path)), list(clips(folder))
    augment, rivals, waiting = Augment(pool, seed), Rivals(random.Random(seed)), {frames: [] for frames in LENGTHS}
    chance = np.array([clip[2] for clip in pool], float)
    chance /= chance.sum()
    while True:
        x, words = augment.make(int(augment.random.choice(len(pool), p=chance)))
        heard, said = features(x), classes(words)
        frames = next((f for f in LENGTHS if len(heard) <= 2 * f), None)
        # A rival's word may be some phones longer.
        if frames is None or len(said) > MOST_PHONES - 9 or len(said) * 1.15 > len(heard) / 2:
            continue
        # One without a rival has itself for one: nothing is to be gained there.
        rival = rivals.of(words)
        waiting[frames].append((heard, said, classes(rival) if rival else said))
        if len(waiting[frames]) == FRAMES // frames:
            queue.put(batch(waiting[frames], frames))
            waiting[frames] = []


def train(queue, p, minutes, most, keep):
    """Trains parameters `p` at a rate of at most `most`; hands the average to `keep` now and then, and at the end."""
    import jax
    import jax.numpy as jnp
    import optax
    from model import log_probs

    def loss(p, x, mask, told, beyond):
        scores = log_probs(p, x, mask)
        scores = jnp.concatenate([scores[..., -1:], scores[..., :-1]], -1)  # optax wants the blank first
        said, rival = (optax.ctc_loss(scores, 1 - mask, told[k] + 1, beyond[k], blank_id=0) for k in (0, 1))
        a_phone = jnp.mean(said / jnp.maximum(1, (1 - beyond[0]).sum(-1)))
        lost = jnp.mean(jax.nn.softplus(said - rival))
        return a_phone + AGAINST_RIVAL * lost, (a_phone, lost)

    def masked(x, key):
        """One band of frequencies and two short times are hidden from the model."""
        keys, n = jax.random.split(key, 4), x.shape[0]
        band, time_ = jnp.arange(x.shape[2]), jnp.arange(x.shape[1])
        low, width = jax.random.uniform(keys[0], (n, 1)) * 80, jax.random.uniform(keys[1], (n, 1)) * 12
        start, length = jax.random.uniform(keys[2], (n, 2, 1)) * x.shape[1], jax.random.uniform(keys[3], (n, 2, 1)) * 10
        hidden = ((band >= low) & (band < low + width))[:, None, :]
        hidden |= ((time_ >= start) & (time_ < start + length)).any(1)[:, :, None]
        return jnp.where(hidden, x.mean((1, 2), keepdims=True), x)

    optimiser = optax.chain(
        optax.clip_by_global_norm(1.0),
        optax.inject_hyperparams(optax.adamw)(learning_rate=0.0, b2=0.98, weight_decay=1e-3),
    )

    @jax.jit
    def step(p, state, average, x, mask, told, beyond, key, rate):
        state[1].hyperparams["learning_rate"] = rate
        (_, parts), gradient = jax.value_and_grad(loss, has_aux=True)(p, masked(x, key), mask, told, beyond)
        update, state = optimiser.update(gradient, state, p)
        p = optax.apply_updates(p, update)
        return p, state, jax.tree.map(lambda a, b: a * AVERAGE + b * (1 - AVERAGE), average, p), parts

    state, average, key, losses = optimiser.init(p), p, jax.random.PRNGKey(int(time.time())), []
    queue.get()  # the first one is there when all rooms and noises are made
    began = shown = kept = time.time()
    while (done := (time.time() - began) / 60 / minutes) < 1:
        key, now = jax.random.split(key)
        # Up within the first minutes, then down along a cosine.
        rate = most * min(1, done * 25 + 0.02) * (0.03 + 0.97 * 0.5 * (1 + np.cos(np.pi * done)))
        p, state, average, parts = step(p, state, average, *queue.get(), now, rate)
        losses.append([float(part) for part in parts])
        if time.time() - shown > 120:
            a_phone, lost = np.mean(losses[-40:], 0)
            print(f"{done * minutes:.1f} min, {len(losses)} steps, {a_phone:.3f} a phone, {lost:.3f} to rivals", flush=True)
            shown = time.time()
        if time.time() - kept > 600:
            keep(average)
            kept = time.time()
    keep(average)


def main():
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("training", type=pathlib.Path)
    ask.add_argument("--minutes", type=float, default=50)
    ask.add_argument("--rate", type=float, default=6e-4, help="of learning, at most; 2e-4 to go on")
    ask.add_argument("--go-on", action="store_true")
    ask.add_argument("--mean-with", type=pathlib.Path, help="write the mean of what comes out and these weights")
    ask.add_argument("--out", type=pathlib.Path, default=HERE.parents[1] / "src/engine/first.weights")
    ask.add_argument("--assets", default=os.environ.get("EARMARK_ASSETS") or os.path.expanduser("~/.cache/earmark"))
    args = ask.parse_args()
    from model import parameters, read_package, read_tuning, tokens, write_tuning

    path = f"{args.assets}/asr_waveform.hama"
    package, kept = read_package(path), tokens(f"{args.assets}/g2p_vocab.json")
    context = multiprocessing.get_context("spawn")
    queue = context.Queue(12)
    producer = context.Process(target=produce, args=(queue, args.training, path, int(time.time())), daemon=True)
    producer.start()
    start = read_tuning(args.out, package) if args.go_on else package
    other = parameters(read_tuning(args.mean_with, package), kept) if args.mean_with else None

    def keep(p):
        mean = {name: (value + other[name]) / 2 for name, value in p.items()} if other else p
        write_tuning(args.out, package, kept, mean)

    train(queue, parameters(start, kept), args.minutes, args.rate, keep)
    producer.terminate()
    print(f"wrote {args.out}")


if __name__ == "__main__":
    main()
