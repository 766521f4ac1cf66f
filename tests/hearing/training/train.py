"""Trains the acoustic model on one GPU.

usage: train.py WORK_DIR DATA_DIR START OUT_DIR [--minutes N]
WORK_DIR has texts.json.gz; DATA_DIR the clips, rooms, noises and cries, and may still be filled by say.py and say_kokoro.py;
START is a .pt file of whisper_weights.py or of an earlier run. All sound is put into rooms, noise and microphones on the
GPU, another way each time. The loss is CTC on the phones; from a quarter of the time on, also that the sentence wins against
one of its rivals; where nobody is to be heard, blanks. In the last tenth weights are rounded as export.py will round them.
Writes OUT_DIR/weights.pt every half minute: the mean over the last steps, in float16.
"""

import argparse
import os
import pathlib
import queue
import sys
import threading
import time

import numpy as np
import torch
import torch.nn.functional as F
import torchaudio

HERE = pathlib.Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))
import clips  # noqa: E402
from network import BLANK, BOUNDARY, PHONES, Whisper, mel_bank, power, warped  # noqa: E402

DEVICE = "cuda" if torch.cuda.is_available() else "cpu"
RATE, CRY_RATE = 16000, 8000
TAIL = 14400  # samples of a room's impulse response; as in noises.py
HUMS = 8  # the first of the noises; as in say.py
# How often each kind of clip is heard, however many there are.
SHARE = {"crowd": 0.45, "hibari": 0.20, "espeak": 0.13, "pico": 0.08, "joe": 0.04, "tube": 0.03, "people": 0.07}
POOL_HOURS = 110  # most that is kept, 2 bytes a sample in the GPU's memory
MOST, OTHERS = 110, 8  # phones of a sentence, its rivals
CLIPS = 1500  # enough to begin with
SECONDS = 640  # of sound in a step
AT_ONCE = 4  # steps whose sound is made together: making it takes many small orders to the GPU
WARM = 300  # steps until the learning rate is full
LEARN = 2e-4  # its most; half as much again for the head
RIVALS, MARGIN = 0.15, 3  # weight of the rivals in the loss, and by how many nats a sentence should win
ROUNDED = 0.9  # the part of the time after which weights are rounded

torch.backends.cuda.enable_cudnn_sdp(False)  # it plans anew for every length
torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = True
RANDOM = torch.Generator(DEVICE).manual_seed(int(time.time()))


def rand(*shape):
    return torch.rand(*shape, device=DEVICE, generator=RANDOM)


def randn(*shape):
    return torch.randn(*shape, device=DEVICE, generator=RANDOM)


def randint(high, *shape):
    return torch.randint(high, shape, device=DEVICE, generator=RANDOM)


def uniform(low, high, *shape):
    return low + (high - low) * rand(*shape)


def often(share, *shape):
    return rand(*shape) < share


def classes(work):
    """Of each sentence and of each of its rivals: phones and boundaries, and how many (0: none such)."""
    texts = clips.read_texts(work)
    number = {p: k for k, p in enumerate(PHONES)}
    words = [[BOUNDARY, *(number[p] for p in w[2].split())] for w in texts["words"]]
    count = len(texts["said"])
    rows, lens = np.zeros((count, 1 + OTHERS, MOST), np.int8), np.zeros((count, 1 + OTHERS), np.int16)
    for k, (said, rivals) in enumerate(zip(texts["said"], texts["rivals"], strict=True)):
        for j, (at, take, put) in enumerate([(0, 0, []), *rivals[:OTHERS]]):
            row = [c for w in said[:at] + put + said[at + take :] for c in words[w]][1:]
            if len(row) <= MOST:
                rows[k, j, : len(row)], lens[k, j] = row, len(row)
    return torch.tensor(rows, device=DEVICE), torch.tensor(lens, device=DEVICE).long()


