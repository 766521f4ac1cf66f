"""Checks that the bench is what it says. Run: python3 -m unittest discover -s tests/hearing"""

import pathlib
import random
import sys
import unittest
from types import SimpleNamespace

import numpy as np

HERE = pathlib.Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent), str(HERE.parent / "measure")]
import figures  # noqa: E402
import make_bench  # noqa: E402
import sentences  # noqa: E402
from synth import noises  # noqa: E402
from synth.phrases import Grammar  # noqa: E402
from synth.voices import RATE, loudness  # noqa: E402

UNITS = {"heart_rate": "/min"}
GRAMMAR = Grammar(make_bench.PACK)


def said(onset_ms, value=60, **more):
    return {"words": "heart rate sixty", "event": "heart_rate", "value": value, "onset_ms": onset_ms, "end_ms": onset_ms + 900,
            "voice": "v", "family": "heart_rate/heart_rate", **more}  # fmt: skip


def event(t_ms, value=60, **more):
    return {"kind": "event", "t_ms": t_ms, "written_ms": t_ms + 1200, "event": "heart_rate", "value": value, "unit": "/min", **more}


def heard(callouts, records, refused=(), peer=None, **entry):
    entry = {"kind": "callouts", "noise": "none", "snr_db": None, "distance": "near", "seconds": 3600, **entry}
    truth = {"callouts": callouts, "refused": list(refused)}
    return figures.judge(entry, truth, records, UNITS, (36.0, 2**20), peer, GRAMMAR.read)


class Sets(unittest.TestCase):
    def test_share_no_person_and_no_room(self):
        dev, report = ({make_bench.person(v) for v in make_bench.VOICES[s]} for s in ("dev", "report"))
        self.assertFalse(dev & report)
        trained = {"flite:kal16", "festival:kal_diphone"}
        accents = {p.split(":")[1].split("+")[0] for p in dev | report if p.startswith("espeak")}
        self.assertFalse((dev | report) & trained)
        self.assertFalse(accents & {"en-us", "en-gb", "en-gb-scotland", "en-gb-x-gbclan", "en-gb-x-gbcwmd"})
        sizes = {s: {str(size) for rooms in make_bench.ROOMS[s].values() for size, _, _ in rooms} for s in ("dev", "report")}
        self.assertFalse(sizes["dev"] & sizes["report"])

    def test_rivals_differ_in_meaning_and_come_both_ways_round(self):
        pairs = sentences.rivals(GRAMMAR)
        self.assertGreater(len(pairs), 200)
        for a, b in pairs:
            self.assertNotEqual(GRAMMAR.read(a.words), GRAMMAR.read(b.words))
            self.assertIn((b, a), pairs)

    def test_each_near_miss_is_said_as_often_in_noise_as_without(self):
        lines, rng = [sentences.Line(str(n), {}, "near miss") for n in range(23)], random.Random(1)
        plans = [p for p in make_bench.plans("report") if p.kind == "near"]
        noisy = [x for p in plans if p.noise != "none" for x in make_bench.shared_out(p, lines, 2, rng)]
        clean = make_bench.shared_out(plans[0], lines, 2, rng)
        self.assertEqual(sorted(noisy), sorted(clean))
        self.assertEqual(len(clean), 46)


