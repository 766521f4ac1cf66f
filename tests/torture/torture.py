#!/usr/bin/env python3
"""Kills Earmark with SIGKILL at random moments, and looks whether the log has all that people were told.

usage: torture.py EARMARK [--kills N] [--seed N] [--at-once N]

Live: `earmark listen` on a virtual microphone of a private PulseAudio server. Keys are typed into its terminal: events,
numbers, marks, corrections, undo. Every line on its standard output and every event on its wall board counts as an
answer. After each kill the log must verify, and hold each answer; then it is gone on with, which must be said in the
log, and all times must lie on one clock, time since birth too. One log in three is kept at two places; then either
may hold an answer, and both must be the same after the next start. A log is ended and the next begun now and then, and
some are killed while they end. Replay, export and redaction are killed too: a replay's log verifies and holds what was
printed; the others leave their log as it was, and can be made again.
Uses PulseAudio's pulseaudio, Python's standard library and Earmark itself; the chain is checked here anew.
"""

import argparse
import contextlib
import datetime
import hashlib
import http.client
import json
import os
import pathlib
import pty
import random
import re
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time

HERE = pathlib.Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "common"))
from sound_server import sound_server  # noqa: E402

DRILL = HERE.parent / "drill" / "drill.flac"
# Live, replay and export, of ten kills.
MIX = ["live"] * 7 + ["replay"] * 2 + ["export"]
# One log lives through so many kills.
LIVES = 6
SLACK_MS = 1500


class Failed(Exception):
    pass


def check(condition, text):
    if not condition:
        raise Failed(text)


# The log, read by nobody's code but this


def read(path):
    """Records of a log whose chain holds; a torn last line is left out."""
    if not path.exists():
        return []
    whole, _, _torn = path.read_bytes().rpartition(b"\n")
    records, prev = [], "0" * 64
    for number, line in enumerate(whole.split(b"\n") if whole else []):
        record = json.loads(line)
        check(record["seq"] == number and record["prev"] == prev, f"{path}: the chain is broken at {number}")
        check(hashlib.sha256(line[:-75]).hexdigest() == record["hash"], f"{path}: record {number} was changed")
        prev = hashlib.sha256(line).hexdigest()
        records.append(record)
    return records


def wall_ms(record):
    return datetime.datetime.fromisoformat(record["at"]).timestamp() * 1000


def on_one_clock(records):
    """All records of a log, whatever pauses it had, lie on one clock that wall time tells; so does birth."""
    starts = [wall_ms(record) - record["t_ms"] for record in records]
    check(max(starts) - min(starts) <= SLACK_MS, f"the log's clock went wrong by {max(starts) - min(starts):.0f} ms")
    written = [record["written_ms"] for record in records]
    check(written == sorted(written), "records were written out of order")
    # The birth that this driver keys is never taken back.
    births = [record["t_ms"] for record in records if record.get("event") == "birth"]
    for record in records:
        if births and record["seq"] > 0 and "birth_ms" in record:
            check(record["birth_ms"] == record["t_ms"] - births[0], f"time since birth is wrong in {record['seq']}")


# What was answered


def answers(lines):
    """What the printed lines say is in the log: (kind, what, line), each as often as it was said."""
    found = []
    for line in lines:
        if line.startswith("Call-outs heard"):
            # The summary at the end, which tells of corrected events once more.
            break
        for kind, pattern in PATTERNS:
            match = re.search(pattern, line)
            if match:
                found.append((kind, match.group(1), line))
                break
    return found


PATTERNS = [
    ("amend", r"(?:corrects|moves) record (\d+)"),
    ("withdraw", r"- record (\d+) withdrawn"),
    ("confirm", r"✓ record (\d+) confirmed"),
    ("heart_rate", r"[✓?] Heart rate (\d+) /min"),
    ("saturation", r"[✓?] SpO2 (\d+) %"),
    ("event", r"[✓?] (.{0,36}?)\s+\""),
    ("note", r"• (mark)"),
    ("device", r"! (recorder: started again)"),
    ("said", r"» (.*)"),
]


