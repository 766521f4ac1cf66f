"""Measures the program on the demo drill against its truth, and prints a Markdown table.

usage: measure.py --binary PATH [--runs N]

Runs `earmark replay` on tests/drill/drill.flac N times, each on one core, and compares the log with
tests/drill/truth.json. Needs the standard library only.

How a log is compared
- An event is a record of kind "event" or "amend"; it is doubtful when it has "doubt", else accepted.
- Pairing: of all pairs of a call-out and an event whose onsets lie within 1 s of each other, the
  closest pair is made first, then the next closest of what is left, and so on (the earlier call-out
  first when two are equally close). So each call-out has at most one event and each event at most one
  call-out.
- A paired event is right when event, value, unit and detail are those of the truth and its onset is
  within 500 ms; otherwise it is wrong. A call-out without an event is missed. Where the truth names
  no unit, the unit is the pack's for that event.
- A refused sentence gave an event when an event that has no call-out begins between 500 ms before the
  sentence and its end.
- Scribe commands ("end of recording") leave no event of their own: they take part in the pairing, so
  that an event heard instead is seen, and are left out of the counts of call-outs.
- Latency runs from the end of the call-out in the truth to "written_ms". In a replay that is the
  moment on the audio's own clock when the recogniser had the speech; computing is not in it.
"""

import argparse
import datetime
import hashlib
import json
import math
import os
import pathlib
import platform
import statistics
import subprocess
import sys
import tempfile
import time
import tomllib
from typing import NamedTuple

ROOT = pathlib.Path(__file__).resolve().parents[2]
DRILL = ROOT / "tests/drill"
EVENTS = ROOT / "grammars/newborn/events.toml"
PAIR_MS = 1000
RIGHT_MS = 500
VERDICTS = ["right", "doubtful right", "doubtful wrong", "wrong accepted", "missed"]


class Run(NamedTuple):
    """One run of the program."""

    log: bytes
    processor_s: float
    wall_s: float
    resident_bytes: int


def events_of(records):
    return [r for r in records if r["kind"] in ("event", "amend")]


def pair(callouts, events):
    """{index of call-out: index of event}; see the top of this file."""
    near = []
    for c, callout in enumerate(callouts):
        for e, event in enumerate(events):
            apart = abs(event["t_ms"] - callout["onset_ms"])
            if apart <= PAIR_MS:
                near.append((apart, callout["onset_ms"], c, e))
    pairs, taken = {}, set()
    for _, _, c, e in sorted(near):
        if c not in pairs and e not in taken:
            pairs[c] = e
            taken.add(e)
    return pairs


def same_meaning(callout, event, units):
    """Event, value, unit and detail are those of the truth."""
    value = callout.get("value")
    unit = callout.get("unit")
    if unit is None and isinstance(value, (int, float)):
        unit = units.get(callout["event"])
    wanted = (callout["event"], value, unit, callout.get("detail") or {})
    return wanted == (event["event"], event.get("value"), event.get("unit"), event.get("detail") or {})


def judge(callout, event, units):
    """One of VERDICTS."""
    if event is None:
        return "missed"
    near = abs(event["t_ms"] - callout["onset_ms"]) <= RIGHT_MS
    right = near and same_meaning(callout, event, units)
    if event.get("doubt"):
        return "doubtful right" if right else "doubtful wrong"
    return "right" if right else "wrong accepted"


def percentile(values, share):
    """The smallest value that at least this share of the values do not exceed."""
    ordered = sorted(values)
    return ordered[max(0, math.ceil(share * len(ordered)) - 1)]


def compare(truth, records, units):
    """All figures that follow from the truth and a log's records."""
    events = events_of(records)
    pairs = pair(truth["callouts"], events)
    verdicts = dict.fromkeys(VERDICTS, 0)
    words, onsets, latencies, each = 0, [], [], []
    for c, callout in enumerate(truth["callouts"]):
        if callout["event"] == "command":
            continue
        event = events[pairs[c]] if c in pairs else None
        verdict = judge(callout, event, units)
        verdicts[verdict] += 1
        each.append((verdict, callout, event))
        if event is None:
            continue
        words += event.get("words") == callout["words"]
        latencies.append(event["written_ms"] - callout["end_ms"])
        # An event of another meaning may be the middle of the phrase, or other speech altogether.
        if same_meaning(callout, event, units):
            onsets.append(event["t_ms"] - callout["onset_ms"])
    strays = [e for n, e in enumerate(events) if n not in set(pairs.values())]
    talk = {"accepted": 0, "doubtful": 0}
    for sentence in truth["refused"]:
        here = [e for e in strays if sentence["onset_ms"] - RIGHT_MS <= e["t_ms"] <= sentence["end_ms"]]
        talk["accepted"] += any(not e.get("doubt") for e in here)
        talk["doubtful"] += any(bool(e.get("doubt")) for e in here)
    return {
        "judged": len(each),
        "commands": len(truth["callouts"]) - len(each),
        "verdicts": verdicts,
        "each": each,
        "amiss": [judged for judged in each if judged[0] != "right"],
        "words": words,
        "talk": talk,
        "sentences": len(truth["refused"]),
        "strays": strays,
        "onsets": onsets,
        "latencies": latencies,
    }


