"""What follows from the truth and the logs of the hearing bench: counts, bars, and the tables of them.

No I/O here. A `Heard` is one file of the bench with what came of it.
"""

import pathlib
import sys
from collections import Counter
from typing import NamedTuple

from scipy.stats import beta

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "measure"))
from measure import VERDICTS, compare, percentile, same_meaning  # noqa: E402

JUDGED = ["babble", "suction", "alarms", "crying"]  # the noises whose mean the bars speak of


class Heard(NamedTuple):
    entry: dict  # of bench.json
    truth: dict
    figures: dict  # of measure.compare
    processor_s: float
    resident_bytes: int
    peer: dict | None  # {"callouts": [verdict], "refused": [accepted or not]}

    @property
    def events(self):
        """(accepted, doubtful) events of the whole file."""
        doubt = [bool(e.get("doubt")) for _, _, e in self.figures["each"] if e]
        doubt += [bool(e.get("doubt")) for e in self.figures["strays"]]
        return len(doubt) - sum(doubt), sum(doubt)


def judge(entry, truth, records, units, run, peer, read):
    """peer: its words for the file, or None; read: the meaning of words in the grammar."""
    if peer:
        verdicts = [peer_verdict(said, words and read(words), units) for said, words in zip(truth["callouts"], peer["callouts"])]
        refused = [bool(words) and (read(words) or {}).get("event") not in (None, "decoy", "command") for words in peer["refused"]]
        peer = {"callouts": verdicts, "refused": refused}
    return Heard(entry, truth, compare(truth, records, units), *run, peer)


def peer_verdict(said, meaning, units):
    if not meaning or meaning.get("event") in ("decoy", "command"):
        return "missed"
    unit = meaning.get("unit") or (units.get(meaning["event"]) if isinstance(meaning.get("value"), (int, float)) else None)
    return "right" if same_meaning(said, {**meaning, "unit": unit}, units) else "wrong accepted"


class Count:
    """Verdicts of some call-outs, and the peer's."""

    def __init__(self):
        self.verdicts, self.peer = Counter(), Counter()
        self.stray = [0, 0]  # accepted and doubtful events that belong to no call-out

    def add(self, verdict, peer=None):
        self.verdicts[verdict] += 1
        if peer:
            self.peer[peer] += 1

    @property
    def total(self):
        return sum(self.verdicts.values())

    def share(self, *names):
        return 100 * sum(self.verdicts[n] for n in names) / max(1, self.total)

    def peer_share(self, name):
        return 100 * self.peer[name] / max(1, sum(self.peer.values()))


def is_number(callout):
    return isinstance(callout.get("value"), (int, float))


def count(heard, key, kind="callouts"):
    """{key(file, call-out): Count}, where key gives None for what is left out."""
    out = {}
    for h in heard:
        if h.entry["kind"] != kind:
            continue
        for n, (verdict, callout, _) in enumerate(h.figures["each"]):
            name = key(h.entry, callout)
            if name is not None:
                out.setdefault(name, Count()).add(verdict, h.peer and h.peer["callouts"][n])
        name = key(h.entry, None)
        if name is not None:
            for e in h.figures["strays"]:
                out.setdefault(name, Count()).stray[bool(e.get("doubt"))] += 1
    return out


def bound(bad, total):
    """The share, in percent, that is not exceeded with 95 % confidence: for none of n about 3 in n."""
    return 100.0 if bad >= total else 100 * float(beta.ppf(0.95, bad + 1, total - bad))


def pooled(heard, wanted, kind="callouts"):
    """One Count of the call-outs, and what else was heard in their files, that wanted(file, call-out or None) holds."""
    return count(heard, lambda entry, callout: "all" if wanted(entry, callout) else None, kind).get("all", Count())


class Bar(NamedTuple):
    what: str
    bar: str
    measured: str
    met: bool | None
    peer: str = ""


def at_least(what, bar, c):
    right = c.share("right", "doubtful right")
    measured = f"{right:.1f} % of {c.total} (accepted {c.share('right'):.1f}, doubtful {c.share('doubtful right'):.1f})"
    return Bar(what, f"≥ {bar} %", measured, right >= bar if c.total else None, f"{c.peer_share('right'):.1f} %" if c.peer else "")


def at_most_wrong(what, bar, c):
    wrong, stray = c.verdicts["wrong accepted"], c.stray[0]
    share = 100 * (wrong + stray) / max(1, c.total)
    measured = f"{share:.2f} %: {wrong} in the place of a call-out and {stray} where there was none, of {c.total}"
    peer = f"{c.peer_share('wrong accepted'):.1f} %" if c.peer else ""
    return Bar(what, f"≤ {bar} %", measured, share <= bar if c.total else None, peer)


