#!/usr/bin/env python3
"""Proves the service on a real systemd and udev: installs into a clean Debian, boots it in QEMU with a USB keyboard and
a sound card, types, kills and stops the service, suspends the machine, and reads the logs.

usage: run.py EARMARK ASSETS

EARMARK is the program, ASSETS the folder with the engine's files. As root. Needs Debian's debootstrap,
qemu-system-x86 and e2fsprogs. No KVM is needed; it takes some minutes. The last result is written to result.txt beside
this file.
"""

import json
import os
import pathlib
import shutil
import sys
import tempfile
import time
from datetime import datetime

HERE = pathlib.Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "common"))
from machine import Machine, Report, cache, run  # noqa: E402

REPOSITORY = HERE.parents[1]
PACKAGES = "systemd-sysv,udev,linux-image-amd64,initramfs-tools,zstd,libasound2,libasound2-data"
# QEMU's keyboard has letters: taken only if it is named, as the head of 70-earmark.rules says.
KEYBOARD = "QEMU QEMU USB Keyboard"
RULE = 'SUBSYSTEM=="input", KERNEL=="event*", ATTRS{id/vendor}=="0627", ATTRS{id/product}=="0001", GROUP="earmark", MODE="0640"\n'
NAMED = f"""[Service]
ExecStart=
ExecStart=/usr/bin/earmark listen --service --plain --purpose drill --keypad "{KEYBOARD}"
"""
SLEEP = 30  # seconds
PROOF = "[Unit]\nAfter=multi-user.target\n[Service]\nExecStart=/proof\n[Install]\nWantedBy=graphical.target\n"


def clean_debian():
    """A minimal Debian with systemd, made once."""
    root = cache("debian")
    if not (root / "complete").exists():
        shutil.rmtree(root, ignore_errors=True)
        run("debootstrap", "--variant=minbase", f"--include={PACKAGES}", "bookworm", str(root))
        (root / "complete").touch()
    return root


def put(path, text, mode=0o644):
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text)
    path.chmod(mode)


def disk(folder, earmark, assets):
    """The clean Debian with Earmark installed as `make install` does it, and its service switched on, as a disk image."""
    root = folder / "root"
    run("cp", "-a", str(clean_debian()), str(root))
    environment = os.environ | {"PREFIX": "/usr", "DESTDIR": str(root)}
    run(str(REPOSITORY / "tools/install/install.sh"), "install", str(earmark), str(assets), env=environment)
    put(root / "etc/udev/rules.d/71-keyboard.rules", RULE)
    put(root / "etc/systemd/system/earmark.service.d/keypad.conf", NAMED)
    put(root / "etc/systemd/system/proof.service", PROOF)
    put(root / "etc/modules-load.d/sound.conf", "snd_hda_intel\nsnd_hda_codec_generic\n")
    put(root / "proof", (HERE / "proof").read_text(), 0o755)
    (root / "etc/fstab").write_text("/dev/sda / ext4 defaults 0 1\n")
    run("systemctl", f"--root={root}", "enable", "earmark.service", "proof.service")
    image = folder / "disk"
    run("mke2fs", "-q", "-t", "ext4", "-d", str(root), str(image), "2500M")
    [kernel], [initrd] = root.glob("boot/vmlinuz-*"), root.glob("boot/initrd.img-*")
    for path in (kernel, initrd):
        shutil.move(path, folder / path.name)
    shutil.rmtree(root)
    return image, folder / kernel.name, folder / initrd.name


def state(machine, expected):
    """Waits until the service stands so."""
    until = time.monotonic() + 180
    while True:
        machine.ask("state")
        found = machine.expect(r"STATE (.*)")[1].strip()
        if found == expected:
            return found
        assert time.monotonic() < until, f"it is {found} instead of {expected}"
        time.sleep(2)