class Pool:
    """All clips, one behind the other in the GPU's memory; shards that are written while it trains are taken up."""

    def __init__(self, data):
        self.sound = torch.zeros(POOL_HOURS * 3600 * RATE, dtype=torch.int16, device=DEVICE)
        self.used, self.parts, self.at = 0, [], None
        self.read = queue.Queue(8)
        threading.Thread(target=self._watch, args=(data,), daemon=True).start()

    def add(self, kind, wave, n, index):
        if self.used + len(wave) > len(self.sound):
            return
        self.sound[self.used : self.used + len(wave)] = torch.from_numpy(wave).to(DEVICE)
        begin = self.used + np.concatenate([[0], np.cumsum(n)[:-1]])
        self.parts.append(np.stack([begin, n, index.astype(np.int64), np.full(len(n), list(SHARE).index(kind))], 1))
        self.used += len(wave)

    def _watch(self, data):
        """Reads new shards as they come, beside the training."""
        seen = set()
        while True:
            for path in sorted(data.glob("*_*_*.npz")):
                if path.name not in seen and ".new" not in path.name:
                    seen.add(path.name)
                    d = np.load(path)
                    self.read.put((path.name.split("_")[0], d["wave"], d["n"].astype(np.int64), d["index"]))
            time.sleep(2)

    def more(self):
        """Takes up what was read."""
        new = 0
        while not self.read.empty() and new < 8:
            self.add(*self.read.get())
            new += 1
        if new and self.parts:
            table = np.concatenate(self.parts)
            self.at = torch.tensor(table, device=DEVICE)
            count = np.bincount(table[:, 3], minlength=len(SHARE))
            self.weight = torch.tensor(
                (np.array(list(SHARE.values())) / np.maximum(count, 1))[table[:, 3]], device=DEVICE, dtype=torch.float32
            )
            self.hours = {k: round(float(table[table[:, 3] == j, 1].sum()) / RATE / 3600, 2) for j, k in enumerate(SHARE)}
        return bool(new)

    def draw(self, count, low, high):
        """Places of clips that are between so many samples long."""
        return torch.multinomial(
            self.weight * ((self.at[:, 1] >= low) & (self.at[:, 1] < high)), count, replacement=True, generator=RANDOM
        )

    def gather(self, begin, length, n):
        """[clips x n] from places on, silent from `length` on."""
        ramp = torch.arange(n, device=DEVICE)
        x = self.sound[(begin[:, None] + ramp[None]).clamp(max=len(self.sound) - 1)].float() / 32768
        return x * (ramp[None] < length[:, None])


def level(x, dim=-1):
    return x / (x.pow(2).mean(dim, keepdim=True).sqrt() + 1e-6)


def fast(size):
    """The next size that is quick to transform."""
    while True:
        rest = size
        for p in (2, 3, 5):
            while rest % p == 0:
                rest //= p
        if rest == 1:
            return size
        size += 1


SIZES = {}