class Sound(unittest.TestCase):
    def test_speech_in_a_room_has_loudness_one(self):
        rng = np.random.default_rng(1)
        dry = np.concatenate([rng.standard_normal(RATE), np.zeros(RATE), rng.standard_normal(RATE)])
        h = np.concatenate([[1.0], np.zeros(999), rng.standard_normal(4000) * np.exp(-np.arange(4000) / 800) * 0.3])
        wet = make_bench.in_room(dry, h)
        self.assertAlmostEqual(loudness(np.concatenate([wet[:RATE], wet[2 * RATE : 3 * RATE]])), 1, delta=0.02)

    def test_noises_have_the_loudness_that_mixing_counts_on(self):
        for name, make in noises.STEADY.items():
            x = make(np.random.default_rng(3), 12)
            self.assertAlmostEqual(float(np.sqrt(np.mean(x**2))), 1, places=3, msg=name)
            self.assertEqual(len(x), 12 * RATE, name)

    def test_nobody_babbles_who_also_speaks(self):
        t = np.arange(RATE) / RATE
        crowd = {f"flite:{name}": [np.sin(2 * np.pi * f * t)] for name, f in (("a", 400), ("b", 1000))}
        owner = SimpleNamespace(crowd=crowd, number=lambda *what: 1, impulses={"near": [([], np.ones(1), 0.3)]})
        scene = make_bench.Scene(owner, make_bench.Plan("x", "callouts", "babble", 10))
        x = scene.noise([("flite:a:1.1", 0, 5 * RATE), ("flite:b", 5 * RATE, 10 * RATE)], 10 * RATE)
        first, second = (np.abs(np.fft.rfft(half))[[400 * 4, 1000 * 4]] for half in (x[RATE : 5 * RATE], x[6 * RATE :]))
        self.assertGreater(first[1], 100 * first[0])
        self.assertGreater(second[0], 100 * second[1])


class Counting(unittest.TestCase):
    def test_bars_tell_accepted_doubtful_wrong_and_beside_apart(self):
        records = [event(0), event(10_000, doubt="low"), event(20_000, value=16), event(40_000, value=90)]
        h = heard([said(0), said(10_000), said(20_000), said(30_000)], records)
        rows = {r.what: r for r in figures.bars([h], UNITS)}
        right = rows["phrase right, clean, numbers"]
        self.assertEqual((right.met, right.measured), (False, "50.0 % of 4 (accepted 25.0, doubtful 25.0)"))
        wrong = rows["wrong event accepted without doubt, clean"]
        self.assertEqual(wrong.measured, "50.00 %: 1 in the place of a call-out and 1 where there was none, of 4")
        self.assertIsNone(rows["phrase right in babble at 5 dB"].met)

    def test_events_of_talk_are_counted_by_the_hour(self):
        talk = {"words": "any moment now", "onset_ms": 0, "end_ms": 900, "voice": "v", "family": "talk"}
        h = heard([], [event(0), event(9000, doubt="low"), event(12_000)], [talk], kind="talk", seconds=1800)
        row = next(r for r in figures.bars([h], UNITS) if r.what == "events an hour: other people's talk")
        self.assertEqual((row.measured, row.met), ("4.0 accepted, 2.0 doubtful (2 and 1 in 30 min)", False))

    def test_a_rival_counts_only_when_the_rival_was_taken(self):
        rival = {"event": "heart_rate", "value": 16}
        callouts = [said(t, rival=rival, family="teens and tens") for t in (0, 10_000, 20_000)]
        h = heard(callouts, [event(0, value=16), event(10_000, value=70), event(20_000, value=16, doubt="close")], kind="rivals")
        row = next(r for r in figures.bars([h], UNITS) if r.what == "rivals, teens and tens, clean")
        self.assertTrue(row.measured.startswith("1 of 3 took the rival"), row.measured)
        self.assertIn("1 something else", row.measured)
        self.assertFalse(row.met)

    def test_none_in_n_is_bounded_by_about_three_in_n(self):
        self.assertAlmostEqual(figures.bound(0, 900), 100 * 3 / 900, delta=0.002)
        self.assertGreater(figures.bound(1, 900), figures.bound(0, 900))

    def test_the_peer_is_right_by_meaning_and_refuses_by_decoys(self):
        peer = {"callouts": ["heart rate is sixty", "heart rate sixteen", None], "refused": ["warmer off", "warmer on"]}
        refused = [{"words": "warmer off", "onset_ms": t, "end_ms": t + 900, "voice": "v", "family": "near miss"} for t in (0, 5000)]
        h = heard([said(0), said(10_000), said(20_000)], [], refused, peer)
        self.assertEqual(h.peer["callouts"], ["right", "missed", "missed"])
        self.assertEqual(h.peer["refused"], [False, True])


if __name__ == "__main__":
    unittest.main()
