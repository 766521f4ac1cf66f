"""Kokoro-82M (Apache-2.0) in batches on a GPU, from the weights that kokoro_weights.py packed.

    model, styles = Kokoro(folder), Styles(folder)
    ids = [model.ids(phonemes) for phonemes in sentences]    # 1 to LONGEST numbers each
    shown = numpy.stack([styles.draw(len(i), rng) for i in ids])
    waves = model.clips(ids, shown, speeds, rates)           # 500 to 1000 sentences a call: they are sorted and batched inside

Padding never enters: every convolution reads zeros behind a sentence's end, norms over time count its own frames only.
The decoder's arrays are [sentences, channels, 1, frames], channels last, which tensor cores like best.
"""

import json
import math
import pathlib

import numpy as np
import torch
import torch.nn.functional as F

ALBERT = "bert.encoder.albert_layer_groups.0.albert_layers.0."
RATE, OUT = 24000, 16000
LONGEST = 131  # phonemes that the styles have rows for

try:
    import triton
    import triton.language as tl

    @triton.jit
    def _bend_kernel(
        x, out, scale, shift, alpha, length, frames, channels: tl.constexpr, rows: tl.constexpr, snake: tl.constexpr, leak
    ):
        """out = bent(x * scale + shift), zero behind the sentence's end."""
        b, t = tl.program_id(1), tl.program_id(0) * rows + tl.arange(0, rows)
        c = tl.arange(0, channels)
        end = tl.load(length + b)
        inside = (t < end)[:, None]
        at = (b.to(tl.int64) * frames + t)[:, None] * channels + c[None, :]
        y = tl.load(x + at, mask=inside, other=0.0).to(tl.float32)
        y = y * tl.load(scale + b * channels + c)[None, :] + tl.load(shift + b * channels + c)[None, :]
        if snake:
            a = tl.load(alpha + c)[None, :]
            wave = tl.sin(a * y)
            y = y + wave * wave / a
        else:
            y = tl.where(y > 0, y, y * leak)
        tl.store(out + at, tl.where(inside, y, 0.0).to(out.dtype.element_ty), mask=(t < frames)[:, None])
except ImportError:
    triton = None


def _load(folder):
    w, raw = {}, dict(np.load(pathlib.Path(folder) / "kokoro.npz"))
    for name, a in raw.items():
        if name.endswith(".q"):
            base = name[:-2]
            scale = raw[base + ".scale"]
            if scale.shape == (2,) and a.ndim == 3:  # an LSTM's two directions
                scale = scale[:, None, None]
            w[base] = (a.astype(np.float32) - np.float32(raw[base + ".zero"])) * scale
            if name.endswith("weight.q") and a.dtype == np.int8 and not base.split(".")[-2].endswith(("embedding", "embeddings")):
                w[base] = np.ascontiguousarray(w[base].T)
        elif not name.endswith((".scale", ".zero")):
            w[name] = a.astype(np.float32)
    return {name: torch.from_numpy(np.ascontiguousarray(a)) for name, a in w.items()}


