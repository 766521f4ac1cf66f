#!/usr/bin/env python3
"""Floods the real program and watches its memory: shouting and keys through a private sound server, a day of recorded
audio in one replay, three days of quiet. All audio is invented.

usage: flood.py EARMARK [--hours H] [--only shout replay quiet] [--result PATH]

--hours 1, the default, is an hour of shouting with ten keys a second for its first ten minutes, 24 h of the drill
and 72 h of quiet; another number scales all of them. Needs Debian's pulseaudio, pulseaudio-utils and sox.
"""

import argparse
import json
import os
import pathlib
import pty
import re
import signal
import subprocess
import sys
import tempfile
import threading
import time

HERE = pathlib.Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "common"))
from sound_server import sound_server  # noqa: E402

DRILL = HERE.parent / "drill/drill.flac"
# Megabytes that the program may have resident at most.
MOST = 150
# It keeps what was recorded, so that a scribe can correct it: so many bytes a record, and as many megabytes of slack.
A_RECORD, SLACK = 4096, 6
# One record a key: chest moves, chest does not, ventilation started and stopped.
KEYS, A_SECOND = b"9678", 10


def run(*command, **more):
    return subprocess.run([str(part) for part in command], check=True, capture_output=True, text=True, **more).stdout


def status(pid):
    """Resident megabytes, and seconds of processor."""
    text = pathlib.Path(f"/proc/{pid}/status").read_text()
    times = pathlib.Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    used = (int(times[11]) + int(times[12])) / os.sysconf("SC_CLK_TCK")
    return int(re.search(r"VmRSS:\s+(\d+)", text)[1]) / 1024, used


class Watch(threading.Thread):
    """Looks at a process, until it ends."""

    def __init__(self, pid, log):
        super().__init__(daemon=True)
        self.pid, self.log, self.rows, self.processor = pid, log, [], 0
        self.began = time.monotonic()
        self.start()

    def run(self):
        while True:
            try:
                memory, self.processor = status(self.pid)
            except (OSError, TypeError):
                return
            size = self.log.stat().st_size if self.log.exists() else 0
            self.rows.append((time.monotonic() - self.began, memory, size))
            time.sleep(0.5)

    def figures(self, simulated):
        """`simulated` is how many hours of the log's time the run held."""
        self.join(10)
        took = self.rows[-1][0]
        warm = [row for row in self.rows if row[0] >= took / 5]
        xs, ys = [row[0] / took * simulated for row in warm], [row[1] for row in warm]
        x, y = sum(xs) / len(xs), sum(ys) / len(ys)
        slope = sum((a - x) * (b - y) for a, b in zip(xs, ys)) / (sum((a - x) ** 2 for a in xs) or 1)
        return {"hours": simulated, "took_s": took, "slope": slope, "peak": max(row[1] for row in self.rows),
                "first": warm[0][1], "last": max(ys[-5:]), "processor": self.processor}  # fmt: skip


def judge(name, found, log, earmark, more=""):
    lines = [json.loads(line) for line in log.read_text().splitlines()]
    verified = run(earmark, "verify", log).split(": ", 1)[1].strip()
    share = found["processor"] / found["took_s"]
    line = (f"{name}: {found['hours']:.2f} h of log time in {found['took_s']:.0f} s, {len(lines)} records{more}; resident "
            f"{found['first']:.1f} MiB after a fifth, {found['last']:.1f} at the end, {found['peak']:.1f} at most, slope "
            f"{found['slope']:+.3f} MiB an hour; {share:.3f} of a core; {verified}")  # fmt: skip
    print(line, flush=True)
    faults = []
    if found["peak"] > MOST:
        faults.append(f"{found['peak']:.1f} MiB are resident, {MOST} may be")
    if found["last"] - found["first"] > SLACK + len(lines) * A_RECORD / 2**20:
        faults.append(f"memory grew from {found['first']:.1f} to {found['last']:.1f} MiB")
    return lines, line, faults


