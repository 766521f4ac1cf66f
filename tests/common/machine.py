"""An emulated machine with a USB keyboard and Debian's kernel, for what only a whole machine shows.

Needs Debian's qemu-system-x86. No KVM is needed.
"""

import json
import os
import pathlib
import re
import socket
import subprocess
import sys
import time

PATIENCE = 240
KEYS = {"+": "kp_add", "-": "kp_subtract", "*": "kp_multiply", "/": "kp_divide", ".": "kp_decimal", "Enter": "kp_enter"}
KEYS |= {str(n): f"kp_{n}" for n in range(10)}


def run(*command, **more):
    return subprocess.run(command, check=True, capture_output=True, text=True, **more).stdout


def cache(name):
    """Where what was fetched is kept."""
    return pathlib.Path(os.environ.get("XDG_CACHE_HOME") or pathlib.Path.home() / ".cache") / f"earmark-{name}"


class Machine:
    """What it says on its first serial line is read, on the second it is asked."""

    def __init__(self, folder, image, initrd, boots, more=()):
        """Boots with these words for the kernel, and these arguments more for QEMU."""
        self.folder, self.lines, self.at = folder, [], 0
        command = ["qemu-system-x86_64", "-accel", "tcg", "-machine", "pc", "-m", "1024", "-display", "none",
                   "-no-reboot", "-nic", "none", "-kernel", str(image), "-initrd", str(initrd),
                   "-append", f"console=ttyS0 quiet loglevel=3 panic=-1 {boots}",
                   "-serial", f"file:{folder}/console", "-serial", f"unix:{folder}/asks,server=on,wait=off",
                   "-monitor", f"unix:{folder}/monitor,server=on,wait=off",
                   "-device", "qemu-xhci", "-device", "usb-kbd,id=pad", *more]  # fmt: skip
        (folder / "console").touch()
        self.qemu = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
        self.monitor, self.asks = self.connect("monitor"), self.connect("asks")

    def connect(self, name):
        until = time.monotonic() + 20
        while True:
            try:
                made = socket.socket(socket.AF_UNIX)
                made.connect(str(self.folder / name))
                return made
            except OSError:
                if self.qemu.poll() is not None or time.monotonic() > until:
                    sys.exit(f"QEMU does not start: {self.qemu.stderr.read().decode()}")
                time.sleep(0.1)

    def ask(self, word):
        self.asks.sendall(word.encode() + b"\n")

    def order(self, text):
        self.monitor.sendall(text.encode() + b"\n")

    def status(self):
        """What QEMU says of the whole machine: running, or suspended."""
        self.monitor.setblocking(False)
        try:
            while self.monitor.recv(65536):
                pass
        except BlockingIOError:
            self.monitor.setblocking(True)
        self.order("info status")
        time.sleep(0.3)
        return self.monitor.recv(65536).decode(errors="replace")

    def expect(self, pattern):
        """Waits for a line, after all that were waited for before, and gives its match."""
        until = time.monotonic() + PATIENCE
        while time.monotonic() < until:
            self.lines = (self.folder / "console").read_bytes().decode(errors="replace").replace("\r", "").split("\n")
            for number in range(self.at, len(self.lines) - 1):
                if found := re.search(pattern, self.lines[number]):
                    self.at = number + 1
                    return found
            if self.qemu.poll() is not None:
                break
            time.sleep(0.1)
        shown = "\n".join(self.lines[-30:])
        sys.exit(f"'{pattern}' did not come; the machine said at last:\n{shown}")

    def keys(self, *names, held=None, apart=0.4):
        for name in names:
            keys = "-".join(KEYS.get(part, part) for part in name.split("&"))
            self.order(f"sendkey {keys} {held or 100}")
            time.sleep(apart)

    def event(self, name, value=None):
        """Waits for the record of a keyed event."""
        record = json.loads(self.expect(rf'RECORD (.*"event":"{name}".*)')[1])
        assert record["by"] == "keypad", record
        assert record.get("value") == value, record
        return record

    def end(self):
        self.qemu.kill()
        self.qemu.wait()


class Report:
    """What was proved, line by line; kept in result.txt in a folder once all is."""

    def __init__(self, folder):
        self.folder, self.began, self.said = folder, time.monotonic(), []

    def __call__(self, line):
        self.said.append(line)
        print(f"{time.monotonic() - self.began:6.0f} s  {line}", flush=True)

    def verified(self, earmark, log):
        self(f"earmark verify: {run(str(earmark), 'verify', str(log)).split(': ', 1)[1].strip()}")

    def keep(self):
        version, day = run("qemu-system-x86_64", "--version").splitlines()[0], time.strftime("%Y-%m-%d", time.gmtime())
        head = f"Last passed {day}, in {time.monotonic() - self.began:.0f} s, {version}, no KVM:\n"
        (self.folder / "result.txt").write_text(head + "".join(f"- {line}\n" for line in self.said))