def filtered(x, *gains):
    """x through filters: functions of a size that give a spectrum, or None."""
    n = x.shape[-1]
    if n not in SIZES:
        SIZES[n] = fast((n + TAIL + 1) // 2) * 2
    size = SIZES[n]
    y = torch.fft.rfft(x, size)
    for gain in gains:
        y = y * gain(size)
    return torch.fft.irfft(y, size)[..., :n]


def octaves(size):
    """log2 of each bin's frequency in kHz."""
    return torch.log2(torch.fft.rfftfreq(size, 1 / RATE, device=DEVICE).clamp(20, 8000) / 1000)


def curve(knots, db):
    """A filter with so many dB at these kHz (a list), one row of `db` a clip."""
    k = torch.log2(torch.tensor(knots, device=DEVICE))

    def make(size):
        f = octaves(size)
        j = torch.searchsorted(k, f, right=True).clamp(1, len(knots) - 1)
        part = ((f - k[j - 1]) / (k[j] - k[j - 1])).clamp(0, 1)
        return 10 ** ((db[:, j - 1] * (1 - part) + db[:, j] * part) / 20)

    return make


def shelf(at, db, wide=0.25):
    """A filter that goes by so many dB above a frequency in kHz."""
    return lambda size: 10 ** (db[:, None] / 20 * torch.sigmoid((octaves(size)[None] - torch.log2(at)[:, None]) / wide))


def steep(at, side, on):
    """Nothing is left above (side 1) or below (-1) a frequency in kHz, where `on`."""
    return lambda size: 10 ** (-3 * on[:, None] * (side * (octaves(size)[None] - torch.log2(at)[:, None]) / 0.2).clamp(0, 1))


def slow(b, n, db, points=6):
    """A gain that wanders by so many dB."""
    x = F.interpolate(uniform(-1, 1, b, 1, points) * db[:, None, None], n, mode="linear", align_corners=True)[:, 0]
    return 10 ** (x / 20)


def whispered(x):
    """The same throat with breath in the place of voice."""
    window = torch.hann_window(512, device=DEVICE)
    spectrum = torch.stft(x, 512, 128, window=window, return_complex=True)
    cepstrum = torch.fft.irfft(torch.log(spectrum.abs() + 1e-5), dim=1)
    cepstrum[:, 28:-27] = 0
    throat = torch.exp(torch.fft.rfft(cepstrum, dim=1).real)
    breath = torch.complex(randn(*throat.shape), randn(*throat.shape))
    f = torch.linspace(0, 8, 257, device=DEVICE)[None, :, None]
    return torch.istft(throat * breath * (f / (f + 0.7)), 512, 128, window=window, length=x.shape[-1])


def shouted(x):
    """Flatter towards the high, and driven into the limits of the microphone."""
    b = len(x)
    db = torch.log2(torch.tensor([0.5, 1.0, 2.0, 4.0, 8.0], device=DEVICE) / 0.5)[None] * uniform(6, 12, b, 1)
    x = level(filtered(x, curve([0.5, 1, 2, 4, 8], db.clamp(max=22)))) * uniform(0.5, 2.5, b, 1)
    return torch.tanh(x)


PACES = [(4, 5), (21, 25), (7, 8), (9, 10), (14, 15), (1, 1), (1, 1), (16, 15), (10, 9), (8, 7), (6, 5)]


def placed(pool, idx, n, pace, lead):
    """Clips at a pace (up/down; pitch and throat move with it), each `lead` samples into n samples; and where each ends."""
    up, down = pace
    raw = int(n * down / up) + 8
    x = pool.gather(pool.at[idx, 0], pool.at[idx, 1], raw)
    if up != down:
        x = torchaudio.functional.resample(x, down, up, lowpass_filter_width=8)
    x = F.pad(x[:, :n], (0, max(0, n - x.shape[1])))
    length = (pool.at[idx, 1] * up) // down
    ramp = torch.arange(n, device=DEVICE)[None] - lead[:, None]
    return torch.gather(x, 1, ramp.clamp(0, n - 1)) * (ramp >= 0), lead + length


class Augment:
    """Puts clips into rooms, noise and microphones, all at once."""

    def __init__(self, pool, data):
        self.pool = pool
        rooms = np.load(data / "rooms.npy").astype(np.float32)
        late = np.argsort((rooms**2).sum(1))  # the direct sound is 1: the louder all of it, the farther the talker
        self.rooms = torch.tensor(rooms[late], device=DEVICE)
        made = torch.tensor(np.load(data / "noises.npy").astype(np.float32), device=DEVICE)
        self.made, n = len(made), made.shape[1]
        d = np.load(data / "cries.npz")
        recorded = [torch.tensor(x.astype(np.float32), device=DEVICE) for x in np.split(d["wave"], np.cumsum(d["n"])[:-1])]
        x = torch.cat([level(torchaudio.functional.resample(cry, CRY_RATE, RATE)) for cry in recorded])
        self.noises = torch.cat([made, x[: len(x) // n * n].reshape(-1, n)])

    def room(self, b):
        """One in three is far from its talker."""
        count = len(self.rooms)
        which = torch.where(often(0.2, b), count * 2 // 3 + randint(count - count * 2 // 3, b), randint(count, b))
        return self.rooms[which]

    def in_room(self, b):
        h = self.room(b)
        return lambda size: torch.fft.rfft(h, size)

    def colour(self, b):
        db = torch.cumsum(randn(b, 7) * 3, 1) * 0.6
        db = db - db[:, 3:4]
        cut = rand(b)
        db[:, 0] -= 30.0 * (cut < 0.15)
        db[:, 1] -= (cut < 0.15) * uniform(5, 20, b)
        db[:, -1] -= 40.0 * (cut > 0.88)
        db[:, -2] -= (cut > 0.88) * uniform(0, 25, b)
        return curve([0.02, 0.12, 0.3, 0.8, 2, 4, 8], db)

    def babble(self, b, n, many):
        """Two to eight talkers in two places of a room; where `many`, no fewer than four."""
        groups = []
        for _ in range(2):
            begin = randint(max(1, self.pool.used - n), b, 4)
            x = self.pool.gather(begin.reshape(-1), torch.full((b * 4,), n, device=DEVICE), n).reshape(b, 4, n)
            on = often(0.6, b, 4)
            on[:, 0] = True
            on[:, 1] |= many
            groups.append(filtered((x * (on * uniform(0.6, 1.4, b, 4))[..., None]).sum(1), self.in_room(b)))
        return level(groups[0] + groups[1])

    def cut(self, which, b, n):
        at = randint(self.noises.shape[1] - n, b)
        return level(self.noises[which[:, None], at[:, None] + torch.arange(n, device=DEVICE)[None]])

    def noise(self, b, n):
        """One in four is a recorded cry."""
        recorded = self.made + randint(len(self.noises) - self.made, b)
        which = torch.where(often(0.25, b), recorded, randint(self.made, b))
        return self.cut(which, b, n)

    def hum(self, b, n):
        return self.cut(randint(HUMS, b), b, n)

    def voice(self, x, loud):
        """Some whisper; where `loud` (places), they shout."""
        some = torch.randperm(len(x), device=DEVICE, generator=RANDOM)[: max(1, int(len(x) * 0.04))]
        x = x.clone()
        x[some] = whispered(x[some])
        x[loud] = shouted(x[loud])
        return x

    def channel(self, x):
        """Narrow bands, coarse steps, limits, gain that wanders."""
        b, n = x.shape
        kind = rand(b)
        narrow, dull = kind < 0.10, (kind > 0.10) & (kind < 0.17)
        low = torch.where(narrow, uniform(3.2, 3.6, b), uniform(3.8, 6, b))
        x = filtered(x, steep(low, 1, (narrow | dull).float()), steep(uniform(0.2, 0.35, b), -1, narrow.float()))
        loud = x.pow(2).mean(1, keepdim=True).sqrt() + 1e-6
        x = torch.where(often(0.15, b, 1), x * slow(b, n, uniform(2, 8, b)), x)
        most = loud * uniform(1.2, 4, b, 1)
        x = torch.where(often(0.06, b, 1), torch.minimum(torch.maximum(x, -most), most), x)
        top = x.abs().amax(1, keepdim=True) + 1e-6
        small = (x / top).sign() * torch.log1p(255 * (x / top).abs()) / np.log(256)
        small = (small * 127).round() / 127
        return torch.where(often(0.07, b, 1), top * small.sign() * ((small.abs() * np.log(256)).exp() - 1) / 255, x)

    def __call__(self, x, spoken, nothing, loud):
        """x [clips x n]; spoken, the same shape: where somebody speaks; `nothing`: what is said is not to be heard at all;
        `loud`: the clips that are shouted."""
        b, n = x.shape
        x = self.voice(x, loud)
        direct = often(0.2, b)[:, None]
        masked = often(0.12, b)
        h = self.room(b)
        only = torch.zeros_like(h)
        only[:, 0] = 1
        h = torch.where(direct, only, h)
        x = filtered(
            x,
            lambda size: torch.fft.rfft(h, size),
            self.colour(b),
            shelf(uniform(1.5, 2.5, b), -masked.float() * uniform(6, 20, b)),
        )
        x = x / ((x.pow(2) * spoken).sum(1) / spoken.sum(1).clamp(min=1)).sqrt().clamp(min=1e-5)[:, None]
        x = torch.where(often(0.1, b, 1), x * slow(b, n, uniform(2, 6, b), 4), x) * ~nothing[:, None]
        pick = rand(b)[:, None]
        pick = torch.where(nothing[:, None] & often(0.5, b, 1), pick * 0.5, pick)
        x = x + self.hum(b, n) * 10 ** (-uniform(10, 45, b, 1) / 20)
        x = x + self.babble(b, n, nothing) * 10 ** (-uniform(-2, 22, b, 1) / 20) * (pick < 0.45)
        x = x + self.noise(b, n) * 10 ** (-uniform(-5, 25, b, 1) / 20) * ((pick > 0.35) & (pick < 0.85))
        x = x + self.noise(b, n) * 10 ** (-uniform(3, 25, b, 1) / 20) * ((pick > 0.7) & (pick < 0.85))
        x = self.channel(x)
        x = x * 10 ** (uniform(-45, -12, b, 1) / 20) * torch.where(often(0.05, b, 1), 8.0, 1.0)
        x = x.clamp(-1, 1)
        x = torch.where(often(0.5, b, 1), (x * 32767).round() / 32767, x)
        return x + randn(b, n) * 1e-5


def joined(a, la, c, lc):
    """Two rows of classes with a boundary between them."""
    both = F.pad(a, (0, MOST + 1))
    both.scatter_(1, la[:, None], BOUNDARY)
    both.scatter_(1, la[:, None] + 1 + torch.arange(MOST, device=DEVICE)[None], c)
    return both, la + 1 + lc


# (most seconds of speech, whether another clip follows, seconds of the window, how often)
KINDS = [
    (1.5, False, 2.0, 1),
    (1.6, False, 2.4, 2),
    (2.6, False, 3.5, 4),
    (4.2, False, 5.2, 3),
    (2.4, True, 6.2, 3),
    (6.8, False, 8.0, 1),
    (3.3, True, 8.0, 1),
]
NOTHING, RAISED = 0.06, 0.06


def batch(pool, augment, rng, rows, lens):
    """Sound, classes and their number, those of a rival (0: none), whether nothing is said, which mel bank, kind of voice."""
    most, two, window, _ = KINDS[rng.choice(len(KINDS), p=np.array([k[3] for k in KINDS]) / sum(k[3] for k in KINDS))]
    n, c = int(window * RATE) // 320 * 320, max(1, int(SECONDS * AT_ONCE / window) // 4)
    parts = []

    def some(high, pace):
        idx = pool.draw(c, 0.3 * RATE, high)
        text = pool.at[idx, 2]
        which = 1 + (rand(c) * (lens[text, 1:] > 0).sum(1)).long()  # one of its rivals, if it has any
        return (
            idx,
            rows[text, 0].long(),
            lens[text, 0],
            rows[text, which.clamp(max=OTHERS)].long(),
            lens[text, which.clamp(max=OTHERS)],
        )

    for pace in [PACES[k] for k in rng.choice(len(PACES), 4)]:
        high = most * RATE / max(pace[0] / pace[1], 1)
        idx, to, n_to, other, n_other = some(high, pace)
        kind = pool.at[idx, 3]
        room = (n - 0.1 * RATE - pool.at[idx, 1] * pace[0] / pace[1]).clamp(min=0.06 * RATE)
        lead = torch.where(often(0.15, c) & (not two), rand(c) * room, uniform(0.05, 0.45, c) * RATE).long()
        x, end = placed(pool, idx, n, pace, lead)
        ramp = torch.arange(n, device=DEVICE)[None]
        spoken = (ramp >= lead[:, None]) & (ramp < end[:, None])
        if two:
            idx, to2, n_to2, other2, n_other2 = some(high, pace)
            lead2 = end + (uniform(0.08, 0.7, c) * RATE).long()
            y, end2 = placed(pool, idx, n, pace, lead2)
            x = x + y * uniform(0.5, 1.4, c, 1)
            spoken |= (ramp >= lead2[:, None]) & (ramp < end2[:, None])
            second = (often(0.5, c) | (n_other == 0)) & (n_other2 > 0)
            ra, la = torch.where(second[:, None], to, other), torch.where(second, n_to, n_other)
            rc, lc = torch.where(second[:, None], other2, to2), torch.where(second, n_other2, n_to2)
            other, sum_ = joined(ra, la, rc, lc)
            n_other = torch.where((la > 0) & (lc > 0), sum_, 0)
            known = (n_to > 0) & (n_to2 > 0)
            to, n_to = joined(to, n_to, to2, n_to2)
            n_to = torch.where(known, n_to, 0)
        else:
            to, other = F.pad(to, (0, MOST + 1)), F.pad(other, (0, MOST + 1))
        parts.append((x, spoken, to, n_to, other, n_other, kind))
    x, spoken, to, n_to, other, n_other, kind = (torch.cat(z) for z in zip(*parts, strict=True))
    b = len(x)
    nothing, loud = often(NOTHING, b), torch.randperm(b, device=DEVICE, generator=RANDOM)[: max(1, int(RAISED * b))]
    x = augment(x, spoken.float(), nothing, loud)
    bank = torch.where(often(0.5, b), torch.full((b,), 7, device=DEVICE), randint(15, b))
    bank[loud] = 7 + randint(6, len(loud))
    return x, to, torch.where(nothing, 0, n_to), other, torch.where(nothing, 0, n_other), nothing, bank, kind


def stretched(p, rng):
    """At times all is said slower or faster, with pitch and throat as they are."""
    if rng.random() < 0.6:
        return p
    frames = int(p.shape[1] * np.exp(rng.uniform(np.log(0.78), np.log(1.3)))) // 2 * 2
    return F.interpolate(p.transpose(1, 2), frames, mode="linear").transpose(1, 2)


def hidden(x):
    """Some bands and some short times are hidden."""
    b, t, m = x.shape
    band, time_ = torch.arange(m, device=DEVICE)[None], torch.arange(t, device=DEVICE)[None]
    gone = torch.zeros(b, t, m, dtype=torch.bool, device=DEVICE)
    for _ in range(2):
        low, width = uniform(0, m, b, 1), uniform(0, 12, b, 1)
        gone |= ((band >= low) & (band < low + width))[:, None]
        at, length = uniform(0, t, b, 1), uniform(0, 14, b, 1)
        gone |= ((time_ >= at) & (time_ < at + length))[:, :, None]
    return torch.where(gone, x.mean((1, 2), keepdim=True), x)


def heard_as(x, to, n_to, other, n_other, nothing, which, kind, m, window, banks, rng):
    """What is made together, as the model hears it, in AT_ONCE parts."""
    p = stretched(power(x, window), rng)
    louder = torch.where(often(0.3, len(x), 1, 1), uniform(0, 3, len(x), 1, 1), 0.0)
    f = hidden(m.features(p, banks[which], louder))
    order = torch.randperm(len(x), device=DEVICE, generator=RANDOM)
    order = order[: len(x) // AT_ONCE * AT_ONCE]
    told = torch.stack([n_to, n_other, nothing.long()])[:, order].cpu()
    parts, size = [], len(order) // AT_ONCE
    for k in range(AT_ONCE):
        some, mine = order[k * size : (k + 1) * size], told[:, k * size : (k + 1) * size]
        most = int(mine[:2].max()) + 1
        parts.append(
            (
                f[some],
                to[some, :most].contiguous(),
                mine[0],
                other[some, :most].contiguous(),
                mine[1],
                mine[2].bool(),
                kind[some],
                size * x.shape[1] / RATE,
            )
        )
    return parts


def bytes_only(w):
    """Weights as a byte each and a scale a row would have them."""
    scale = w.abs().amax(1, keepdim=True) / 127
    return (w / scale).round() * scale


class Means:
    """Losses averaged over the last steps, for the log."""

    def __init__(self):
        self.track, self.kinds = [], torch.zeros(2, len(SHARE), device=DEVICE)

    def add(self, each, many, kind, *others):
        sums = torch.stack([each, many])
        self.kinds *= 0.995
        self.kinds.scatter_add_(1, kind[None].expand(2, -1), sums)
        sums = sums.sum(1)
        self.track.append(torch.stack([sums[0] / sums[1].clamp(min=1), *others]).detach())
        self.track = self.track[-200:]

    def told(self):
        """Nats a phone, and a line for the log."""
        phone, silent, against, beaten = torch.stack(self.track).mean(0).tolist()
        kinds = (self.kinds[0] / self.kinds[1].clamp(min=1)).tolist()
        by_kind = ", ".join(f"{kind} {nats:.2f}" for kind, nats in zip(SHARE, kinds, strict=True))
        line = f"nats a phone {phone:.3f} ({by_kind}), a window of nothing {silent:.2f}; "
        return phone, line + f"rivals {against:.3f}, ahead in {100 * beaten:.1f} %"


def losses(scores, to, n_to, other, n_other, nothing, with_rivals):
    """CTC of each clip, what nothing costs, which clips count, and of rivals: the loss and how many are ahead."""
    t = scores.shape[1]
    frames, by_time = torch.full((len(scores),), t), scores.transpose(0, 1)
    # Lengths stay on this side: the GPU is never waited for.
    fits = (n_to > 0) & (n_to * 1.12 < t)
    pair = fits & (n_other > 0) & (n_other * 1.12 < t)

    def ctc(targets, length):
        return F.ctc_loss(by_time, targets, frames, length, blank=BLANK, reduction="none", zero_infinity=True)

    each = ctc(to, torch.where(fits, n_to, 1))
    quiet = -scores[:, :, BLANK].sum(1)
    counted = max(1, int((fits | nothing).sum()))
    fits, nothing, many = (z.to(DEVICE, non_blocking=True) for z in (fits.float(), nothing.float(), n_to.clamp(min=1).float()))
    plain = ((each / many * fits).sum() + (quiet * nothing).sum() / 10) / counted
    rivals = None
    if with_rivals:
        rival = ctc(other, torch.where(pair, n_other, 1))
        pair = pair.to(DEVICE, non_blocking=True) & (rival > 0) & (each > 0)
        ahead, pairs = rival - each, pair.sum().clamp(min=1)
        rivals = (F.softplus(MARGIN - ahead) * pair).sum() / pairs, ((ahead < 0) & pair).sum() / pairs
    silent = (quiet * nothing).sum() / nothing.sum().clamp(min=1)
    return plain, rivals, (each * fits, many * fits), silent


def save(mean, out):
    torch.save({k: v.half() for k, v in mean.items()}, out / "weights.new")
    os.replace(out / "weights.new", out / "weights.pt")


def train(work, data, start, out, minutes):
    pool, rng = Pool(data), np.random.default_rng(int(time.time()))
    rows, lens = classes(work)
    while not (pool.more() and pool.at is not None and len(pool.at) > CLIPS):
        time.sleep(1)
    augment, window = Augment(pool, data), torch.hann_window(400, device=DEVICE)
    model = Whisper().to(DEVICE)
    model.load_state_dict({k: v.float() for k, v in torch.load(start, map_location=DEVICE).items()})
    heads = [p for n, p in model.named_parameters() if n.startswith("head")]
    rest = [p for n, p in model.named_parameters() if not n.startswith("head")]
    linear = [p for p in model.parameters() if p.dim() == 2]
    groups = [{"params": rest, "most": LEARN}, {"params": heads, "most": 1.5 * LEARN}]
    opt = torch.optim.AdamW(groups, lr=0, betas=(0.9, 0.98), weight_decay=1e-3, fused=DEVICE != "cpu")
    bank = mel_bank()
    banks = torch.tensor(np.stack([warped(bank, f) for f in np.exp(np.linspace(-0.14, 0.14, 15))]), device=DEVICE)
    banks[7] = torch.tensor(bank, device=DEVICE)
    weights = model.state_dict()
    mean = {k: v.clone() for k, v in weights.items()}
    steps, heard, ready, means = 0, 0.0, [], Means()
    against = beaten = torch.zeros((), device=DEVICE)
    began = shown = took = saved = time.time()
    while (done := (time.time() - began) / (60 * minutes)) < 1:
        if time.time() - took > 6:
            pool.more()
            took = time.time()
        if not ready:
            with torch.no_grad():
                ready = heard_as(*batch(pool, augment, rng, rows, lens), model, window, banks, rng)
        f, to, n_to, other, n_other, nothing, kind, seconds = ready.pop()
        if done > ROUNDED:
            exact = [w.data.clone() for w in linear]
            for w in linear:
                w.data.copy_(bytes_only(w.data))
        with torch.autocast(DEVICE, torch.bfloat16, enabled=DEVICE != "cpu"):
            scores = model(f)
        share = RIVALS * min(1, max(0, (done - 0.25) / 0.1))
        wanted = share or steps % 100 == 0  # now and then for the log
        loss, rivals, counted, silent = losses(scores, to, n_to, other, n_other, nothing, wanted)
        if rivals:
            loss, against, beaten = loss + share * rivals[0], rivals[0].detach(), rivals[1]
        with torch.no_grad():
            means.add(*counted, kind, silent, against, beaten)
        for group in opt.param_groups:
            group["lr"] = group["most"] * min(1, (steps + 1) / WARM) * (0.02 + 0.98 * 0.5 * (1 + np.cos(np.pi * done)))
        opt.zero_grad(set_to_none=True)
        loss.backward()
        norm = torch.nn.utils.clip_grad_norm_(model.parameters(), 1.0)
        if done > ROUNDED:
            for w, v in zip(linear, exact, strict=True):
                w.data.copy_(v)
        if steps % 50 or torch.isfinite(norm):  # looked at now and then: looking costs time
            opt.step()
        with torch.no_grad():
            torch._foreach_lerp_(list(mean.values()), list(weights.values()), 1 - min(0.9985, (steps + 1) / (steps + 20)))
        steps += 1
        heard += seconds
        if time.time() - shown > 20:
            phone, line = means.told()
            print(f"{done:.3f} {steps} steps {heard / 3600:.0f} h; {line}; hours {pool.hours}", flush=True)
            shown = time.time()
            if not np.isfinite(phone):
                raise SystemExit("the loss is not a number")
        if time.time() - saved > 30:
            save(mean, out)
            saved = time.time()
    save(mean, out)
    print(f"{steps} steps, {heard / 3600:.0f} h heard; {means.told()[1]}; hours {pool.hours}")


def main():
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("work", type=pathlib.Path)
    ask.add_argument("data", type=pathlib.Path)
    ask.add_argument("start", type=pathlib.Path)
    ask.add_argument("out", type=pathlib.Path)
    ask.add_argument("--minutes", type=float, default=22)
    args = ask.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    sys.setswitchinterval(5e-4)  # so that reading shards never holds up a step
    train(args.work, args.data, args.start, args.out, args.minutes)


if __name__ == "__main__":
    main()