def held(records):
    """The same of a log; events that have no number count by kind alone."""
    found = []
    for record in records:
        kind = record["kind"]
        if kind in ("amend", "withdraw", "confirm"):
            found.append((kind, str(record["of"])))
        elif kind == "event" and record["event"] in ("heart_rate", "saturation"):
            found.append((record["event"], str(record.get("value"))))
        elif kind == "event":
            found.append(("event", None))
        elif kind == "note":
            found.append(("note", "mark"))
        elif kind == "device" and record["device"] == "recorder":
            found.append(("device", f"recorder: {record['state']}"))
        elif kind == "said":
            found.append(("said", record["text"]))
    return found


def all_held(answered, records, where):
    there = held(records)
    for kind, what, line in answered:
        key = (kind, None) if kind == "event" else (kind, what)
        check(key in there, f"{where}: answered and not in the log: {kind} {what}: {line!r}")
        there.remove(key)


# Live


class Listening:
    """A running `earmark listen`, its output and its wall board."""

    def __init__(self, earmark, environment, log, spare, folder=None):
        """As a service in a folder, if one is given."""
        self.lines, self.errors, self.shown = [], [], {}
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        out, out_there = os.pipe()
        err, err_there = os.pipe()
        command = [str(earmark), "listen", "--plain", "--mic", "virtual_mic", "--keypad", "terminal", "--no-voice",
                   "--purpose", "demo", "--board", f"127.0.0.1:{self.port}"]  # fmt: skip
        command += ["--service"] if folder else ["--log", str(log)]
        command += ["--log-spare", str(spare)] if spare else []
        self.pid, self.keys = pty.fork()
        if self.pid == 0:
            os.dup2(out_there, 1)
            os.dup2(err_there, 2)
            os.closerange(3, 256)
            os.chdir(folder or ".")
            os.execve(command[0], command, environment)
        os.close(out_there)
        os.close(err_there)
        self.readers = [threading.Thread(target=self.read, args=pair) for pair in [(out, self.lines), (err, self.errors)]]
        self.readers.append(threading.Thread(target=self.watch))
        self.over = False
        for reader in self.readers:
            reader.start()

    @staticmethod
    def read(pipe, lines):
        with os.fdopen(pipe, encoding="utf-8", errors="replace") as text:
            for line in text:
                # A line that was cut short by the kill was not shown whole, but it was shown.
                lines.append(line.rstrip("\n"))

    def watch(self):
        """What the wall shows: {seq: text}, without what it marks as waiting."""
        while not self.over:
            try:
                board = http.client.HTTPConnection("127.0.0.1", self.port, timeout=2)
                board.request("GET", "/events")
                stream = board.getresponse()
                while line := stream.readline():
                    if line.startswith(b"data:"):
                        for event in json.loads(line[5:]).get("face", {}).get("events", []):
                            if not event.get("waits"):
                                self.shown[event["seq"]] = event["text"]
            except (OSError, http.client.HTTPException, json.JSONDecodeError):
                time.sleep(0.05)

    def wait_for(self, text):
        until = time.monotonic() + 120
        while not any(text in line for line in list(self.errors)):
            check(time.monotonic() < until, f"never said: {text}; {self.errors}")
            if os.waitpid(self.pid, os.WNOHANG)[0]:
                raise Failed(f"it ended by itself: {self.errors}")
            time.sleep(0.02)

    def type(self, text):
        with contextlib.suppress(OSError):
            os.write(self.keys, text.encode())

    def end(self, name):
        os.kill(self.pid, name)
        status = os.waitpid(self.pid, 0)[1]
        self.over = True
        for reader in self.readers:
            reader.join()
        os.close(self.keys)
        return status


