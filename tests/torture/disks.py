#!/usr/bin/env python3
"""Takes the disk away from a running Earmark, on real file systems. Needs root: it mounts.

usage: disks.py EARMARK

Each time `earmark listen` runs on a private sound server, and keys are typed before, during and after:
full       a tmpfs of 512 KiB, filled up; room is made again
read-only  ext4 on a loop device that goes read-only by itself (remount with `abort`), is taken off and mounted again
slow       ext4 that is frozen (fsfreeze) for 3 s, three times
removed    the file is removed
unplugged  ext4 is taken off while it is written (umount -l), and mounted again
gone       a tmpfs is taken off and its folder with it, for good; there is a spare log on another
locked     ext4, the file is made immutable (chattr +i)
ended      a tmpfs that is full in the middle of a record and still at the end: what waited is saved in the state folder;
           a start while it is still full is refused, as what waits ends the log; `earmark mend` once there is room
service    the same as a service whose state folder is full: its folder in memory takes what waited, /tmp goes, and the next
           start joins it, closes that log and begins another
It prints how long the warning took, and whether everything typed is in the log in its order.
"""

import contextlib
import pathlib
import signal
import subprocess
import sys
import tempfile
import time

from torture import Listening, check, on_one_clock, read, sound_server, verify


def run(*command):
    done = subprocess.run([str(word) for word in command], capture_output=True, text=True)
    check(done.returncode == 0, f"{command}: {done.stderr}")


@contextlib.contextmanager
def tmpfs(folder, size):
    folder.mkdir(exist_ok=True)
    run("mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", folder)
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", str(folder)], capture_output=True)


@contextlib.contextmanager
def ext4(folder):
    folder.mkdir(exist_ok=True)
    image = folder.with_suffix(".img")
    run("truncate", "-s", "16M", image)
    run("mkfs.ext4", "-q", image)
    run("mount", "-o", "loop", image, folder)
    try:
        yield folder, image
    finally:
        subprocess.run(["umount", "-l", str(folder)], capture_output=True)


class Session:
    def __init__(self, earmark, environment, log, spare=None, folder=None):
        self.earmark, self.environment, self.log, self.spare = earmark, environment, log, spare
        self.listening = Listening(earmark, environment, log, spare, folder)
        self.listening.wait_for("Listening to")
        self.value, self.expected = 60, []
        self.key(3)

    def key(self, count=1):
        for _ in range(count):
            self.listening.type(f"4{self.value}\r")
            self.expected.append(self.value)
            self.value += 1
            time.sleep(0.1)

    def told(self, text, since):
        """How long until it was told."""
        until = time.monotonic() + 60
        while not any(text in line for line in self.listening.errors[since[1] :]):
            check(time.monotonic() < until, f"never told: {text}; {self.listening.errors[since[1]:]}")
            time.sleep(0.01)
        return time.monotonic() - since[0]

    def mark(self):
        return time.monotonic(), len(self.listening.errors)

    def end(self, at=None, lacks=0):
        time.sleep(1)
        status = self.listening.end(signal.SIGINT)
        log = at or self.log
        records = read(log)
        verify(self.earmark, self.environment, log)
        on_one_clock(records)
        found = [r["value"] for r in records if r.get("event") == "heart_rate" and r["kind"] == "event"]
        check(found == self.expected, f"{found} are in the log, {self.expected} were typed; {self.listening.errors}")
        check(records[-1]["kind"] == "close", "the log was not closed")
        check((status == 0) == (not lacks), f"it ended with {status}: {self.listening.errors}")
        states = [r["state"] for r in records if r.get("device") == "disk"]
        return f"{len(found)} keys in order; disk: {', '.join(states)}"


