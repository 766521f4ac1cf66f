"""The acoustic model in JAX, as src/engine/conformer.rs runs it, and its package and tuning files.

Shapes and names of the package's tensors: src/engine/package.rs; of the tuning: src/engine/tuning.rs.
"""

import json
import struct

import jax
import jax.numpy as jnp
import numpy as np

WIDTH, HEADS, BLOCKS, TAPS, BANDS = 144, 4, 4, 31, 80
PHONES = (
    "AA AE AH AO AW AY B CH D DH EH ER EY F G HH IH IY JH K L M N NG OW OY P R S SH T TH UH UW V W Y Z ZH"
).split()
IPA = (
    "ɑ æ ʌ ɔ aʊ aɪ b t͡ʃ d ð ɛ ɝ eɪ f g h ɪ i d͡ʒ k l m n ŋ oʊ ɔɪ p ɹ s ʃ t θ ʊ u v w j z ʒ"
).split()
BOUNDARY, BLANK = len(PHONES), len(PHONES) + 1
HEAD = "acoustic_model.model.proj"
MAGIC = b"EARTUNE1"


def read_package(path):
    """{name: array of float32}"""
    data = open(path, "rb").read()
    if data[:6] != b"HAMAPK":
        raise SystemExit(f"{path} is no model package: run `make assets`")
    (count,), at, entries = struct.unpack_from("<I", data, 8), 12, []
    for _ in range(count):
        (length,) = struct.unpack_from("<H", data, at)
        name = data[at + 2 : at + 2 + length].decode()
        kind, dimensions = data[at + 2 + length], data[at + 3 + length]
        at += 4 + length
        shape = struct.unpack_from(f"<{dimensions}I", data, at)
        offset, size = struct.unpack_from("<QQ", data, at + 4 * dimensions)
        at += 4 * dimensions + 16
        entries.append((name, kind, shape, offset, size))
    base = len(data) - max(offset + size for *_, offset, size in entries)
    return {
        name: np.frombuffer(data, ("<f4", "<f2")[kind], size // (4, 2)[kind], base + offset).astype(np.float32).reshape(shape)
        for name, kind, shape, offset, size in entries
    }


def tokens(vocabulary):
    """Which of the package's tokens stand for the classes: the phones, the word boundary, the blank."""
    names = json.load(open(vocabulary, encoding="utf-8"))["decoder"]
    return np.array([names.index(ipa) for ipa in IPA] + [len(names), len(names) + 1])


def _layout():
    """(our name, package name, from the package's layout to ours); each way back is its own inverse."""
    swap, flat, same = lambda x: x.transpose(2, 1, 0), lambda x: x.T if x.ndim == 2 else x[:, :, 0].T, lambda x: x
    yield "stem.w", "onnx::Conv_801", swap
    yield "stem.b", "onnx::Conv_802", same
    for n in range(BLOCKS):
        own, matmul = f"acoustic_model.model.blocks.{n}.", lambda k: f"onnx::MatMul_{829 + 9 * n + k}"
        for part, name in (
            ("1.norm", "ffn1.norm"), ("attend.norm", "attn_norm"), ("conv.norm", "conv.norm"),
            ("2.norm", "ffn2.norm"), ("norm", "norm"),
        ):  # fmt: skip
            yield f"{n}.{part}.w", f"{own}{name}.weight", same
            yield f"{n}.{part}.b", f"{own}{name}.bias", same
        for part, weight, bias in (
            ("1.widen", matmul(0), "ffn1.fc1"), ("1.narrow", matmul(1), "ffn1.fc2"),
            ("2.widen", matmul(7), "ffn2.fc1"), ("2.narrow", matmul(8), "ffn2.fc2"),
            ("attend.out", matmul(6), "attn.out_proj"),
        ):  # fmt: skip
            yield f"{n}.{part}.w", weight, same
            yield f"{n}.{part}.b", f"{own}{bias}.bias", same
        yield f"{n}.attend.in.w", matmul(2), same
        yield f"{n}.attend.in.b", f"{own}attn.in_proj_bias", same
        for part, k in (("gated", 1), ("out", 2)):
            yield f"{n}.conv.{part}.w", f"{own}conv.pointwise{k}.weight", flat
            yield f"{n}.conv.{part}.b", f"{own}conv.pointwise{k}.bias", same
        yield f"{n}.conv.taps.w", f"onnx::Conv_{804 + 3 * n}", swap
        yield f"{n}.conv.taps.b", f"onnx::Conv_{805 + 3 * n}", same


def parameters(package, kept):
    """The model's parameters, with an output for each of the tokens kept."""
    p = {ours: jnp.asarray(shape(package[name])) for ours, name, shape in _layout()}
    p["head.w"] = jnp.asarray(package[f"{HEAD}.weight"][kept, :, 0].T)
    p["head.b"] = jnp.asarray(package[f"{HEAD}.bias"][kept])
    return p


def _norm(p, name, x):
    mean = x.mean(-1, keepdims=True)
    variance = ((x - mean) ** 2).mean(-1, keepdims=True)
    return (x - mean) / jnp.sqrt(variance + 1e-5) * p[f"{name}.w"] + p[f"{name}.b"]


def _linear(p, name, x):
    return x @ p[f"{name}.w"] + p[f"{name}.b"]


def _over_time(p, name, x, stride):
    """A convolution over all bands at once, as a product with the frames beside each other."""
    w, edge = p[f"{name}.w"], p[f"{name}.w"].shape[0] // 2
    x = jnp.pad(x, ((0, 0), (edge, edge), (0, 0)))
    count = (x.shape[1] - len(w)) // stride + 1
    beside = jnp.concatenate([x[:, k : k + stride * (count - 1) + 1 : stride] for k in range(len(w))], -1)
    return beside @ w.reshape(-1, w.shape[2]) + p[f"{name}.b"]


def _taps(p, name, x):
    """Each channel filtered by itself. A sum of shifts: faster than the library's grouped convolution."""
    w, frames = p[f"{name}.w"], x.shape[1]
    x = jnp.pad(x, ((0, 0), (len(w) // 2,) * 2, (0, 0)))
    return sum(x[:, k : k + frames] * w[k, 0] for k in range(len(w))) + p[f"{name}.b"]


def _feed_forward(p, name, x):
    return _linear(p, f"{name}.narrow", jax.nn.silu(_linear(p, f"{name}.widen", _norm(p, f"{name}.norm", x))))


def _attend(p, name, x, mask):
    batch, frames, _ = x.shape
    heads = lambda y: y.reshape(batch, frames, HEADS, WIDTH // HEADS).transpose(0, 2, 1, 3)  # noqa: E731
    q, k, v = (heads(y) for y in jnp.split(_linear(p, f"{name}.in", _norm(p, f"{name}.norm", x)), 3, -1))
    scores = q @ k.transpose(0, 1, 3, 2) / (WIDTH // HEADS) ** 0.5 + jnp.where(mask[:, None, None, :] > 0, 0.0, -1e9)
    joined = (jax.nn.softmax(scores, -1) @ v).transpose(0, 2, 1, 3).reshape(batch, frames, WIDTH)
    return _linear(p, f"{name}.out", joined)


def _convolve(p, name, x, mask):
    open_, gate = jnp.split(_linear(p, f"{name}.gated", _norm(p, f"{name}.norm", x)), 2, -1)
    h = open_ * jax.nn.sigmoid(gate) * mask[..., None]
    return _linear(p, f"{name}.out", jax.nn.silu(_taps(p, f"{name}.taps", h)))


def log_probs(p, features, mask):
    """features [batch × 2 frames × BANDS], mask [batch × frames] 1 where there is sound: [batch × frames × classes]"""
    x = jax.nn.gelu(_over_time(p, "stem", features, 2), approximate=False) * mask[..., None]
    for n in range(BLOCKS):
        x = x + 0.5 * _feed_forward(p, f"{n}.1", x)
        x = x + _attend(p, f"{n}.attend", x, mask)
        x = x + _convolve(p, f"{n}.conv", x, mask)
        x = x + 0.5 * _feed_forward(p, f"{n}.2", x)
        x = _norm(p, f"{n}.norm", x) * mask[..., None]
    return jax.nn.log_softmax(_linear(p, "head", x))


def read_tuning(path, package):
    """The package with what was moved, as src/engine/tuning.rs reads it."""
    data, at, tuned = open(path, "rb").read(), 8, dict(package)
    if data[:8] != MAGIC:
        raise SystemExit(f"{path} holds no tuning")
    while at < len(data):
        (length,) = struct.unpack_from("<H", data, at)
        name = data[at + 2 : at + 2 + length].decode()
        rows, columns = struct.unpack_from("<II", data, at + 2 + length)
        at += 10 + length
        kept = np.frombuffer(data, [("scale", "<f4"), ("steps", "i1", columns)], rows, at)
        tuned[name] = package[name] + (kept["scale"][:, None] * kept["steps"]).reshape(package[name].shape)
        at += rows * (4 + columns)
    return tuned


def write_tuning(path, package, kept, tuned):
    """What moved, a byte a weight."""
    moved = {}
    for ours, name, shape in _layout():
        new = np.asarray(tuned[ours], np.float32)
        old = package[name]
        # Every layout is its own inverse but for an axis of length one that it drops.
        moved[name] = (shape(new).reshape(old.shape) if new.ndim > 1 else new) - old
    for part, new in (("weight", np.asarray(tuned["head.w"]).T[:, :, None]), ("bias", np.asarray(tuned["head.b"]))):
        moved[f"{HEAD}.{part}"] = np.zeros_like(package[f"{HEAD}.{part}"])
        moved[f"{HEAD}.{part}"][kept] = new - package[f"{HEAD}.{part}"][kept]
    out = MAGIC
    for name in sorted(moved):
        rows = moved[name].reshape(len(moved[name]) if moved[name].ndim > 1 else 1, -1)
        scale = (np.abs(rows).max(1) / 127).astype("<f4")
        steps = np.round(rows / np.maximum(scale, 1e-30)[:, None]).astype(np.int8)
        out += struct.pack("<H", len(name)) + name.encode() + struct.pack("<II", *rows.shape)
        out += b"".join(s.tobytes() + r.tobytes() for s, r in zip(scale, steps))
    with open(path, "wb") as f:
        f.write(out)
