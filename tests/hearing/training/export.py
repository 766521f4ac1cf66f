"""Turns trained weights into the file that ships.

usage: export.py WEIGHTS.pt MODEL.onnx
MODEL.onnx: input "mel" [1 × frames × 80], output "scores" [1 × frames / 2 × 41], weights in int8 with a scale a channel.
"""

import pathlib
import sys
import tempfile

import torch
from onnxruntime.quantization import QuantType, quantize_dynamic

HERE = pathlib.Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))
from network import Whisper  # noqa: E402


class Scores(torch.nn.Module):
    def __init__(self, model):
        super().__init__()
        self.model = model

    def forward(self, mel):
        return self.model.logits(mel).log_softmax(-1)


def main():
    model = Whisper().eval()
    model.load_state_dict({k: v.float() for k, v in torch.load(sys.argv[1], map_location="cpu").items()})
    with tempfile.NamedTemporaryFile(suffix=".onnx") as exact:
        torch.onnx.export(
            Scores(model),
            (torch.randn(1, 600, 80),),
            exact.name,
            input_names=["mel"],
            output_names=["scores"],
            dynamic_axes={"mel": {1: "t"}, "scores": {1: "u"}},
            opset_version=17,
            dynamo=False,
        )
        layers = ["MatMul", "Gemm"]
        quantize_dynamic(exact.name, sys.argv[2], weight_type=QuantType.QInt8, op_types_to_quantize=layers, per_channel=True)


if __name__ == "__main__":
    main()