def run(command, log, core):
    """Runs the program on one core and says what it took."""

    def on_one_core():
        if core is not None:
            os.sched_setaffinity(0, {core})

    with tempfile.TemporaryFile() as said:
        began = time.monotonic()
        child = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=said, cwd=ROOT, preexec_fn=on_one_core)
        _, status, used = os.wait4(child.pid, 0)
        wall = time.monotonic() - began
        child.returncode = os.waitstatus_to_exitcode(status)
        if child.returncode != 0:
            said.seek(0)
            sys.exit(f"error: {' '.join(command)} ended with {child.returncode}:\n{said.read().decode(errors='replace')}")
    unit = 1 if sys.platform == "darwin" else 1024
    return Run(log.read_bytes(), used.ru_utime + used.ru_stime, wall, used.ru_maxrss * unit)


def processor():
    try:
        lines = pathlib.Path("/proc/cpuinfo").read_text().splitlines()
        name = next(line.split(":", 1)[1].strip() for line in lines if line.startswith("model name"))
    except (OSError, StopIteration):
        name = platform.processor() or platform.machine()
    return f"{name}, {os.cpu_count()} cores"


def commit():
    done = subprocess.run(["git", "describe", "--always", "--dirty"], cwd=ROOT, capture_output=True, text=True)
    return done.stdout.strip() or "unknown"


def share(count, of):
    return f"{count} of {of} ({100 * count / of:.1f} %)"


def spread(values):
    return f"median {statistics.median(values):.0f} ms, 95 % ≤ {percentile(values, 0.95):.0f} ms"


def table(figures, runs, audio_s, one_core):
    """The figures as rows of (what, measured)."""
    f, v, n = figures, figures["verdicts"], figures["judged"]
    doubtful = sum(bool(e.get("doubt")) for e in f["strays"])
    rows = [("call-outs judged", f"{n}, and {f['commands']} scribe command that leaves no event")]
    rows += [("call-outs: right in the log, without doubt or marked doubtful", share(v["right"] + v["doubtful right"], n))]
    rows += [(f"call-outs: {name}", share(v[name], n)) for name in VERDICTS]
    rows += [
        ("words exactly as in the truth", share(f["words"], n)),
        ("refused sentences that gave an accepted event", f"{f['talk']['accepted']} of {f['sentences']}"),
        ("refused sentences that gave a doubtful event", f"{f['talk']['doubtful']} of {f['sentences']}"),
        ("events that belong to no call-out", f"{len(f['strays']) - doubtful} accepted, {doubtful} doubtful"),
    ]
    if f["onsets"]:
        signed = f"{statistics.median(f['onsets']):+.0f} ms"
        rows.append(("onset against the truth, signed median", signed))
        rows.append(("onset against the truth, absolute", spread([abs(x) for x in f["onsets"]])))
    if f["latencies"]:
        rows.append(("end of call-out to record, without computing", spread(f["latencies"])))
    factors = [r.processor_s / audio_s for r in runs]
    where = "on one core" if one_core else "on all cores"
    rows += [
        (
            f"computing: processor time by length of audio, {where}",
            f"median {statistics.median(factors):.4f} (from {min(factors):.4f} to {max(factors):.4f}), loading included",
        ),
        (f"replay against real time, {where}", f"{audio_s / statistics.median(r.wall_s for r in runs):.0f} ×"),
        ("most memory resident", f"{max(r.resident_bytes for r in runs) / 2**20:.0f} MiB"),
        (f"log byte for byte the same in {len(runs)} runs", "yes" if len({r.log for r in runs}) == 1 else "NO"),
    ]
    return rows


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--binary", type=pathlib.Path, required=True, help="the program, built for release")
    parser.add_argument("--runs", type=int, default=5, help="how many times it is run, at least 2 (default: 5)")
    args = parser.parse_args()
    if args.runs < 2:
        parser.error("--runs: want at least 2, to see that the log is the same")
    truth = json.loads((DRILL / "truth.json").read_text(encoding="utf-8"))
    audio = DRILL / truth["audio"]
    if hashlib.sha256(audio.read_bytes()).hexdigest() != truth["sha256"]:
        sys.exit(f"error: {audio} is not the audio that truth.json tells of: restore both with git checkout")
    units = {name: event.get("unit") for name, event in tomllib.loads(EVENTS.read_text(encoding="utf-8")).items()}
    core = min(os.sched_getaffinity(0)) if hasattr(os, "sched_setaffinity") else None
    asked = ["replay", str(audio.relative_to(ROOT)), "--purpose", "demo", "--start", "2026-01-01T09:00:00Z"]
    runs = []
    with tempfile.TemporaryDirectory() as folder:
        for n in range(args.runs):
            log = pathlib.Path(folder) / f"{n}.earmark.jsonl"
            runs.append(run([str(args.binary.resolve()), *asked, "--log", str(log)], log, core))
    records = [json.loads(line) for line in runs[0].log.splitlines()]
    audio_s = records[-1]["t_ms"] / 1000
    figures = compare(truth, records, units)
    rows = table(figures, runs, audio_s, core is not None)
    print(f"Measured {datetime.date.today()} at commit {commit()} with `make measure`")
    print(f"(`earmark {' '.join(asked)}`, {args.runs} times; {audio_s:.0f} s of audio) on {processor()}.\n")
    print("| what | measured |\n|---|---|")
    for what, measured in rows:
        print(f"| {what} | {measured} |")
    if figures["amiss"] or figures["strays"]:
        print("\nNot right:")
    for verdict, callout, event in figures["amiss"]:
        heard = f", heard “{event.get('words')}” {event['t_ms'] - callout['onset_ms']:+} ms" if event else ""
        print(f"- {callout['onset_ms']} ms, {callout['voice']}: “{callout['words']}”: {verdict}{heard}")
    for event in figures["strays"]:
        print(f"- {event['t_ms']} ms: “{event.get('words')}” ({event.get('doubt') or 'accepted'}) belongs to no call-out")


if __name__ == "__main__":
    main()