def replay(earmark, folder, name, files, hours):
    log = folder / f"{name}.earmark.jsonl"
    command = [earmark, "replay", *files, "--purpose", "demo", "--start", "2026-01-01T09:00:00Z", "--log", log]
    process = subprocess.Popen([str(part) for part in command], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    watch = Watch(process.pid, log)
    if process.wait():
        sys.exit(f"the replay of {name} failed")
    found = watch.figures(hours)
    speed = hours * 3600 / found["took_s"]
    lines, line, faults = judge(f"{name}, replayed", found, log, earmark, f", {speed:.0f} times as fast as it was")
    if name == "quiet" and len(lines) > 2:
        faults.append(f"{len(lines) - 2} records came of quiet")
    return line, faults


def shout(earmark, folder, hours):
    """Call-outs of the drill, driven far into full scale, one behind the other, and keys meanwhile."""
    loud = folder / "shout.wav"
    run("sox", DRILL, "-r", "48000", loud, "gain", "30")
    log = folder / "shout.earmark.jsonl"
    with sound_server() as environment:
        environment["TERM"] = "xterm"
        child, terminal = pty.fork()
        if child == 0:
            command = [str(earmark), "listen", "--mic", "virtual_mic", "--keypad", "terminal", "--no-voice", "--purpose",
                       "demo", "--log", str(log)]  # fmt: skip
            os.execvpe(command[0], command, environment)
        drain = threading.Thread(target=read_all, args=(terminal,), daemon=True)
        drain.start()
        while not log.exists():
            time.sleep(0.05)
        watch = Watch(child, log)
        until = time.monotonic() + hours * 3600
        keys_until = time.monotonic() + min(600, hours * 3600)
        player, typed, next_key = None, 0, time.monotonic()
        while time.monotonic() < until:
            if player is None or player.poll() is not None:
                player = subprocess.Popen(["paplay", "--device=room", str(loud)], env=environment)
            if time.monotonic() < keys_until:
                os.write(terminal, KEYS[typed % len(KEYS):][:1])
                typed += 1
                next_key += 1 / A_SECOND
                time.sleep(max(0, next_key - time.monotonic()))
            else:
                time.sleep(0.5)
        player.kill()
        time.sleep(3)
        os.kill(child, signal.SIGTERM)
        os.waitpid(child, 0)
    found = watch.figures(hours)
    lines, line, faults = judge("shouting", found, log, earmark, f", {typed} keys")
    keyed = sum(1 for record in lines if record.get("by") == "keypad")
    if keyed != typed:
        faults.append(f"{typed} keys were typed, {keyed} are in the log")
    heard = sum(1 for record in lines if record["kind"] == "event" and record.get("by") == "voice")
    devices = [f"{r['device']} {r['state']}" for r in lines if r["kind"] == "device"]
    line += f"; {keyed} of {typed} keys are in the log, {heard} events were heard; devices: {', '.join(devices) or 'nothing'}"
    if len(devices) > 20:
        faults.append(f"{len(devices)} records of devices are a flood")
    return line, faults


def read_all(terminal):
    try:
        while os.read(terminal, 65536):
            pass
    except OSError:
        pass


def main():
    arguments = argparse.ArgumentParser()
    arguments.add_argument("earmark", type=pathlib.Path)
    arguments.add_argument("--hours", type=float, default=1)
    arguments.add_argument("--only", nargs="+", default=["quiet", "replay", "shout"])
    arguments.add_argument("--result", type=pathlib.Path)
    asked = arguments.parse_args()
    earmark, said, faults = asked.earmark.resolve(), [], []
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        for part in asked.only:
            if part == "quiet":
                quiet = folder / "quiet.flac"
                run("sox", "-R", "-n", "-r", "16000", "-c", "1", "-b", "16", quiet, "synth", "3600", "pinknoise", "vol", "0.003")
                count = max(1, round(72 * asked.hours))
                line, wrong = replay(earmark, folder, "quiet", [quiet] * count, count)
            elif part == "replay":
                seconds = float(run("soxi", "-D", DRILL))
                count = max(1, round(24 * asked.hours * 3600 / seconds))
                line, wrong = replay(earmark, folder, "the drill", [DRILL] * count, count * seconds / 3600)
            else:
                line, wrong = shout(earmark, folder, asked.hours)
            said.append(line)
            faults += [f"{part}: {fault}" for fault in wrong]
    if asked.result:
        head = f"Last run {time.strftime('%Y-%m-%d', time.gmtime())} with --hours {asked.hours:g} on {os.cpu_count()} cores:\n"
        asked.result.write_text(head + "".join(f"- {line}\n" for line in said + [f"FAULT {fault}" for fault in faults]))
    sys.exit("\n".join(faults) or 0)


if __name__ == "__main__":
    main()
