"""Time and memory of `earmark compare` over a folder of logs, and over parts of it, to see that cost is linear.

usage: many.py PROGRAM FOLDER
"""

import os
import subprocess
import sys
import time
from pathlib import Path

program, folder = sys.argv[1], Path(sys.argv[2])
logs = sorted(folder.rglob("*.earmark.jsonl"), key=lambda log: log.name)
size = sum(log.stat().st_size for log in logs) / 2**20
print(f"{len(logs)} logs, {size:.0f} MiB, {os.cpu_count()} cores")
print("| logs | seconds | MiB resident |\n|---|---|---|")
for part in (len(logs) // 4, len(logs) // 2, len(logs)):
    start = time.monotonic()
    child = subprocess.Popen([program, "compare", "--json", *logs[:part]], stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(child.pid, 0)
    seconds = time.monotonic() - start
    assert status == 0, status
    print(f"| {part} | {seconds:.1f} | {usage.ru_maxrss / 1024:.0f} |")
