#!/usr/bin/env python3
"""Proves the keypad on a real event device: boots Debian's kernel in QEMU with a USB keyboard, types, unplugs and
plugs it in, lets the clock jump and the kernel's queue run over, and reads the log.

usage: run.py LISTENER EARMARK ASSETS

LISTENER is the example keypad_listener, EARMARK the program, which verifies the log outside the machine, ASSETS
the folder with cmudict.dict. Needs Debian's qemu-system-x86 and busybox-static, and apt-get to fetch the kernel.
No KVM is needed. The last result is written to result.txt beside this file.
"""

import gzip
import io
import pathlib
import re
import shutil
import stat
import sys
import tempfile
import time

HERE = pathlib.Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "common"))
from machine import Machine, Report, cache, run  # noqa: E402

MODULES = "usb-common usbcore xhci-hcd xhci-pci hid usbhid hid-generic evdev".split()
NUMBER_HOLDS = 20  # seconds; src/keys gives a number up after 15


def kernel(folder):
    """Debian's kernel and its modules, unpacked in a folder and not installed."""
    if not list(folder.glob("boot/vmlinuz-*")):
        folder.mkdir(parents=True, exist_ok=True)
        package = re.search(r"Depends: (linux-image-\S+)", run("apt-cache", "depends", "linux-image-amd64"))[1]
        run("apt-get", "download", package, cwd=folder)
        run("dpkg-deb", "-x", str(next(folder.glob("linux-image-*.deb"))), str(folder))
    [image] = folder.glob("boot/vmlinuz-*")
    return image, next(folder.glob("lib/modules/*"))


def archive(entries):
    """A cpio archive (newc) of {path: (mode, bytes)}."""
    out = io.BytesIO()
    for number, (path, (mode, data)) in enumerate([*entries.items(), ("TRAILER!!!", (0, b""))]):
        name = path.encode() + b"\0"
        fields = (number, mode, 0, 0, 1, 0, len(data), 0, 0, 0, 0, len(name), 0)
        head = b"070701" + b"".join(b"%08x" % f for f in fields) + name
        out.write(head + b"\0" * (-len(head) % 4) + data + b"\0" * (-len(data) % 4))
    return gzip.compress(out.getvalue(), 1)


def root(listener, modules, assets):
    """Everything that the machine has."""
    files = {"init": HERE / "init", "bin/busybox": shutil.which("busybox"), "bin/keypad_listener": listener}
    files["assets/cmudict.dict"] = assets / "cmudict.dict"
    for path in (HERE.parents[1] / "grammars/newborn").iterdir():
        files[f"grammars/newborn/{path.name}"] = path
    for line in run("ldd", str(listener)).splitlines():
        if found := re.search(r"(/\S+)", line):
            library = pathlib.Path(found[1])
            inside = str(library) if "ld-linux" in library.name else f"lib/{library.name}"
            files[inside.lstrip("/")] = library
    order = []
    for module in MODULES:
        if path := next(modules.rglob(f"{module}.ko*"), None):
            files[f"modules/{path.name}"] = path
            order.append(path.name)
    entries = {name: (stat.S_IFREG | 0o755, pathlib.Path(path).read_bytes()) for name, path in files.items()}
    entries["modules/order"] = (stat.S_IFREG | 0o644, "\n".join(order).encode())
    folders = {str(p) for name in entries for p in pathlib.PurePath(name).parents} - {"."}
    folders |= {"proc", "sys", "dev", "tmp"}
    return archive({name: (stat.S_IFDIR | 0o755, b"") for name in sorted(folders)} | entries)