def trouble(session, begin, end, keys=5):
    """One failure: how long the warning took, and the return."""
    begin()
    mark = session.mark()
    session.key(keys)
    warned = session.told("! disk: ", mark)
    session.key(keys)
    mark = session.mark()
    end()
    session.key(1)
    back = session.told("! disk: back", mark)
    return f"warned after {warned:.2f} s, back after {back:.1f} s"


def full(earmark, environment, home):
    with tmpfs(home / "full", "512k") as folder:
        session = Session(earmark, environment, folder / "log.earmark.jsonl")
        filler = folder / "filler"
        return f"{trouble(session, lambda: fill(filler), filler.unlink, keys=40)}; {session.end()}"


def read_only(earmark, environment, home):
    with ext4(home / "readonly") as (folder, image):
        session = Session(earmark, environment, folder / "log.earmark.jsonl")

        def again():
            run("umount", "-l", folder)
            time.sleep(1)
            run("mount", "-o", "loop", image, folder)

        said = trouble(session, lambda: run("mount", "-o", "remount,abort", folder), again)
        return f"{said}; {session.end()}"


def slow(earmark, environment, home):
    with ext4(home / "slow") as (folder, _):
        session = Session(earmark, environment, folder / "log.earmark.jsonl")
        told = []
        for _ in range(3):
            def thaw():
                time.sleep(2)
                run("fsfreeze", "-u", folder)

            told.append(trouble(session, lambda: run("fsfreeze", "-f", folder), thaw))
        return f"{'; '.join(told)}; {session.end()}"


def removed(earmark, environment, home):
    session = Session(earmark, environment, home / "removed.earmark.jsonl")
    return f"{trouble(session, session.log.unlink, lambda: None)}; {session.end()}"


def unplugged(earmark, environment, home):
    with ext4(home / "stick") as (folder, image):
        session = Session(earmark, environment, folder / "log.earmark.jsonl")
        off = lambda: run("umount", "-l", folder)  # noqa: E731
        on = lambda: run("mount", "-o", "loop", image, folder)  # noqa: E731
        return f"{trouble(session, off, on)}; {session.end()}"


def gone(earmark, environment, home):
    with tmpfs(home / "gone", "1m") as folder, tmpfs(home / "other", "1m") as other:
        session = Session(earmark, environment, folder / "log.earmark.jsonl", other / "log.earmark.jsonl")
        run("sh", "-c", f"umount -l {folder} && rmdir {folder}")
        mark = session.mark()
        session.key(5)
        warned = session.told("! disk: waiting", mark)
        session.key(5)
        said = session.end(at=session.spare, lacks=1)
        check("copy that one over it" in "\n".join(session.listening.errors), "what is where was not told")
        return f"warned after {warned:.2f} s; whole on the spare: {said}"


def locked(earmark, environment, home):
    with ext4(home / "locked") as (folder, _):
        session = Session(earmark, environment, folder / "log.earmark.jsonl")
        lock = lambda: run("chattr", "+i", session.log)  # noqa: E731
        free = lambda: run("chattr", "-i", session.log)  # noqa: E731
        return f"{trouble(session, lock, free)}; {session.end()}"


def fill(filler):
    with contextlib.suppress(OSError), filler.open("wb", buffering=0) as file:
        while True:
            file.write(bytes(512))


def tear(log, filler):
    """A disk that fills up in mid-record leaves half a line, unless there was just time to cut it off."""
    whole = log.read_bytes()
    if not whole.endswith(b"\n"):
        return
    filler.unlink()
    with log.open("ab") as file:
        file.write(b'{"seq":%d,"t_ms":' % whole.count(b"\n"))
    fill(filler)


def values(records):
    return [r["value"] for r in records if r.get("event") == "heart_rate" and r["kind"] == "event"]