class Kokoro:
    def __init__(self, folder):
        self.device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
        self.half = torch.float16 if self.device.type == "cuda" else torch.float32  # type of the decoder's arrays
        self.budget = 14000  # frames of 25 ms in one batch of the decoder
        self.vocab = json.loads((pathlib.Path(folder) / "vocab.json").read_text())
        w = _load(folder)
        self.w = {}
        for name, a in w.items():
            kind = torch.float32
            if (
                name.startswith("decoder.")
                and ".fc." not in name
                and a.ndim == 3
                and not name.endswith(("F0_conv.weight", "N_conv.weight", "inverse_basis"))
                and "alpha" not in name
            ):
                kind = self.half
                if ".ups." not in name and ".pool." not in name:
                    a = F.pad(a, (0, 0, 0, -a.shape[1] % 8))  # tensor cores take channels by eights
                a = a[:, :, None, :].to(self.device, kind).contiguous(memory_format=torch.channels_last)
            elif (
                name.startswith("decoder.")
                and name.endswith(".bias")
                and ".fc." not in name
                and not name.startswith(("decoder.F0", "decoder.N_", "decoder.generator.m_source"))
            ):
                kind = self.half
            self.w[name] = a.to(self.device, kind)
        # conv_post decides amplitudes through exp: it and what comes after are exact
        self.w["decoder.generator.conv_post.bias"] = w["decoder.generator.conv_post.bias"].to(self.device)
        self.alpha = {name: a.reshape(-1).contiguous() for name, a in self.w.items() if "alpha" in name}
        self.lstms = {name[:-3]: self._lstm(name[:-3]) for name in w if name.endswith(".ih")}
        styled = [name[:-10] for name in w if name.endswith(".fc.weight") and name.startswith(("decoder", "predictor"))]
        # all that hangs on the style in two multiplications
        self.styled = {}
        for part in "decoder", "predictor":
            names = [name for name in styled if name.startswith(part)]
            cuts = np.cumsum([0] + [len(self.w[n + ".fc.bias"]) for n in names])
            self.styled[part] = (
                torch.cat([self.w[n + ".fc.weight"] for n in names]),
                torch.cat([self.w[n + ".fc.bias"] for n in names]),
                {n: (int(a), int(b)) for n, a, b in zip(names, cuts, cuts[1:])},
            )
        self.fused = bool(triton) and self.device.type == "cuda" and self._fused_works()

    def _lstm(self, name):
        def order(a):  # from i o f c
            return torch.cat([a[..., k * 256 : k * 256 + 256] for k in (0, 2, 3, 1)], -1)

        ih, hh, b = (self.w[f"{name}.{part}"] for part in ("ih", "hh", "b"))
        lstm = torch.nn.LSTM(ih.shape[1], 256, 1, batch_first=True, bidirectional=True)
        with torch.no_grad():
            for k, end in enumerate(("", "_reverse")):
                getattr(lstm, "weight_ih_l0" + end).copy_(order(ih[k]).T)
                getattr(lstm, "weight_hh_l0" + end).copy_(order(hh[k]).T)
                getattr(lstm, "bias_ih_l0" + end).copy_(order(b[k, :1024]))
                getattr(lstm, "bias_hh_l0" + end).copy_(order(b[k, 1024:]))
        return lstm.to(self.device).eval().requires_grad_(False)

    def _run_lstm(self, name, x, lengths):
        packed = torch.nn.utils.rnn.pack_padded_sequence(x, lengths, batch_first=True, enforce_sorted=False)
        return torch.nn.utils.rnn.pad_packed_sequence(self.lstms[name](packed)[0], batch_first=True, total_length=x.shape[1])[0]

    def _linear(self, name, x):
        return F.linear(x, self.w[name + ".weight"], self.w[name + ".bias"])

    def _styles(self, part, s):
        weight, bias, at = self.styled[part]
        h = F.linear(s, weight, bias)
        return {name: h[:, a:b].chunk(2, 1) for name, (a, b) in at.items()}

    def _conv(self, name, x, dilation=1, stride=1, padding=None):
        w = self.w[name + ".weight"]
        bias = self.w.get(name + ".bias")
        if w.ndim == 3:
            w = w[:, :, None]
        if x.shape[1] < w.shape[1]:
            x = F.pad(x, (0, 0, 0, 0, 0, w.shape[1] - x.shape[1])).contiguous(memory_format=torch.channels_last)
        if padding is None:
            padding = (w.shape[-1] * dilation - dilation) // 2
        return F.conv2d(x, w, None if bias is None else bias.to(w.dtype), (1, stride), (0, padding), (1, dilation))

    def _ups(self, name, x, stride, padding):
        w = self.w[name + ".weight"]
        return F.conv_transpose2d(x, w, self.w[name + ".bias"].to(w.dtype), (1, stride), (0, padding))

    def _bend(self, x, mask, n, style, alpha=None, leak=0.2):
        """Adaptive instance norm of what is zero outside the mask, and what comes after it: snake, or a leaky ramp."""
        gamma, beta = style
        mean = x.sum((2, 3), dtype=torch.float32) / n[:, None]
        if x.dtype == torch.float32:
            var = ((x - mean[:, :, None, None]) * mask).square().sum((2, 3)) / n[:, None]
        else:
            var = torch.linalg.vector_norm(x, 2, (2, 3), dtype=torch.float32).square() / n[:, None] - mean.square()
        scale = (1 + gamma) * torch.rsqrt(var.clamp_min(0) + 1e-5)
        shift = beta - mean * scale
        if self.fused and x.shape[1] in (128, 256, 512, 1024):
            return self._bend_fused(x, n, scale, shift, alpha, leak)
        y = torch.addcmul(shift.to(x.dtype)[:, :, None, None], x, scale.to(x.dtype)[:, :, None, None])
        if alpha is None:
            y = F.leaky_relu(y, leak)
        else:
            a = alpha.to(x.dtype)[None, :, None, None]
            y = torch.addcmul(y, torch.sin(y * a).square(), 1 / a)
        return y * mask

    def _bend_fused(self, x, n, scale, shift, alpha, leak):
        b, c, _, t = x.shape
        x = x.contiguous(memory_format=torch.channels_last)
        out = torch.empty_like(x)
        rows = max(1, 4096 // c)
        snake = alpha is not None
        _bend_kernel[(triton.cdiv(t, rows), b)](
            x, out, scale.contiguous(), shift.contiguous(), alpha if snake else scale, n.to(torch.int32), t, c, rows, snake, leak
        )
        return out

    def _fused_works(self):
        try:
            self.fused = True
            x = torch.randn(2, 128, 1, 50, device=self.device).contiguous(memory_format=torch.channels_last)
            n = torch.tensor([50.0, 33.0], device=self.device)
            mask = (torch.arange(50, device=self.device) < n[:, None])[:, None, None]
            style = torch.randn(2, 128, device=self.device), torch.randn(2, 128, device=self.device)
            x, alpha, told = x * mask, torch.rand(128, device=self.device) + 0.5, []
            for self.fused in True, False:
                told += [self._bend(x, mask, n, style, alpha), self._bend(x, mask, n, style)]
            works = all(torch.allclose(a, b, atol=1e-4) for a, b in zip(told[:2], told[2:]))
            if not works:
                print("kokoro: the fused kernel differs; not used", flush=True)
            return works
        except Exception as error:
            print("kokoro: no fused kernel:", repr(error)[:200], flush=True)
            return False

    def _block(self, name, x, mask, n, styles, up=False, wide=None):
        """AdainResBlk1d. With `up`, `wide` is the mask of twice as many frames."""
        y = self._bend(x, mask, n, styles[name + ".norm1"])
        if up:
            w, after = (
                self.w[name + ".pool.weight"].reshape(x.shape[1], 3).to(x.dtype)[None, :, None, None],
                F.pad(y, (0, 1))[..., 1:],
            )
            bias = self.w[name + ".pool.bias"].to(x.dtype)[None, :, None, None]
            # a transposed convolution channel by channel, stride 2
            y = torch.stack([y * w[..., 1] + bias, y * w[..., 2] + after * w[..., 0] + bias], 4).flatten(3)
            y = y.contiguous(memory_format=torch.channels_last)
            x, mask, n = x.repeat_interleave(2, 3), wide, n * 2
            y = y * mask
        y = self._conv(name + ".conv1", y) * mask
        y = self._bend(y, mask, n, styles[name + ".norm2"])
        y = self._conv(name + ".conv2", y)
        if name + ".conv1x1.weight" in self.w:
            x = self._conv(name + ".conv1x1", x)
        return (x + y) * (mask * math.sqrt(0.5))

    def _res(self, name, x, mask, n, styles):
        """AdaINResBlock1."""
        for k, d in enumerate((1, 3, 5)):
            y = self._bend(x, mask, n, styles[f"{name}.adain1.{k}"], self.alpha[f"{name}.alpha1.{k}"])
            y = self._conv(f"{name}.convs1.{k}", y, d) * mask
            y = self._bend(y, mask, n, styles[f"{name}.adain2.{k}"], self.alpha[f"{name}.alpha2.{k}"])
            x = torch.addcmul(x, self._conv(f"{name}.convs2.{k}", y), mask)
        return x

    def _albert(self, ids, real):
        w = self.w
        b, t = ids.shape

        def norm(name, x):
            return F.layer_norm(x, x.shape[-1:], w[name + ".weight"], w[name + ".bias"], 1e-12)

        x = (
            w["bert.embeddings.word_embeddings.weight"][ids]
            + w["bert.embeddings.token_type_embeddings.weight"][0]
            + w["bert.embeddings.position_embeddings.weight"][:t]
        )
        x = self._linear("bert.encoder.embedding_hidden_mapping_in", norm("bert.embeddings.LayerNorm", x))
        for _ in range(12):
            q, k, v = (
                self._linear(f"{ALBERT}attention.{part}", x).view(b, t, 12, 64).transpose(1, 2)
                for part in ("query", "key", "value")
            )
            y = F.scaled_dot_product_attention(q, k, v, attn_mask=real[:, None, None])
            x = norm(
                ALBERT + "attention.LayerNorm", x + self._linear(ALBERT + "attention.dense", y.transpose(1, 2).reshape(b, t, 768))
            )
            y = self._linear(ALBERT + "ffn_output", F.gelu(self._linear(ALBERT + "ffn", x), approximate="tanh"))
            x = norm(ALBERT + "full_layer_layer_norm", x + y)
        return self._linear("bert_encoder", x)

    def _text(self, ids, real, lengths):
        """TextEncoder."""
        x = self.w["text_encoder.embedding.weight"][ids] * real[:, :, None]
        for k in range(3):
            x = self._conv(f"text_encoder.cnn.{k}.0", x.transpose(1, 2)[:, :, None])[:, :, 0].transpose(1, 2)
            x = F.layer_norm(x, (512,), self.w[f"text_encoder.cnn.{k}.1.gamma"], self.w[f"text_encoder.cnn.{k}.1.beta"], 1e-5)
            x = F.leaky_relu(x, 0.2) * real[:, :, None]
        return self._run_lstm("text_encoder.lstm", x, lengths)

    def encode(self, ids, styles, speeds):
        """ids: lists without the zeros at both ends. (what the decoder reads of each sound, frames of each sound)."""
        lengths = torch.tensor([len(s) + 2 for s in ids])
        tokens = torch.zeros(len(ids), int(lengths.max()), dtype=torch.long)
        for k, s in enumerate(ids):
            tokens[k, 1 : len(s) + 1] = torch.as_tensor(s)
        tokens = tokens.to(self.device)
        real = torch.arange(tokens.shape[1], device=self.device) < lengths.to(self.device)[:, None]
        manner = styles[:, 128:]
        told = self._styles("predictor", manner)
        wide = manner[:, None].expand(-1, tokens.shape[1], -1)
        x = torch.cat([self._albert(tokens, real), wide], 2) * real[:, :, None]
        for k in 0, 2, 4:
            x = self._run_lstm(f"predictor.text_encoder.lstms.{k}", x, lengths)
            gamma, beta = told[f"predictor.text_encoder.lstms.{k + 1}"]
            x = (1 + gamma[:, None]) * F.layer_norm(x, (512,), eps=1e-5) + beta[:, None]
            x = torch.cat([x, wide], 2) * real[:, :, None]
        y = self._run_lstm("predictor.lstm", x, lengths)
        y = torch.sigmoid(self._linear("predictor.duration_proj.linear_layer", y)).sum(2) / speeds[:, None]
        times = torch.round(y).clamp_min(1).long() * real
        return torch.cat([x, self._text(tokens, real, lengths)], 2), times

    def decode(self, sounds, times, styles):
        """Waves at 24 kHz, padded, and their lengths. As many frames are computed as the longest has, a few more at most."""
        total = times.sum(1)
        lengths = total.cpu()
        t = -(-int(lengths.max()) // 8) * 8
        frame = torch.arange(t, device=self.device)
        at = torch.searchsorted(times.cumsum(1), frame.expand(len(times), t).contiguous(), right=True).clamp_max(
            times.shape[1] - 1
        )
        real = frame < total[:, None]
        x = sounds.gather(1, at[:, :, None].expand(-1, -1, sounds.shape[2])) * real[:, :, None]

        def masks(n, width):
            return (torch.arange(width, device=self.device) < n[:, None])[:, None, None], n.float()

        (m1, n1), (m2, n2) = masks(total, t), masks(total * 2, t * 2)

        told = self._styles("predictor", styles[:, 128:])
        en, asr = x[:, :, :640], x[:, :, 640:]
        shared = self._run_lstm("predictor.shared", en, lengths).transpose(1, 2)[:, :, None]
        curves = []
        fused, self.fused = self.fused, False
        for part in "F0", "N":
            y = self._block(f"predictor.{part}.0", shared, m1, n1, told)
            y = self._block(f"predictor.{part}.1", y, m1, n1, told, True, m2)
            y = self._block(f"predictor.{part}.2", y, m2, n2, told)
            curves.append(self._conv(f"predictor.{part}_proj", y) * m2)
        self.fused = fused
        told = self._styles("decoder", styles[:, :128])
        f0, n = (self._conv(f"decoder.{part}_conv", y, stride=2, padding=1) * m1 for part, y in zip(("F0", "N"), curves))
        last = torch.channels_last
        asr = asr.transpose(1, 2)[:, :, None].to(self.half).contiguous(memory_format=last)
        extra = torch.cat([self._conv("decoder.asr_res.0", asr) * m1, f0.to(self.half), n.to(self.half)], 1)
        h1, h2 = m1.to(self.half), m2.to(self.half)
        x = self._block("decoder.encode", torch.cat([asr, extra[:, 64:]], 1).contiguous(memory_format=last), h1, n1, told)
        for k in range(4):
            x = torch.cat([x, extra], 1).contiguous(memory_format=last)
            x = self._block(f"decoder.decode.{k}", x, h1, n1, told, k == 3, h2)
        return self._generate(x, curves[0][:, 0, 0], total, told), total * 600

    def _source(self, f0, total):
        """Voice's harmonics, sample by sample."""
        b, t = f0.shape
        real = torch.arange(t, device=self.device) < 2 * total[:, None]
        f0 = f0 * real
        cycles = (f0[:, :, None] * torch.arange(1, 10, device=self.device) / RATE) % 1
        steps = cycles * (2 * math.pi * 300)
        before = torch.cumsum(cycles.double() * 300, 1)
        before = ((before % 1) * (2 * math.pi)).float()
        # Between the middles of two frames of 300 samples the phase goes evenly; it stands still at both ends.
        start = torch.cat([before[:, :1], before], 1)
        step = torch.cat([torch.zeros_like(steps[:, :1]), steps[:, 1:], torch.zeros_like(steps[:, :1])], 1)
        part = (torch.arange(300, device=self.device) + 0.5) / 300
        phase = (start[:, :, None] + part[:, None] * step[:, :, None]).reshape(b, -1, 9)[:, 150:-150]
        voiced = (f0 > 10).float().repeat_interleave(300, 1)[:, :, None]
        wave = torch.sin(phase) * (voiced * 0.1)
        return torch.tanh(self._linear("decoder.generator.m_source.l_linear", wave))[:, :, 0]

    def _spectrum(self, wave, n):
        """Amplitudes and phases of 20 samples, 5 apart; the ends are mirrored."""
        at = torch.arange(-10, wave.shape[1] + 10, device=self.device).abs().expand(len(wave), -1)
        at = torch.where(at < n[:, None], at, 2 * (n[:, None] - 1) - at).clamp(0)
        wave = wave.gather(1, at)
        k, i = torch.arange(11, device=self.device)[:, None], torch.arange(20, device=self.device)
        window = torch.hann_window(20, device=self.device)
        angle = 2 * math.pi * ((k * i) % 20) / 20
        frames = wave.unfold(1, 20, 5)
        with torch.autocast(self.device.type, enabled=False):
            real, imag = frames @ (torch.cos(angle) * window).T, frames @ (-torch.sin(angle) * window).T
        phase = torch.where((imag == 0) & (real < 0), math.pi, torch.atan2(imag, real))
        return torch.cat([torch.sqrt(real.square() + imag.square()), phase], 2).transpose(1, 2)[:, :, None]

    def _generate(self, x, f0, total, told):
        g = "decoder.generator."
        har = self._spectrum(self._source(f0, total), total * 600)
        har = har.contiguous(memory_format=torch.channels_last)
        width = x.shape[3]
        masks = []
        for n, t in ((total * 20, width * 10), (total * 120 + 1, width * 60 + 1)):
            masks.append(((torch.arange(t, device=self.device) < n[:, None])[:, None, None].to(self.half), n.float()))
        har = (har * masks[1][0]).to(self.half)
        for k, (stride, padding) in enumerate(((10, 5), (6, 3))):
            mask, n = masks[k]
            y = self._conv(f"{g}noise_convs.{k}", har, stride=6, padding=3) if k == 0 else self._conv(f"{g}noise_convs.1", har)
            y = self._res(f"{g}noise_res.{k}", y * mask, mask, n, told)
            x = self._ups(f"{g}ups.{k}", F.leaky_relu(x, 0.1), stride, padding)
            if k:
                x = torch.cat([x[..., 1:2], x], 3).contiguous(memory_format=torch.channels_last)
            x = torch.addcmul(y, x, mask)
            x = sum(self._res(f"{g}resblocks.{3 * k + j}", x, mask, n, told) for j in range(3)) / 3
        x = F.leaky_relu(x, 0.01)
        y = self._conv(g + "conv_post", x).float()[:, :, 0]
        loud, phase = torch.exp(y[:, :11]), torch.sin(y[:, 11:])
        y = torch.cat([loud * torch.cos(phase), loud * torch.sin(phase)], 1) * masks[1][0][:, :, 0]
        return F.conv_transpose1d(y, self.w[g + "inverse_basis"], stride=5)[:, 0, 10:-10] * 4

    def _batches(self, ids, styles, speeds, many=768):
        """(places in the list, padded waves, lengths) until all is said."""
        styles = torch.as_tensor(np.asarray(styles), dtype=torch.float32)
        speeds = torch.as_tensor(np.asarray(speeds), dtype=torch.float32)
        order = sorted(range(len(ids)), key=lambda k: len(ids[k]))
        for first in range(0, len(order), many):
            group = order[first : first + many]
            style = styles[group].to(self.device)
            sounds, times = self.encode([ids[k] for k in group], style, speeds[group].to(self.device))
            frames = times.sum(1).cpu()
            by_length = torch.argsort(frames).tolist()
            while by_length:
                size = max(1, self.budget // int(frames[by_length[-1]]))
                some, by_length = by_length[-size:], by_length[:-size]
                at = torch.tensor(some, device=self.device)
                yield [group[k] for k in some], *self.decode(sounds[at], times[at], style[at])

    @torch.inference_mode()
    def clips(self, ids, styles, speeds, rates, loudness=0.1):
        """int16 arrays at 16 kHz: each as if the sound had been at `rates` Hz, cut and made as loud as `fitted` of
        tests/synth/voices.py does, times `loudness`. None where nothing can be heard."""
        rates = torch.as_tensor(np.asarray(rates), dtype=torch.float32)
        said = [None] * len(ids)
        for places, waves, lengths in self._batches(ids, styles, speeds):
            waves, lengths = resampled(waves, lengths, rates[places].to(self.device))
            waves, lengths = fitted(waves, lengths)
            waves = ((waves * loudness).clamp(-1, 1) * 32767).nan_to_num(0).to(torch.int16).cpu().numpy()
            for place, wave, n in zip(places, waves, lengths.tolist()):
                said[place] = wave[:n].copy() if n > 0 else None
        return said

    def ids(self, phonemes):
        return [self.vocab[letter] for letter in phonemes if letter in self.vocab]


def resampled(x, lengths, rates):
    """16 kHz of what is at `rates` Hz; the filter is that of scipy's resample_poly."""
    ratio = (rates.double() / OUT)[:, None]
    out = torch.ceil(lengths / ratio[:, 0] - 1e-6).long()
    n = torch.arange(int(out.max()), device=x.device)
    place = n * ratio
    whole = place.floor()
    part = (place - whole).float()
    whole = whole.long()
    cut = (1 / ratio).clamp(max=1).float()
    reach = 10 / cut
    taps = int(math.ceil(float(reach.max())))
    x = x * (torch.arange(x.shape[1], device=x.device) < lengths[:, None])
    x = F.pad(x, (taps + 1, taps + 2))
    y, most = torch.zeros_like(part), x.shape[1] - 1
    base = torch.special.i0(torch.tensor(5.0, device=x.device))
    for k in range(-taps, taps + 2):
        t = k - part
        inside = (1 - (t / reach).square()).clamp(0)
        h = cut * torch.sinc(cut * t) * torch.special.i0(5 * inside.sqrt()) / base * (inside > 0)
        y += h * x.gather(1, (whole + (k + taps + 1)).clamp(max=most))
    return y * (n < out[:, None]), out


def fitted(x, lengths):
    """Cut to the speech and of loudness 1 (`trim` and `loudness` of tests/synth/voices.py). Padded, and the lengths."""
    b, t = x.shape
    place = torch.arange(t, device=x.device)
    power = F.avg_pool1d(x.square()[:, None].double(), 160, 16)[:, 0]
    inside = torch.arange(power.shape[1], device=x.device) * 16 + 160 <= lengths[:, None]
    power = power.masked_fill(~inside, -1)
    loud = (power >= power.amax(1, True) * 1e-4) & inside
    lasting = F.avg_pool1d(loud.float()[:, None], 25, 1)[:, 0] > 0.99
    first = lasting.float().argmax(1) * 16
    above = (x.abs() >= x.abs().amax(1, True) * 0.01) & (place < lengths[:, None])
    start = (above & (place >= first[:, None])).float().argmax(1)
    end = torch.where(above, place, -1).amax(1) + 1
    n = (end - start).clamp_min(0)
    y = x.gather(1, (start[:, None] + place).clamp(max=t - 1)) * (place < n[:, None])
    frames = F.pad(y, (0, -t % 320)).view(b, -1, 320).square().mean(2)
    k = torch.arange(frames.shape[1], device=x.device)
    frames = frames * ((k * 320 < n[:, None] - 320) | (k == 0))
    counted = frames > frames.amax(1, True) / 1000
    level = ((frames * counted).sum(1) / counted.sum(1)).sqrt()
    n = torch.where(torch.isfinite(level) & (level > 0), n, 0)
    return y / level[:, None].clamp_min(1e-12), n


class Styles:
    """Of all talkers but those kept back, or of mixtures of three of them."""

    ENGLISH = ("af", "am", "bf", "bm")
    MIXED = 0.5

    def __init__(self, folder):
        kept = np.load(pathlib.Path(folder) / "styles.npz")
        all_ = {name: kept[name].astype(np.float32) for name in kept.files}
        self.names = list(all_)
        self.stack = np.stack(list(all_.values()))
        self.hindi = [k for k, name in enumerate(self.names) if name.startswith("h")]
        self.english = [k for k, name in enumerate(self.names) if name.startswith(self.ENGLISH)]

    def draw(self, length, rng):
        """[256] for a sentence of so many phonemes; rng: numpy's Generator."""
        row = min(length, self.stack.shape[1]) - 1
        style = self.stack[rng.choice(self.english), row]
        if rng.random() < self.MIXED:
            style = np.concatenate([self.mixed(range(len(self.names)), row, rng)[:128], self.mixed(self.english, row, rng)[128:]])
        return style

    def mixed(self, of, row, rng):
        some = rng.choice(np.asarray(of), 3, replace=False)
        return (rng.dirichlet([0.7] * 3) @ self.stack[some, row]).astype(np.float32)