class Lives:
    """Logs that are killed, gone on with, and ended at last."""

    def __init__(self, earmark, environment, folder, dice):
        self.earmark, self.environment, self.folder, self.dice = earmark, environment, folder, dice
        self.count, self.log = 0, None

    def begin(self):
        self.count += 1
        self.log = self.folder / f"live{self.count}.earmark.jsonl"
        self.spare = self.folder / f"spare{self.count}.earmark.jsonl" if self.count % 3 == 0 else None
        self.answered, self.shown, self.value, self.lives, self.born = [], {}, 60, 0, False

    def keys(self):
        dice = self.dice
        if not self.born:
            self.born = True
            return "/0"
        self.value = 60 + (self.value - 59) % 140
        number = f"4{self.value}\r" if self.value % 2 else f"5{min(self.value, 100) - 1}\r"
        return dice.choice([number, number, number, "7", "8", "0", "-2", f"-5{self.value}\r", "-1", "*7", "-8"])

    def kill(self):
        if self.log is None:
            self.begin()
        listening = Listening(self.earmark, self.environment, self.log, self.spare)
        early = self.dice.random() < 0.2
        if early:
            # While it starts, too: it takes about a second.
            time.sleep(self.dice.random() * 1.5)
        else:
            listening.wait_for("Listening to")
            until = time.monotonic() + self.dice.random() * 2
            while time.monotonic() < until:
                listening.type(self.keys())
                time.sleep(self.dice.random() * 0.15)
            if self.dice.random() < 0.15:
                # While it ends, too.
                os.kill(listening.pid, signal.SIGINT)
                time.sleep(self.dice.random() * 0.6)
        listening.end(signal.SIGKILL)
        self.look(listening)
        self.lives += 1
        places = [place for place in (self.log, self.spare) if place]
        if any(record["kind"] == "close" for place in places for record in read(place)):
            self.log = None
        elif self.lives >= LIVES:
            self.close()

    def look(self, listening):
        self.answered += answers(listening.lines)
        self.shown.update(listening.shown)
        places = [place for place in (self.log, self.spare) if place and place.exists()]
        logs = [read(place) for place in places]
        for place, records in zip(places, logs):
            if records:
                verify(self.earmark, self.environment, place)
                on_one_clock(records)
        records = max(logs, key=len, default=[])
        if len(logs) == 2:
            shorter = min(logs, key=len)
            check(records[: len(shorter)] == shorter, "the two places hold different logs")
        all_held(self.answered, records, self.log)
        for seq, text in self.shown.items():
            check(seq < len(records) and records[seq]["kind"] == "event", f"the board showed {seq} {text}: not in the log")
        starts = sum(1 for record in records if record.get("device") == "recorder")
        check(starts <= self.lives, f"{starts} starts in the log of {self.lives} lives")

    def close(self):
        # The longer of two places is gone on with.
        before = max(len(read(place)) for place in (self.log, self.spare) if place)
        listening = Listening(self.earmark, self.environment, self.log, self.spare)
        now = time.time() * 1000
        listening.wait_for("Listening to")
        listening.type("4100\r")
        time.sleep(1.5)
        status = listening.end(signal.SIGINT)
        check(status == 0, f"it did not end well: {listening.errors}")
        self.look(listening)
        records = read(self.log)
        check(records[-1]["kind"] == "close", "the log was not closed")
        if before:
            again = [record for record in records if record.get("device") == "recorder"][-1]
            check(abs(wall_ms(again) - now) < 60_000, "the clock of the log is not that of the wall")
        if self.spare:
            check(self.log.read_bytes() == self.spare.read_bytes(), "the two places are not the same in the end")
        done = subprocess.run([self.earmark, "listen", "--log", self.log, "--mic", "virtual_mic"], env=self.environment,
                              capture_output=True, text=True)  # fmt: skip
        check(done.returncode == 1 and "ended by its close record" in done.stderr, f"a closed log: {done.stderr}")
        self.log = None


def verify(earmark, environment, path):
    done = subprocess.run([earmark, "verify", path], env=environment, capture_output=True, text=True)
    # 3: nothing is wrong with it, but it was not closed.
    check(done.returncode in (0, 3), f"{path}: {done.stdout}{done.stderr}")


# Replay and export


