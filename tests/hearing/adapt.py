"""Trains the adapter over the acoustic model's output and writes src/engine/adapter.weights.

usage: adapt.py WEIGHTS VOCABULARY TRAINING.npz... [--epochs 40]
VOCABULARY is the engine's g2p_vocab.json, TRAINING what make_training.py made. Needs tests/hearing/training.txt.
The network is described in src/engine/adapter.rs; its result is added to the model's own log-probabilities,
so that it starts as what the model says. Loss: connectionist temporal classification, nats a phone.
"""

import argparse
import json

import jax
import jax.numpy as jnp
import numpy as np
import optax

IPA = (
    "ɑ æ ʌ ɔ aʊ aɪ b t͡ʃ d ð ɛ ɝ eɪ f g h ɪ i d͡ʒ k l m n ŋ oʊ ɔɪ p ɹ s ʃ t θ ʊ u v w j z ʒ"
).split()
TOKENS, CLASSES, HIDDEN, FIRST, SECOND, BATCH = 191, 41, 128, 9, 5, 32
FLOOR, SCALE = -12, 4


def conv(x, w):
    return jax.lax.conv_general_dilated(x, w, (1,), "SAME", dimension_numbers=("NWC", "WIO", "NWC"))


def network(p, own, x, key=None):
    def drop(h, share, k):
        return h if key is None else h * jax.random.bernoulli(k, share, h.shape) / share

    keys = [None] * 3 if key is None else jax.random.split(key, 3)
    h = drop(jax.nn.relu(conv(drop(x, 0.9, keys[0]), p["w1"]) + p["b1"]), 0.85, keys[1])
    h = drop(h + jax.nn.relu(conv(h, p["w2"]) + p["b2"]), 0.85, keys[2])
    return jax.nn.log_softmax((x[..., own] - 1) * SCALE + h @ p["w3"] + p["b3"])


def loss(p, own, x, x_pad, t, t_pad, key):
    scores = network(p, own, x, key)
    scores = jnp.concatenate([scores[..., -1:], scores[..., :-1]], -1)  # optax wants the blank first
    nats = optax.ctc_loss(scores, x_pad, t + 1, t_pad, blank_id=0)
    return jnp.mean(nats / jnp.maximum(1, (1 - t_pad).sum(-1)))


def batches(ids, clips, keep, shuffle=None):
    groups = [g for g in (ids[k : k + BATCH] for k in range(0, len(ids), BATCH)) if len(g) == BATCH]
    if shuffle is not None:
        shuffle.shuffle(groups)
    for group in groups:
        n = -(-max(len(clips[i][0]) for i in group) // 50) * 50
        m = -(-max(len(clips[i][1]) for i in group) // 20) * 20
        x, x_pad = np.zeros((BATCH, n, len(keep)), np.float32), np.ones((BATCH, n), np.float32)
        t, t_pad = np.zeros((BATCH, m), np.int32), np.ones((BATCH, m), np.float32)
        for row, i in enumerate(group):
            heard, said = clips[i]
            x[row, : len(heard)] = np.clip(heard[:, keep].astype(np.float32), FLOOR, 0) / SCALE + 1
            x_pad[row, : len(heard)], t[row, : len(said)], t_pad[row, : len(said)] = 0, said, 0
        yield x, x_pad, t, t_pad


def main():
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("weights")
    ask.add_argument("vocabulary")
    ask.add_argument("training", nargs="+")
    ask.add_argument("--epochs", type=int, default=40)
    args = ask.parse_args()
    vocabulary = json.load(open(args.vocabulary, encoding="utf-8"))["decoder"]
    tokens = [vocabulary.index(ipa) for ipa in IPA] + [TOKENS - 2, TOKENS - 1]
    clips = []
    for path in args.training:
        data = dict(np.load(path))
        heard = np.split(data["lp"], np.cumsum(data["n"])[:-1])
        said = np.split(data["tg"], np.cumsum(data["tn"])[:-1])
        clips += [(h, s) for h, s in zip(heard, said) if len(s) * 1.05 < len(h) < 500]
    sample = [h for h, _ in clips[::5]]
    mean = sum(np.exp(h.astype(np.float32)).sum(0) for h in sample) / sum(map(len, sample))
    keep = np.array(sorted(set(np.flatnonzero(mean > 3e-5)) | set(tokens)))
    own = np.searchsorted(keep, tokens)
    r = np.random.default_rng(1)
    p = {
        "w1": r.normal(0, (len(keep) * FIRST) ** -0.5, (FIRST, len(keep), HIDDEN)), "b1": np.zeros(HIDDEN),
        "w2": r.normal(0, (HIDDEN * SECOND) ** -0.5, (SECOND, HIDDEN, HIDDEN)), "b2": np.zeros(HIDDEN),
        "w3": r.normal(0, 0.01, (HIDDEN, CLASSES)), "b3": np.zeros(CLASSES),
    }  # fmt: skip
    p = {k: jnp.asarray(v, jnp.float32) for k, v in p.items()}
    order = sorted(range(len(clips)), key=lambda i: len(clips[i][0]))
    held_out = set(order[::20])
    train = [i for i in order if i not in held_out]
    optimiser = optax.adamw(optax.cosine_decay_schedule(2e-3, len(train) // BATCH * args.epochs, 0.02), weight_decay=1e-2)
    state = optimiser.init(p)

    @jax.jit
    def step(p, state, batch, key):
        value, gradient = jax.value_and_grad(loss)(p, own, *batch, key)
        update, state = optimiser.update(gradient, state, p)
        return optax.apply_updates(p, update), state, value

    judge = jax.jit(lambda p, batch: loss(p, own, *batch, None))

    def validate():
        return np.mean([float(judge(p, b)) for b in batches([i for i in order if i in held_out], clips, keep)])

    print(f"{len(clips)} clips, {sum(len(h) for h, _ in clips) / 180000:.1f} h; untrained {validate():.3f}")
    key, shuffle = jax.random.PRNGKey(0), np.random.default_rng(0)
    for epoch in range(args.epochs):
        losses = []
        for batch in batches(train, clips, keep, shuffle):
            key, now = jax.random.split(key)
            p, state, value = step(p, state, batch, now)
            losses.append(float(value))
        print(f"{epoch}: training {np.mean(losses):.3f}, held out {validate():.3f}", flush=True)

    def whole(*numbers):
        return np.array(numbers, "<u4").tobytes()

    with open(args.weights, "wb") as f:
        f.write(b"EARADPT1" + whole(len(keep), HIDDEN, CLASSES, FIRST, SECOND) + whole(*keep) + whole(*own))
        for name in ("w1", "b1", "w2", "b2", "w3", "b3"):
            f.write(np.ascontiguousarray(p[name], "<f4").tobytes())


if __name__ == "__main__":
    main()