def recognition(heard):
    out = []
    kinds = [("numbers", True), ("all other call-outs", False)]
    for text, number in kinds:
        c = pooled(heard, lambda e, c, n=number: e["noise"] == "none" and c is not None and is_number(c) == n)
        out.append(at_least(f"phrase right, clean, {text}", 99, c))
    for snr, bar in ((10, 96), (5, 88)):
        for text, number in kinds:
            c = pooled(heard, lambda e, c, n=number, s=snr: e["snr_db"] == s and e["noise"] in JUDGED and c is not None and is_number(c) == n)
            out.append(at_least(f"phrase right at {snr} dB, mean of {', '.join(JUDGED)}: {text}", bar, c))
    for snr, bar in ((10, 90), (5, 60)):
        c = pooled(heard, lambda e, c, s=snr: e["snr_db"] == s and e["noise"] == "babble")
        out.append(at_least(f"phrase right in babble at {snr} dB", bar, c))
    out.append(at_most_wrong("wrong event accepted without doubt, clean", 0.3, pooled(heard, lambda e, c: e["noise"] == "none")))
    out.append(at_most_wrong("wrong event accepted without doubt, at 10 dB, all noises", 1, pooled(heard, lambda e, c: e["snr_db"] == 10)))
    return out


def near_misses(heard):
    out = []
    for text, snr, bar in (("clean", None, 2), ("at 10 dB, mean of the noises", 10, 3)):
        files = [h for h in heard if h.entry["kind"] == "near" and h.entry["snr_db"] == snr]
        said = sum(h.figures["sentences"] for h in files)
        if not said:
            continue
        taken, doubtful = (sum(h.figures["talk"][k] for h in files) for k in ("accepted", "doubtful"))
        measured = f"{100 * taken / said:.1f} % ({taken} of {said}); doubtful {100 * doubtful / said:.1f} % ({doubtful})"
        peer = [r for h in files if h.peer for r in h.peer["refused"]]
        met = 100 * taken / said <= bar
        out.append(Bar(f"near misses taken for a call-out without doubt, {text}", f"≤ {bar} %", measured, met, f"{100 * sum(peer) / len(peer):.1f} %" if peer else ""))
    return out


def other_people(heard):
    out = []
    texts = {"talk": "other people's talk", "babble": "babble, nobody calling out", "human": "recorded people"}
    for kind, text in texts.items():
        files = [h for h in heard if h.entry["kind"] == kind]
        hours = sum(h.entry["seconds"] for h in files) / 3600
        if not files:
            continue
        accepted, doubtful = (sum(h.events[i] for h in files) for i in (0, 1))
        measured = f"{accepted / hours:.1f} accepted, {doubtful / hours:.1f} doubtful ({accepted} and {doubtful} in {60 * hours:.0f} min)"
        met = accepted / hours <= 1 and doubtful / hours <= 6
        peer = sum(sum(h.peer["refused"]) for h in files if h.peer)
        peers = f"{peer / hours:.0f} accepted" if any(h.peer for h in files) else ""
        out.append(Bar(f"events an hour: {text}", "≤ 1 accepted, ≤ 6 doubtful", measured, met, peers))
    return out


def rival_pairs(heard, units):
    """How often the wrong one of two that sound alike, or its opposite, is taken."""
    out = []
    levels = (("clean", {None}), ("at 10 dB", {10}), ("at 5 dB", {5}), ("all", {None, 10, 5}))
    for family in ("teens and tens", "opposites"):
        for text, snrs in levels:
            c = pooled(heard, lambda e, c, f=family, s=snrs: e["snr_db"] in s and c is not None and c["family"] == f, "rivals")
            if not c.total:
                continue
            wrong = sum(
                verdict == "wrong accepted" and same_meaning({**callout["rival"]}, event, units)
                for h in heard
                if h.entry["kind"] == "rivals" and h.entry["snr_db"] in snrs
                for verdict, callout, event in h.figures["each"]
                if callout["family"] == family
            )
            other = c.verdicts["wrong accepted"] - wrong
            measured = (
                f"{wrong} of {c.total} took the rival (95 % bound {bound(wrong, c.total):.2f} %), {other} something else; "
                f"right {c.share('right'):.1f} %, doubtful {c.share('doubtful right', 'doubtful wrong'):.1f} %, missed {c.share('missed'):.1f} %"
            )
            peer = f"{c.peer_share('right'):.1f} % right, {c.peer_share('wrong accepted'):.1f} % wrong" if c.peer else ""
            out.append(Bar(f"rivals, {family}, {text}", "≤ 0.33 %", measured, 300 * wrong <= c.total, peer))
    return out