def ended(earmark, environment, home):
    environment = {**environment, "XDG_STATE_HOME": str(home / "state")}
    with tmpfs(home / "ended", "512k") as folder:
        log, filler = folder / "log.earmark.jsonl", folder / "filler"
        session = Session(earmark, environment, log)
        fill(filler)
        mark = session.mark()
        session.key(40)
        session.told("! disk: waiting", mark)
        check(session.listening.end(signal.SIGINT) != 0, "a log that lacks its end was no error")
        said = "\n".join(session.listening.errors)
        check(f"earmark mend {log} {home}/state/earmark/log" in said, f"the mend was not told: {said}")
        tear(log, filler)
        # What waits ends with the close record: this log is not gone on with, and nothing is lost of it.
        done = subprocess.run([earmark, "listen", "--log", log, "--mic", "virtual_mic"], env=environment,
                              capture_output=True, text=True)  # fmt: skip
        check(done.returncode == 1 and "waits to be joined" in done.stderr, f"{done.stdout}{done.stderr}")
        filler.unlink()
        done = subprocess.run([earmark, "mend", log], env=environment, capture_output=True, text=True)
        check(done.returncode == 0 and "the log is closed" in done.stdout, f"{done.stdout}{done.stderr}")
        verify(earmark, environment, log)
        found = values(read(log))
        check(found == session.expected, f"{found} are in the log, {session.expected} were typed")
        check(not list((home / "state/earmark").iterdir()), "the rest is still there")
        return done.stdout.splitlines()[0].rpartition("jsonl: ")[2]


def service(earmark, environment, home):
    with tmpfs(home / "service", "512k") as folder, tmpfs(home / "run", "4m") as memory:
        temporary = home / "private"
        temporary.mkdir()
        environment = {**environment, "STATE_DIRECTORY": str(folder), "RUNTIME_DIRECTORY": str(memory),
                       "TMPDIR": str(temporary)}  # fmt: skip
        filler = folder / "filler"
        session = Session(earmark, environment, None, folder=folder)
        log = next(folder.glob("*.jsonl"))
        fill(filler)
        mark = session.mark()
        session.key(40)
        session.told("! disk: waiting", mark)
        check(session.listening.end(signal.SIGTERM) != 0, "a log that lacks its end was no error")
        temporary.rmdir()
        temporary.mkdir()
        rests = list(memory.iterdir())
        check(len(rests) == 1, f"{rests} in memory; {session.listening.errors}")
        # Still full: another log is begun, and nothing is lost.
        full = Session(earmark, environment, None, folder=folder)
        check(full.listening.end(signal.SIGTERM) != 0, "a log that lacks its end was no error")
        filler.unlink()
        again = Session(earmark, environment, None, folder=folder)
        said = [line for line in again.listening.errors if "joined" in line]
        time.sleep(1)
        check(again.listening.end(signal.SIGTERM) == 0, f"it did not end well: {again.listening.errors}")
        logs = sorted(folder.glob("*.jsonl"))
        for path in logs:
            verify(earmark, environment, path)
            check(read(path)[-1]["kind"] == "close", f"{path} was not closed")
        found = [value for path in logs for value in values(read(path))]
        typed = session.expected + full.expected + again.expected
        check(found == typed, f"{found} are in {logs}, {typed} were typed; {said}")
        check(values(read(log)) == session.expected and not list(memory.iterdir()), "the rest was not joined")
        return "; ".join(said)


def main():
    earmark = str(pathlib.Path(sys.argv[1]).resolve())
    only = sys.argv[2:]
    failed = 0
    with tempfile.TemporaryDirectory(prefix="earmark-disks-") as home, sound_server() as environment:
        for case in (full, read_only, slow, removed, unplugged, gone, locked, ended, service):
            if only and case.__name__ not in only:
                continue
            try:
                print(f"{case.__name__:<10} {case(earmark, environment, pathlib.Path(home))}", flush=True)
            except Exception as error:  # noqa: BLE001 (whatever it is, it is told)
                failed += 1
                print(f"{case.__name__:<10} FAILED: {error}", flush=True)
    sys.exit(bool(failed))


if __name__ == "__main__":
    main()
