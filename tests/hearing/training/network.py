"""Whisper's encoder with a phone head.

In: mel features [clips × frames of 10 ms × 80]. Out: scores [clips × frames / 2 × 41 classes], log-probabilities of PHONES, of
the boundary between words, and of CTC's blank. `power` and `Whisper.features` make the features as Whisper has them.
"""

import numpy as np
import torch
import torch.nn as nn
import torch.nn.functional as F

PHONES = "AA AE AH AO AW AY B CH D DH EH ER EY F G HH IH IY JH K L M N NG OW OY P R S SH T TH UH UW V W Y Z ZH".split()
CLASSES, BOUNDARY, BLANK = 41, 39, 40


class Block(nn.Module):
    def __init__(self, d, heads):
        super().__init__()
        self.heads, self.norm1, self.norm2 = heads, nn.LayerNorm(d), nn.LayerNorm(d)
        self.qkv, self.out, self.up, self.down = nn.Linear(d, 3 * d), nn.Linear(d, d), nn.Linear(d, 4 * d), nn.Linear(4 * d, d)

    def forward(self, x):
        b, t, d = x.shape
        q, k, v = (y.reshape(b, t, self.heads, d // self.heads).transpose(1, 2) for y in self.qkv(self.norm1(x)).chunk(3, -1))
        x = x + self.out(F.scaled_dot_product_attention(q, k, v).transpose(1, 2).reshape(b, t, d))
        return x + self.down(F.gelu(self.up(self.norm2(x))))


class Whisper(nn.Module):
    def __init__(self, d=512, heads=8, layers=6, mels=80):
        super().__init__()
        self.conv1, self.conv2 = nn.Conv1d(mels, d, 3, padding=1), nn.Conv1d(d, d, 3, stride=2, padding=1)
        self.blocks = nn.ModuleList(Block(d, heads) for _ in range(layers))
        self.norm, self.head = nn.LayerNorm(d), nn.Linear(d, CLASSES)
        self.register_buffer("places", places(1500, d), persistent=False)
        nn.init.normal_(self.head.weight, std=0.02)
        nn.init.zeros_(self.head.bias)

    def features(self, power, bank, louder=0.0):
        """`louder`: how much louder, in powers of ten, something else in the window is taken to be than what is there."""
        x = torch.log10(torch.clamp(power @ bank, min=1e-10))
        x = torch.maximum(x, x.amax((1, 2), keepdim=True) + louder - 8.0)
        return (x + 4) / 4

    def logits(self, x):
        x = F.gelu(self.conv1(x.transpose(1, 2)))
        x = F.gelu(self.conv2(x)).transpose(1, 2)
        x = x + self.places[: x.shape[1]]
        for block in self.blocks:
            x = block(x)
        return self.head(self.norm(x))

    def forward(self, x):
        return self.logits(x).float().log_softmax(-1)


def places(count=1500, d=512):
    """Whisper's positions: sines and cosines."""
    pace = torch.exp(-np.log(10000) / (d // 2 - 1) * torch.arange(d // 2))
    at = torch.arange(count)[:, None] * pace[None]
    return torch.cat([at.sin(), at.cos()], 1)


def mel_bank(rate=16000, n=400, mels=80, dtype=np.float32):
    """Slaney's mel bank, as Whisper's."""

    def to(f):
        return np.where(f < 1000, f * 3 / 200, 15 + np.log(np.maximum(f, 1e-9) / 1000) / (np.log(6.4) / 27))

    def back(m):
        return np.where(m < 15, m * 200 / 3, 1000 * np.exp((np.log(6.4) / 27) * (m - 15)))

    f, edges = np.linspace(0, rate / 2, n // 2 + 1), back(np.linspace(to(np.array(0.0)), to(np.array(rate / 2)), mels + 2))
    lower = (f[None] - edges[:-2, None]) / (edges[1:-1] - edges[:-2])[:, None]
    upper = (edges[2:, None] - f[None]) / (edges[2:] - edges[1:-1])[:, None]
    w = np.maximum(0, np.minimum(lower, upper)) * (2 / (edges[2:] - edges[:-2]))[:, None]
    return w.T.astype(dtype)


def warped(bank, factor):
    """The bank as it would see a throat whose formants stand higher by a factor: row f is taken from f / factor."""
    at = np.arange(201) * factor
    low = np.minimum(at.astype(int), 200)
    high, part = np.minimum(low + 1, 200), (at - np.floor(at))[:, None]
    return np.where((at <= 200)[:, None], bank[low] * (1 - part) + bank[high] * part, 0).astype(np.float32)


def power(wave, window):
    """[clips x samples] -> [clips x frames x 201]"""
    spectrum = torch.stft(wave, 400, 160, window=window, center=True, pad_mode="reflect", return_complex=True)
    return (spectrum.real**2 + spectrum.imag**2)[..., :-1].transpose(1, 2)