def drill(machine, report):
    report(machine.expect(r"READY (.*)")[1])
    time.sleep(1)
    machine.keys("a", "ret")
    time.sleep(1)
    machine.ask("typed")
    machine.expect(r"TYPED .*a\|")
    report("before: what is typed reaches the machine's own console")
    machine.ask("start")
    machine.expect(r"CHECK found")
    machine.expect(r"MESSAGE Came \{.*QEMU USB Keyboard")
    report("found by its name and taken")

    machine.keys("7")
    first = machine.event("ventilation_started")
    sent = time.monotonic()
    machine.keys("4", "1", "2", "0", apart=0.5)
    machine.keys("Enter")
    rate = machine.event("heart_rate", 120)
    typed_ms = rate["written_ms"] - rate["t_ms"]
    assert 1000 <= typed_ms, f"the time is not that of the first key: {rate}"
    report(f"heart rate 120 in five keys; its time is the first key's, {typed_ms} ms before it was written")
    machine.keys("num_lock", "1")
    machine.event("compressions_started")
    machine.keys("num_lock", "2")
    machine.event("compressions_stopped")
    report("NumLock changes nothing")
    machine.keys("*&7&8")
    machine.event("mask_adjusted")
    machine.event("head_repositioned")
    machine.keys("*", "9")
    machine.event("mouth_opened")
    report("a layer held as a chord, and pressed before a key")
    machine.keys("9", held=3000, apart=4)
    machine.event("chest_moving", "yes")
    machine.keys("6")
    machine.event("chest_moving", "no")
    report("a key held for 3 s counts once")

    machine.ask("jump")
    machine.expect("JUMPED")
    machine.keys("8")
    jumped = machine.event("ventilation_stopped")
    passed = (time.monotonic() - sent) * 1000
    since = jumped["t_ms"] - first["t_ms"]
    assert first["t_ms"] < since < passed + 30_000, f"the clock's jump of an hour moved the key: {since} ms"
    assert jumped["written_ms"] - jumped["t_ms"] < 5_000, jumped
    report(f"the wall clock jumped an hour ahead: the next key is {jumped['written_ms'] - jumped['t_ms']} ms older than its record")

    machine.keys("4", "1")
    machine.order("device_del pad")
    machine.expect(r"MESSAGE Gone \{.*unplugged")
    machine.expect(r"REFUSED Heart rate 1 is not recorded")
    machine.order("device_add usb-kbd,id=again")
    machine.expect(r"MESSAGE Came \{")
    time.sleep(1)
    machine.keys("3", "4", "0", "Enter")
    machine.event("oxygen", 40)
    report("unplugged within a number, which is not recorded; plugged in again and working")

    machine.keys("4", "8")
    machine.ask("stop")
    machine.expect("STOPPED")
    machine.keys(*["5"] * 40, held=20, apart=0.06)
    machine.ask("go")
    machine.expect(r"MESSAGE Missed")
    machine.expect(r"REFUSED Heart rate 8\d* is not recorded")
    # Keys that the queue still held may have begun another number, which is given up in time.
    time.sleep(NUMBER_HOLDS)
    machine.keys("0")
    machine.expect(r'RECORD .*"kind":"note"')
    report("the kernel's queue ran over within a number, which is not recorded; the next key works")

    machine.ask("typed")
    typed = machine.expect(r"TYPED (.*)")[1]
    assert typed.strip("|\r ") == "a", f"keys reached the console: {typed}"
    report("nothing that was keyed reached the machine's own console")
    machine.ask("end")
    machine.expect("END")
    return [line[4:] for line in machine.lines if line.startswith("LOG ")]


def main():
    listener, earmark, assets = map(pathlib.Path, sys.argv[1:])
    report = Report(HERE)
    image, modules = kernel(cache("kernel"))
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        initramfs = folder / "initramfs"
        initramfs.write_bytes(root(listener, modules, assets))
        machine = Machine(folder, image, initramfs, "rdinit=/init")
        try:
            log = drill(machine, report)
        finally:
            machine.end()
        path = folder / "log.earmark.jsonl"
        path.write_text("\n".join(log) + "\n")
        report.verified(earmark, path)
    report.keep()


if __name__ == "__main__":
    main()
