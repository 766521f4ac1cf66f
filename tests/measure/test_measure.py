"""Checks that the figures of measure.py mean what they say. Run: python3 -m unittest discover -s tests/measure"""

import unittest

from measure import compare, judge, pair, percentile

UNITS = {"heart_rate": "/min"}


def callout(onset_ms, words="heart rate sixty", event="heart_rate", **more):
    more = {"value": 60, **more} if event == "heart_rate" else more
    return {"words": words, "event": event, "onset_ms": onset_ms, "end_ms": onset_ms + 900, "voice": "leader", **more}


def heard(t_ms, words="heart rate sixty", event="heart_rate", **more):
    more = {"value": 60, "unit": "/min", **more} if event == "heart_rate" else more
    return {"kind": "event", "t_ms": t_ms, "written_ms": t_ms + 1200, "words": words, "event": event, **more}


def talk(onset_ms, end_ms):
    return {"words": "any moment now", "onset_ms": onset_ms, "end_ms": end_ms, "voice": "talker"}


def figures(callouts, records, refused=()):
    return compare({"callouts": callouts, "refused": list(refused)}, records, UNITS)


class Pairing(unittest.TestCase):
    def test_takes_the_closest_pair_first(self):
        # In order of time the first call-out, which was missed, would take the second one's event.
        self.assertEqual(pair([callout(0), callout(1400)], [heard(900)]), {1: 0})

    def test_takes_each_event_and_each_callout_once(self):
        self.assertEqual(pair([callout(0), callout(600)], [heard(500)]), {1: 0})
        self.assertEqual(pair([callout(500)], [heard(0), heard(600)]), {0: 1})

    def test_gives_the_next_closest_to_whoever_lost(self):
        self.assertEqual(pair([callout(0), callout(600)], [heard(500), heard(700)]), {1: 0, 0: 1})

    def test_gives_the_earlier_callout_the_event_midway(self):
        self.assertEqual(pair([callout(1000), callout(0)], [heard(500)]), {1: 0})

    def test_reaches_one_second_and_no_further(self):
        self.assertEqual(pair([callout(5000)], [heard(6000)]), {0: 0})
        self.assertEqual(pair([callout(5000)], [heard(4000)]), {0: 0})
        self.assertEqual(pair([callout(5000)], [heard(6001)]), {})

    def test_knows_nothing_of_meaning(self):
        self.assertEqual(pair([callout(0)], [heard(10, event="birth"), heard(300)]), {0: 0})


class Verdicts(unittest.TestCase):
    def verdict(self, event, **more):
        return judge(callout(1000, **more), event, UNITS)

    def test_right_is_accepted_with_event_value_unit_and_detail(self):
        self.assertEqual(self.verdict(heard(1100)), "right")
        self.assertEqual(self.verdict(heard(1100), value=60.0), "right")
        for wrong in [{"value": 16}, {"unit": "%"}, {"detail": {"days": 2}}, {"event": "pulse"}]:
            event = {**heard(1100), **wrong}
            self.assertEqual(self.verdict(event), "wrong accepted", wrong)

    def test_the_truths_own_unit_comes_before_the_packs(self):
        self.assertEqual(self.verdict(heard(1100), unit="Hz"), "wrong accepted")
        self.assertEqual(self.verdict(heard(1100, unit="Hz"), unit="Hz"), "right")

    def test_right_is_within_half_a_second(self):
        self.assertEqual(self.verdict(heard(1500)), "right")
        self.assertEqual(self.verdict(heard(1501)), "wrong accepted")
        self.assertEqual(self.verdict(heard(499, doubt="rival")), "doubtful wrong")

    def test_doubtful_ones_and_missed_ones_stand_apart(self):
        self.assertEqual(self.verdict(heard(1000, doubt="rival")), "doubtful right")
        self.assertEqual(self.verdict(heard(1000, doubt="rival", value=16)), "doubtful wrong")
        self.assertEqual(self.verdict(None), "missed")


class Figures(unittest.TestCase):
    def test_count_every_callout_once(self):
        callouts = [callout(n * 3000) for n in range(5)]
        records = [
            {"kind": "header", "t_ms": 0},
            heard(40),
            heard(3000, doubt="rival"),
            heard(6000, doubt="rival", value=16),
            heard(9000, value=16),
            {"kind": "withdraw", "t_ms": 12000, "of": 3},
        ]
        f = figures(callouts, records)
        self.assertEqual(list(f["verdicts"].values()), [1, 1, 1, 1, 1])
        self.assertEqual(f["judged"], 5)

    def test_an_amendment_is_an_event(self):
        f = figures([callout(0)], [{**heard(0), "kind": "amend", "of": 1}])
        self.assertEqual(f["verdicts"]["right"], 1)

    def test_onset_latency_and_words_come_from_paired_events(self):
        f = figures([callout(0), callout(3000)], [heard(-20), heard(3050, words="pulse sixty"), heard(8000)])
        self.assertEqual(f["onsets"], [-20, 50])
        self.assertEqual(f["latencies"], [-20 + 1200 - 900, 50 + 1200 - 900])
        self.assertEqual(f["words"], 1)

    def test_an_onset_counts_for_the_same_meaning_only_but_however_far_it_is(self):
        f = figures([callout(0), callout(3000)], [heard(800), heard(3010, value=16)])
        self.assertEqual(f["onsets"], [800])

    def test_talk_gives_events_that_have_no_callout(self):
        sentences = [talk(5000, 7000), talk(10000, 12000), talk(20000, 21000)]
        # The last sentence and a call-out are one breath: its event is the call-out's own.
        records = [heard(5500), heard(9600, doubt="rival"), heard(11900), heard(20990)]
        f = figures([callout(21090)], records, sentences)
        self.assertEqual(f["talk"], {"accepted": 2, "doubtful": 1})
        self.assertEqual([e["t_ms"] for e in f["strays"]], [5500, 9600, 11900])

    def test_an_event_beside_all_talk_is_a_stray_and_no_sentences(self):
        f = figures([], [heard(4499), heard(7001)], [talk(5000, 7000)])
        self.assertEqual((f["talk"]["accepted"], len(f["strays"])), (0, 2))

    def test_commands_pair_and_are_not_counted(self):
        end = callout(1000, words="end of recording", event="command", value="end")
        f = figures([end], [])
        self.assertEqual((f["judged"], f["commands"], f["verdicts"]["missed"]), (0, 1, 0))


class Percentiles(unittest.TestCase):
    def test_are_values_that_occur(self):
        self.assertEqual(percentile(range(1, 101), 0.95), 95)
        self.assertEqual(percentile([3, 1, 2], 0.95), 3)
        self.assertEqual(percentile([7], 0.5), 7)


if __name__ == "__main__":
    unittest.main()