def timing(heard):
    out = []
    for text, snr in (("clean", None), ("at 10 dB", 10)):
        files = [h for h in heard if h.entry["kind"] == "callouts" and h.entry["snr_db"] == snr]
        onsets = [abs(x) for h in files for x in h.figures["onsets"]]
        late = [x for h in files for x in h.figures["latencies"]]
        if not onsets:
            continue
        middle, most, latency = percentile(onsets, 0.5), percentile(onsets, 0.95), percentile(late, 0.95)
        out.append(Bar(f"onset against the truth, {text}", "median ≤ 60 ms, 95 % ≤ 150 ms", f"median {middle} ms, 95 % {most} ms", middle <= 60 and most <= 150))
        out.append(Bar(f"end of call-out to record, without computing, {text}", "95 % ≤ 600 ms", f"median {percentile(late, 0.5)} ms, 95 % {latency} ms", latency <= 600))
    return out


def cost(heard):
    out = []
    for kind, text, bar in (("talk", "somebody always speaks", 0.08), ("silence", "a silent room", 0.02)):
        files = [h for h in heard if h.entry["kind"] == kind]
        if files:
            share = sum(h.processor_s for h in files) / sum(h.entry["seconds"] for h in files)
            out.append(Bar(f"cost, {text}, loading included", f"≤ {bar} of a core", f"{share:.4f}", share <= bar))
    used, seconds = sum(h.processor_s for h in heard), sum(h.entry["seconds"] for h in heard)
    most = max(h.resident_bytes for h in heard) / 2**20
    speed = seconds / max(used, 1e-9)
    out.append(Bar("replay, by processor time over all files", "≥ 15 × real time", f"{speed:.0f} ×", speed >= 15))
    out.append(Bar("most memory resident", "≤ 150 MiB", f"{most:.0f} MiB", most <= 150))
    return out


def bars(heard, units):
    return recognition(heard) + near_misses(heard) + other_people(heard) + rival_pairs(heard, units) + timing(heard) + cost(heard)


def bar_table(rows, peer_name):
    head = ["what", "bar", "measured", "met"] + ([peer_name] if peer_name else [])
    verdict = {True: "yes", False: "**no**", None: "–"}
    return table(head, [[r.what, r.bar, r.measured, verdict[r.met]] + ([r.peer] if peer_name else []) for r in rows])


def table(head, rows):
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    return "\n".join(lines + ["| " + " | ".join(str(x) for x in row) + " |" for row in rows])


def verdict_row(c, peer_name):
    cells = [c.total] + [f"{c.share(v):.1f}" for v in VERDICTS] + [f"{c.stray[0]} + {c.stray[1]}"]
    if peer_name:
        cells += [f"{c.peer_share(v):.1f}" if c.peer else "" for v in ("right", "wrong accepted", "missed")]
    return cells


def verdict_head(first, peer_name):
    peer = [f"{peer_name}: right", "wrong", "missed"] if peer_name else []
    return first + ["call-outs", *VERDICTS, "beside: accepted + doubtful"] + peer


def condition_table(heard, peer_name):
    """Each noise and level, near and far apart; shares in percent."""
    counts = count(heard, lambda e, c: (e["noise"], e["snr_db"], e["distance"]))
    rows = [[f"{noise}{'' if snr is None else f' {snr} dB'}, {where}", *verdict_row(c, peer_name)] for (noise, snr, where), c in counts.items()]
    rows = [[r[0].replace("none,", "clean,"), *r[1:]] for r in rows]
    return table(verdict_head(["audio"], peer_name), rows)


def family_table(heard, peer_name):
    """Each family, numbers apart, clean and at 10 and 5 dB; shares in percent."""

    def key(entry, callout):
        if callout is None or entry["snr_db"] in (20, 0):
            return None
        level = "clean" if entry["snr_db"] is None else f"{entry['snr_db']} dB"
        return callout["family"] + (", numbers" if is_number(callout) else ""), level

    counts, rows = count(heard, key), []
    for family in sorted({f for f, _ in counts}):
        row = [family]
        for level in ("clean", "10 dB", "5 dB"):
            c = counts.get((family, level), Count())
            row += [c.total, f"{c.share('right', 'doubtful right'):.0f}", c.verdicts["wrong accepted"]] + ([f"{c.peer_share('right'):.0f}"] if peer_name else [])
        rows.append(row)
    peer = [f"{peer_name} right"] if peer_name else []
    head = ["family"] + [x for level in ("clean", "10 dB", "5 dB") for x in (f"{level}: call-outs", "right or doubtful right %", "wrong accepted", *peer)]
    return table(head, rows)


def voice_table(heard, peer_name):
    def key(entry, callout):
        return None if callout is None or entry["snr_db"] not in (None, 10) else (callout["voice"], entry["snr_db"])

    rows = [[voice, "clean" if snr is None else f"{snr} dB", *verdict_row(c, peer_name)] for (voice, snr), c in sorted(count(heard, key).items(), key=str)]
    return table(verdict_head(["voice", "level"], peer_name), rows)