def drill(machine, report):
    report(machine.expect(r"READY (.*)")[1])
    report("service: " + state(machine, "active as earmark:earmark, 0 restarts"))
    machine.ask("records")
    header = json.loads(machine.expect(r'RECORD (.*"kind":"header".*)')[1])
    report(f"its microphone: {header['audio']}")
    machine.ask("devices")
    device = machine.expect(r"DEVICE (\S+ root:earmark 640)")[1]
    machine.ask("may")
    machine.expect(r"OTHERS .*Permission denied")
    report(f"the keyboard: {device}; nobody else may read it")
    machine.ask("security")
    report("systemd-analyze security: " + machine.expect(r"SECURITY (.*)")[1].strip())
    machine.ask("sockets")
    assert machine.expect(r"NET (\w+)")[1] == "lo" and machine.expect(r"NETS|NET (\w+)")[0] == "NETS", "it has a network"
    report("it has no network but its own loopback")
    time.sleep(2)
    machine.keys("7")
    machine.event("ventilation_started")
    machine.keys("4", "1", "2", "0", "Enter")
    machine.event("heart_rate", 120)
    report("keys are recorded")
    machine.ask("kill")
    machine.expect("KILLED")
    again = json.loads(machine.expect(r'RECORD (.*"device":"recorder".*)')[1])
    report(f"killed, it starts again and goes on with its log: {again['text']}")
    state(machine, "active as earmark:earmark, 1 restarts")
    time.sleep(2)
    machine.keys("8")
    machine.event("ventilation_stopped")
    report("keys are recorded again")
    machine.ask("files")
    modes = []
    while (found := machine.expect(r"FILE (\S+) (\S+) (\d+)|FILES"))[0] != "FILES":
        modes.append(found.groups())
    folder, *logs = sorted(modes, key=lambda one: one[2], reverse=True)
    assert folder[1:] == ("earmark:earmark", "700"), modes
    assert [one[1:] for one in logs] == [("earmark:earmark", "600")], modes
    report("one log, mode 600, in a folder of mode 700")
    machine.ask("stop")
    machine.expect(r'RECORD .*"kind":"close"')
    machine.expect("STOPPED success")
    machine.ask("start")
    machine.expect(r'RECORD .*"kind":"header"')
    report("stopped, it closes its log; started, it begins another")
    told = [line for line in machine.lines if '"device":"loudspeaker"' in line]
    assert told and all('"state":"ready"' in line for line in told), told
    report("its loudspeaker was there all the time")
    asleep(machine, report)
    machine.ask("end")
    machine.expect("END")


def asleep(machine, report):
    """Suspends the machine between two keys: what lies between them, by the log and by its wall clock, is what went by here."""
    machine.keys("7")
    before, here = machine.event("ventilation_started"), time.monotonic()
    machine.ask("suspend")
    until = here + 60
    while "suspended" not in machine.status():
        assert time.monotonic() < until, "it does not go to sleep"
        time.sleep(0.5)
    time.sleep(SLEEP)
    machine.order("system_wakeup")
    machine.expect("AWAKE")
    woke = json.loads(machine.expect(r'RECORD (.*"device":"recorder","state":"woke".*)')[1])
    machine.keys("8")
    pressed = time.monotonic()
    after = machine.event("ventilation_stopped")
    real, by_log = pressed - here, (after["t_ms"] - before["t_ms"]) / 1000
    by_wall = (datetime.fromisoformat(after["at"]) - datetime.fromisoformat(before["at"])).total_seconds()
    assert abs(by_log - real) < 4 and abs(by_wall - by_log) < 1, (real, by_log, by_wall)
    report(f"suspended to memory between two keys: {woke['text']}; they lie {by_log:.1f} s apart in the log, {real:.1f} s here")


def main():
    earmark, assets = (pathlib.Path(path).resolve() for path in sys.argv[1:])
    report = Report(HERE)
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        image, kernel, initrd = disk(folder, earmark, assets)
        more = ["-drive", f"file={image},format=raw", "-device", "intel-hda", "-device", "hda-duplex,audiodev=none",
                "-audiodev", "none,id=none"]  # fmt: skip
        machine = Machine(folder, kernel, initrd, "root=/dev/sda rw systemd.show_status=no", more)
        try:
            drill(machine, report)
        finally:
            machine.end()
        # Read from the disk image, outside the machine.
        listed = run("debugfs", "-R", "ls -p /var/lib/earmark", str(image))
        names = sorted(part for line in listed.splitlines() for part in line.split("/") if part.endswith(".jsonl"))
        for log in names:
            run("debugfs", "-R", f"dump /var/lib/earmark/{log} {folder / log}", str(image))
            report.verified(earmark, folder / log)
    report.keep()


if __name__ == "__main__":
    main()
