"""Time and memory of the commands that read a log, over logs from 1,000 to 1,000,000 records, to see that cost is linear;
then how long it takes to go on with an open log.

usage: long.py PROGRAM INVENT FOLDER [MOST]

The last needs faketime and PulseAudio, and is left out without them.
"""

import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from common.sound_server import sound_server  # noqa: E402

program, invent, folder = sys.argv[1], sys.argv[2], Path(sys.argv[3])
most = int(sys.argv[4]) if len(sys.argv) > 4 else 1_000_000
sizes = [size for size in (1_000, 10_000, 100_000, 1_000_000) if size <= most]
shutil.rmtree(folder, ignore_errors=True)

COMMANDS = {
    "verify": ["verify", "LOG"],
    "verify, damaged": ["verify", "DAMAGED"],
    "redact": ["redact", "LOG", "--out", "OUT", "--force"],
    "debrief": ["debrief", "LOG", "--json"],
    "compare": ["compare", "LOG", "--json"],
    "csv": ["export", "LOG", "--to", "csv", "--out", "OUT", "--force"],
    "fhir": ["export", "LOG", "--to", "fhir", "--out", "OUT", "--force"],
    "xes": ["export", "LOG", "--to", "xes", "--out", "OUT", "--force"],
    "webvtt": ["export", "LOG", "--to", "webvtt", "--out", "OUT", "--force"],
    "parquet": ["export", "LOG", "--to", "parquet", "--out", "OUT", "--force"],
}


def measure(arguments, wanted):
    """Seconds of processor time, and MiB resident at the most."""
    child = subprocess.Popen([program, *arguments], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    _, status, usage = os.wait4(child.pid, 0)
    assert os.waitstatus_to_exitcode(status) in wanted, (arguments, status)
    return usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024


def going_on(log, environment):
    """Seconds until a recorder that goes on with the log has written its first record."""
    copy = log.with_name("open.earmark.jsonl")
    shutil.copyfile(log, copy)
    before = copy.stat().st_size
    # The clock stands where the log ends: a log that is older than a day is not gone on with.
    last = subprocess.run(["tail", "-n", "1", copy], capture_output=True, text=True, check=True).stdout
    at = last.split('"at":"')[1].split('"')[0][:19].replace("T", " ")
    command = ["faketime", at, program, "listen", "--log", copy, "--no-voice", "--plain", "--keypad", "off"]
    environment = {**environment, "TZ": "UTC"}
    begun = time.monotonic()
    child = subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
                             start_new_session=True)  # fmt: skip
    while copy.stat().st_size == before and child.poll() is None:
        time.sleep(0.005)
    took = time.monotonic() - begun
    if child.poll() is None:
        os.killpg(child.pid, signal.SIGINT)
        child.communicate()
        return f"{took:.2f}"
    return "not tried: " + child.stderr.read().strip().splitlines()[-1]


print(f"{os.cpu_count()} cores; seconds of processor time / MiB resident")
print("| command | " + " | ".join(f"{size:,} records" for size in sizes) + " |")
print("|---|" + "---|" * len(sizes))
logs = []
for size in sizes:
    subprocess.run([invent, folder, "long", str(size)], check=True)
    log = folder / f"{size}.earmark.jsonl"
    damaged = folder / f"{size}.damaged.jsonl"
    shutil.copyfile(log, damaged)
    # A byte in the middle. Not read as a whole: children would count what this program once held.
    with damaged.open("r+b") as file:
        file.seek(log.stat().st_size // 2)
        byte = file.read(1)[0]
        file.seek(-1, os.SEEK_CUR)
        file.write(bytes([byte ^ 1]))
    logs.append((log, damaged))
for name, arguments in COMMANDS.items():
    cells = []
    for log, damaged in logs:
        out = folder / "out"
        places = {"LOG": str(log), "DAMAGED": str(damaged), "OUT": str(out)}
        seconds, resident = measure([places.get(word, word) for word in arguments], (0, 1, 3))
        out.unlink(missing_ok=True)
        cells.append(f"{seconds:.2f} / {resident:.0f}")
    print(f"| {name} | " + " | ".join(cells) + " |", flush=True)
if shutil.which("faketime") and shutil.which("pulseaudio"):
    with sound_server() as environment:
        print("| going on, s | " + " | ".join(going_on(log, environment) for log, _ in logs) + " |")
