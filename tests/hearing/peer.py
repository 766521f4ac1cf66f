"""PocketSphinx on the hearing bench, for comparison only: same sentences, same grammar, same audio.

usage: peer.py --set-dir DIR [--only PREFIX…] [--jobs N]      (needs tests/hearing/peer.txt)
Writes DIR/peer.json: {"engine", "files": {NAME: {"callouts": [words or null], "refused": […], "processor_s",
"seconds"}}}, in the order of the truth; files done before are kept.

It is told where each sentence begins and ends (with LEAD and TAIL around), which Earmark has to find out by
itself. The pack's grammar is given to it as a finite-state grammar, each <number:…> expanded into all its
spoken forms, with the dictionary that it comes with and the pack's words.dict on top. What it returns counts
as accepted: it says nothing of doubt.
"""

import argparse
import importlib.metadata
import json
import multiprocessing
import pathlib
import re
import subprocess
import sys
import time

import numpy as np
import pocketsphinx

HERE = pathlib.Path(__file__).resolve().parent
PACK = HERE.parents[1] / "grammars/newborn"
sys.path.insert(0, str(HERE.parent))
from synth.phrases import Grammar, spoken_range  # noqa: E402

RATE = 16000
LEAD, TAIL = 0.3, 0.4  # seconds


class Network:
    """The grammar as states and arcs."""

    def __init__(self, grammar):
        self.grammar, self.states, self.arcs = grammar, 2, []
        for rule in grammar.public:
            self.add(("rule", rule), 0, 1)

    def state(self):
        self.states += 1
        return self.states - 1

    def add(self, node, start, end):
        kind = node[0]
        if kind == "word":
            self.arcs.append((start, end, node[1]))
        elif kind == "tag":
            self.arcs.append((start, end, ""))
        elif kind == "number":
            self.numbers(sorted(spoken_range(*node[1:])), start, end)
        elif kind == "rule":
            self.add(self.grammar.rules[node[1]], start, end)
        elif kind == "either":
            for branch in node[1]:
                self.add(branch, start, end)
        elif not node[1]:
            self.arcs.append((start, end, ""))
        else:
            for part in node[1][:-1]:
                middle = self.state()
                self.add(part, start, middle)
                start = middle
            self.add(node[1][-1], start, end)

    def numbers(self, forms, start, end):
        """A tree of all spoken forms whose equal ends are shared."""
        tree, known = {}, {}
        for form in forms:
            at = tree
            for word in form:
                at = at.setdefault(word, {})
            at[None] = {}

        def build(branch, state=None):
            key = tuple((w, build(b) if w else end) for w, b in sorted(branch.items(), key=lambda x: x[0] or ""))
            if state is None and key in known:
                return known[key]
            known[key] = state = self.state() if state is None else state
            self.arcs.extend((state, to, word or "") for word, to in key)
            return state

        build(tree, start)

    def fsg(self):
        lines = ["FSG_BEGIN newborn", f"NUM_STATES {self.states}", "START_STATE 0", "FINAL_STATE 1"]
        lines += [f"TRANSITION {a} {b} 1.0 {word}".rstrip() for a, b, word in self.arcs]
        return "\n".join(lines + ["FSG_END"]) + "\n"


def dictionary(words):
    """Its own dictionary where it has the word, the pack's words on top."""
    lines, heads = [], set()
    for path in (PACK / "words.dict", pathlib.Path(pocketsphinx.get_model_path("en-us/cmudict-en-us.dict"))):
        for line in open(path, encoding="utf-8"):
            word, *phones = line.split("#")[0].split() or [""]
            head = word.split("(")[0]
            if head in words and word not in heads:
                heads.add(word)
                lines.append(f"{word} {' '.join(re.sub(r'[0-9]', '', p) for p in phones)}")
    missing = words - {h.split("(")[0] for h in heads}
    if missing:
        sys.exit(f"error: no pronunciation for {', '.join(sorted(missing))}: add them to words.dict")
    return "\n".join(sorted(lines)) + "\n"


def decoder(folder):
    network = Network(Grammar(PACK / "phrases.jsgf"))
    (folder / "peer.fsg").write_text(network.fsg())
    (folder / "peer.dict").write_text(dictionary({w for _, _, w in network.arcs if w}))
    return pocketsphinx.Decoder(
        hmm=pocketsphinx.get_model_path("en-us/en-us"), dict=str(folder / "peer.dict"), fsg=str(folder / "peer.fsg"),
        loglevel="FATAL",
    )  # fmt: skip


def samples(path):
    command = ["ffmpeg", "-loglevel", "error", "-i", str(path), "-f", "s16le", "-ar", str(RATE), "-ac", "1", "-"]
    return np.frombuffer(subprocess.run(command, check=True, capture_output=True).stdout, "<i2")


def hear(folder, name):
    """What it hears in each sentence of a file."""
    truth, x = json.loads((folder / f"{name}.json").read_text()), samples(folder / f"{name}.flac")
    began, seconds, out = time.process_time(), 0, {}
    for kind in ("callouts", "refused"):
        out[kind] = []
        for said in truth[kind]:
            start = max(0, round((said["onset_ms"] / 1000 - LEAD) * RATE))
            piece = x[start : round((said["end_ms"] / 1000 + TAIL) * RATE)]
            DECODER.start_utt()
            DECODER.process_raw(piece.tobytes(), no_search=False, full_utt=True)
            DECODER.end_utt()
            best = DECODER.hyp()
            out[kind].append(best.hypstr if best and best.hypstr else None)
            seconds += len(piece) / RATE
    return name, {**out, "processor_s": time.process_time() - began, "seconds": seconds}


def start(folder):
    global DECODER
    DECODER = decoder(folder)


def main():
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--set-dir", type=pathlib.Path, required=True)
    ask.add_argument("--only", nargs="+", default=[""], metavar="PREFIX", help="only files whose names begin so")
    ask.add_argument("--jobs", type=int, default=1)
    args = ask.parse_args()
    listing = json.loads((args.set_dir / "bench.json").read_text())
    kept = args.set_dir / "peer.json"
    done = json.loads(kept.read_text())["files"] if kept.exists() else {}
    names = [f["file"].removesuffix(".flac") for f in listing["files"] if f["kind"] not in ("babble", "silence")]
    names = [n for n in names if n.startswith(tuple(args.only)) and n not in done]
    with multiprocessing.get_context("fork").Pool(args.jobs, start, (args.set_dir,)) as pool:
        for name, heard in pool.imap(job, [(args.set_dir, n) for n in names]):
            done[name] = heard
            cost = heard["processor_s"] / max(heard["seconds"], 1e-9)
            print(f"{name}: {heard['seconds']:.0f} s, {cost:.2f} processor s a second", file=sys.stderr, flush=True)
            kept.write_text(json.dumps({"engine": "PocketSphinx " + importlib.metadata.version("pocketsphinx"), "files": done}, indent=1) + "\n")


def job(what):
    return hear(*what)


if __name__ == "__main__":
    main()