def kill_replay(earmark, environment, folder, dice, number):
    log = folder / f"replay{number}.earmark.jsonl"
    out = folder / f"replay{number}.txt"
    with out.open("wb") as printed:
        process = subprocess.Popen([earmark, "replay", DRILL, "--log", log], env=environment, stdout=printed,
                                   stderr=subprocess.DEVNULL)  # fmt: skip
        time.sleep(dice.random() * 6)
        process.kill()
        process.wait()
    if not log.exists() or not log.stat().st_size:
        return
    records = read(log)
    if records:
        verify(earmark, environment, log)
    all_held(answers(out.read_text(errors="replace").splitlines()), records, log)
    log.unlink()


def kill_export(earmark, environment, folder, dice, number):
    log = HERE.parent / "debrief" / "drill.earmark.jsonl"
    before = log.read_bytes()
    kind = dice.choice(["csv", "fhir", "xes", "webvtt", "redact"])
    out = folder / f"export{number}.{kind}"
    command = [earmark, "redact", log] if kind == "redact" else [earmark, "export", log, "--to", kind]
    command += ["--out", out]
    process = subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    time.sleep(dice.random() * 0.6)
    process.kill()
    process.wait()
    check(log.read_bytes() == before, "the export changed its log")
    if out.exists():
        shutil.rmtree(out) if out.is_dir() else out.unlink()
    done = subprocess.run(command, env=environment, capture_output=True, text=True)
    check(done.returncode == 0, f"the export cannot be made again: {done.stderr}")


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("earmark", type=lambda path: str(pathlib.Path(path).resolve()))
    parser.add_argument("--kills", type=int, default=500)
    parser.add_argument("--seed", type=int, default=random.randrange(1 << 30))
    parser.add_argument("--at-once", type=int, default=2)
    args = parser.parse_args()
    print(f"{args.kills} kills, --seed {args.seed}", flush=True)
    counts, wrong, lock = {"live": 0, "replay": 0, "export": 0}, [], threading.Lock()
    answered = [0, 0]

    def work(worker, kills, environment, folder):
        dice = random.Random(args.seed * 100 + worker)
        lives = Lives(args.earmark, environment, folder, dice)
        try:
            for number in range(kills):
                kind = MIX[number % len(MIX)] if kills >= len(MIX) else dice.choice(MIX)
                if kind == "live":
                    lives.kill()
                else:
                    {"replay": kill_replay, "export": kill_export}[kind](
                        args.earmark, environment, folder, dice, number
                    )
                with lock:
                    counts[kind] += 1
                    total = sum(counts.values())
                    if total % 50 == 0:
                        print(f"{total} kills: {counts}", flush=True)
                if wrong:
                    return
                if lives.log is not None:
                    lives_total[worker] = (len(lives.answered), len(lives.shown))
                else:
                    done = lives_total.pop(worker, (0, 0))
                    with lock:
                        answered[0] += done[0]
                        answered[1] += done[1]
            if lives.log is not None:
                lives.close()
                with lock:
                    answered[0] += len(lives.answered)
                    answered[1] += len(lives.shown)
        except Exception as failure:  # noqa: BLE001 (whatever it is, it is told)
            wrong.append(f"{type(failure).__name__}: {failure} (worker {worker}, log {lives.log})")

    lives_total = {}
    kept = pathlib.Path(tempfile.mkdtemp(prefix="earmark-torture-"))
    with sound_server() as environment:
        workers = []
        for worker in range(args.at_once):
            folder = kept / str(worker)
            folder.mkdir()
            share = args.kills // args.at_once + (worker < args.kills % args.at_once)
            workers.append(threading.Thread(target=work, args=(worker, share, environment, folder)))
        for worker in workers:
            worker.start()
        for worker in workers:
            worker.join()
    print(f"{sum(counts.values())} kills: {counts}; {answered[0]} answers printed and {answered[1]} on the board, all held")
    if wrong:
        print("\n".join(wrong), f"\nall files are in {kept}", file=sys.stderr)
        sys.exit(1)
    shutil.rmtree(kept)


if __name__ == "__main__":
    main()
