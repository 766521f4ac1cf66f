"""Runs the program over the hearing bench and writes one table: what was heard right, wrong, and at what cost.

usage: bench.py --binary PATH --set-dir DIR [--only PREFIX…] [--reuse] [--results PATH]
DIR is what make_bench.py made; a DIR/peer.json (peer.py) adds the peer's figures to the same table. The logs
are kept in DIR/logs. Prints Markdown; with --results also writes it there. Needs scipy, and measure.py.

- "Right" has event, value, unit and detail of the truth, within 500 ms (see measure.py). A doubtful event is
  one that the log marks so and a person is asked about. The bars for "phrase right" count right events,
  accepted or doubtful; how many were accepted stands beside.
- "Wrong accepted" is an event of another meaning in the place of a call-out, not marked doubtful. Events that
  belong to no call-out stand beside; the bar for wrong events counts both.
- The peer is given each sentence cut out of the audio, and its answer counts as accepted.
"""

import argparse
import datetime
import hashlib
import json
import pathlib
import sys
import tomllib

HERE = pathlib.Path(__file__).resolve().parent
ROOT = HERE.parents[1]
sys.path[:0] = [str(HERE.parent), str(HERE.parent / "measure")]
import figures  # noqa: E402
from measure import EVENTS, commit, processor, run  # noqa: E402
from synth.phrases import Grammar  # noqa: E402

START = "2026-01-01T09:00:00Z"


def listen(binary, folder, name, reuse):
    """The log's records of one file, and (processor seconds, resident bytes) of hearing it."""
    log, kept = folder / "logs" / f"{name}.earmark.jsonl", folder / "logs" / f"{name}.cost.json"
    if not (reuse and log.exists() and kept.exists()):
        log.unlink(missing_ok=True)
        audio = folder / f"{name}.flac"
        done = run([str(binary), "replay", str(audio), "--purpose", "demo", "--start", START, "--log", str(log)], log, None)
        kept.write_text(json.dumps([done.processor_s, done.resident_bytes]))
    return [json.loads(line) for line in log.read_text(encoding="utf-8").splitlines()], json.loads(kept.read_text())


def hear(args, listing):
    folder = args.set_dir
    units = {name: event.get("unit") for name, event in tomllib.loads(EVENTS.read_text(encoding="utf-8")).items()}
    read = Grammar(ROOT / "grammars/newborn/phrases.jsgf").read
    peer = json.loads((folder / "peer.json").read_text()) if (folder / "peer.json").exists() else {"files": {}}
    (folder / "logs").mkdir(exist_ok=True)
    heard = []
    for entry in listing["files"]:
        name = entry["file"].removesuffix(".flac")
        if not name.startswith(tuple(args.only)):
            continue
        records, cost = listen(args.binary.resolve(), folder, name, args.reuse)
        truth = json.loads((folder / entry["truth"]).read_text())
        heard.append(figures.judge(entry, truth, records, units, cost, peer["files"].get(name), read))
        print(f"\r{len(heard)} of {len(listing['files'])} files, {name:20}", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    return heard, units, peer.get("engine")


def amiss(heard):
    """A line for each event that is wrong, or where there was no call-out, for whoever tunes."""
    for h in heard:
        for verdict, callout, event in h.figures["amiss"]:
            heard_as = f"{event.get('words')!r} {event['t_ms'] - callout['onset_ms']:+} ms, {event.get('confidence')}" if event else ""
            yield "\t".join([h.entry["file"], verdict, str(callout["onset_ms"]), callout["voice"], callout["words"], heard_as])
        for event in h.figures["strays"]:
            at = event["t_ms"]
            said = [s["words"] for s in h.truth["refused"] + h.truth["callouts"] if s["onset_ms"] - 500 <= at <= s["end_ms"]]
            verdict = "doubtful beside" if event.get("doubt") else "accepted beside"
            yield "\t".join([h.entry["file"], verdict, str(at), "", " + ".join(said), f"{event.get('words')!r} {event.get('confidence')}"])


def document(args, listing, heard, units, peer, binary):
    seconds = sum(h.entry["seconds"] for h in heard)
    rows = figures.bars(heard, units)
    missed = [r.what for r in rows if r.met is False]
    voices = ", ".join(sorted({v.rsplit(":", 1)[0] if v.count(":") > 2 else v for v in listing["voices"]}))
    parts = [
        f"# How Earmark hears: the {listing['set']} set",
        f"Measured {datetime.date.today()} at commit {commit()} with `{args.command}` on {processor()}; the program's SHA-256 begins "
        f"{hashlib.sha256(binary.read_bytes()).hexdigest()[:12]}. {len(heard)} files, {seconds / 3600:.1f} hours of audio, seed {listing['seed']}.",
        f"All call-outs are invented and synthetic; a bench says nothing of real people in a real room. Voices: {voices}.",
        "## The bars",
        figures.bar_table(rows, peer),
        f"{sum(r.met is True for r in rows)} met, {len(missed)} not met" + (": " + "; ".join(missed) if missed else "") + ".",
        "## What was tried",
        "<!-- to be filled in by hand: what was tried, on which set, and what each gave -->\n(not written yet)",
        "## Call-outs by condition, in percent",
        figures.condition_table(heard, peer),
        "## Call-outs by family, numbers apart",
        figures.family_table(heard, peer),
        "## Call-outs by voice, in percent",
        figures.voice_table(heard, peer),
        "## How to read this",
        __doc__.split("\n\n", 1)[1].split("\n", 3)[3].strip(),
    ]
    return "\n\n".join(parts) + "\n"


def main():
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--binary", type=pathlib.Path, required=True, help="the program, built for release")
    ask.add_argument("--set-dir", type=pathlib.Path, required=True)
    ask.add_argument("--only", nargs="+", default=[""], metavar="PREFIX", help="only files whose names begin so")
    ask.add_argument("--reuse", action="store_true", help="take logs that are there instead of hearing again")
    ask.add_argument("--results", type=pathlib.Path, help="where to write what is printed")
    args = ask.parse_args()
    args.command = "make hearing" if args.results else f"bench.py {' '.join(sys.argv[1:])}"
    listing = json.loads((args.set_dir / "bench.json").read_text(encoding="utf-8"))
    heard, units, peer = hear(args, listing)
    if not heard:
        sys.exit(f"error: no file in {args.set_dir} begins with {' or '.join(args.only)}")
    (args.set_dir / "logs/amiss.tsv").write_text("\n".join(amiss(heard)) + "\n")
    text = document(args, listing, heard, units, peer, args.binary)
    print(text)
    if args.results:
        args.results.parent.mkdir(parents=True, exist_ok=True)
        args.results.write_text(text)


if __name__ == "__main__":
    main()
