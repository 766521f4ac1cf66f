#!/usr/bin/env python3
"""Writes one file with the licences of all that is passed on with the program: every crate that is linked into it, and
the models and the dictionary of assets.lock.

usage: notices.py OUT ASSETS
  OUT     the file to write
  ASSETS  the folder with the engine's files; the texts that came with them are taken from it

A crate's texts are those in its own folder, as Cargo has it. One without any must be given below, by hand.
"""

import json
import re
import subprocess
import sys
from pathlib import Path

REPOSITORY = Path(__file__).resolve().parent.parent
TARGETS = ["x86_64-unknown-linux-gnu", "aarch64-unknown-linux-gnu"]
# A file that is shorter only points to a licence.
SHORTEST = 400
TEXTS = re.compile(r"(un)?licen[cs]e|copying|copyright|notice", re.IGNORECASE)

MIT = """MIT License

Copyright (c) {holder}

Permission is hereby granted, free of charge, to any person obtaining a copy
of this software and associated documentation files (the "Software"), to deal
in the Software without restriction, including without limitation the rights
to use, copy, modify, merge, publish, distribute, sublicense, and/or sell
copies of the Software, and to permit persons to whom the Software is
furnished to do so, subject to the following conditions:

The above copyright notice and this permission notice shall be included in all
copies or substantial portions of the Software.

THE SOFTWARE IS PROVIDED "AS IS", WITHOUT WARRANTY OF ANY KIND, EXPRESS OR
IMPLIED, INCLUDING BUT NOT LIMITED TO THE WARRANTIES OF MERCHANTABILITY,
FITNESS FOR A PARTICULAR PURPOSE AND NONINFRINGEMENT. IN NO EVENT SHALL THE
AUTHORS OR COPYRIGHT HOLDERS BE LIABLE FOR ANY CLAIM, DAMAGES OR OTHER
LIABILITY, WHETHER IN AN ACTION OF CONTRACT, TORT OR OTHERWISE, ARISING FROM,
OUT OF OR IN CONNECTION WITH THE SOFTWARE OR THE USE OR OTHER DEALINGS IN THE
SOFTWARE."""
BSD3 = """Copyright (c) {holder}
All rights reserved.

Redistribution and use in source and binary forms, with or without
modification, are permitted provided that the following conditions are met:

1. Redistributions of source code must retain the above copyright notice, this
   list of conditions and the following disclaimer.

2. Redistributions in binary form must reproduce the above copyright notice,
   this list of conditions and the following disclaimer in the documentation
   and/or other materials provided with the distribution.

3. Neither the name of the copyright holder nor the names of its contributors
   may be used to endorse or promote products derived from this software
   without specific prior written permission.

THIS SOFTWARE IS PROVIDED BY THE COPYRIGHT HOLDERS AND CONTRIBUTORS "AS IS" AND
ANY EXPRESS OR IMPLIED WARRANTIES, INCLUDING, BUT NOT LIMITED TO, THE IMPLIED
WARRANTIES OF MERCHANTABILITY AND FITNESS FOR A PARTICULAR PURPOSE ARE
DISCLAIMED. IN NO EVENT SHALL THE COPYRIGHT HOLDER OR CONTRIBUTORS BE LIABLE
FOR ANY DIRECT, INDIRECT, INCIDENTAL, SPECIAL, EXEMPLARY, OR CONSEQUENTIAL
DAMAGES (INCLUDING, BUT NOT LIMITED TO, PROCUREMENT OF SUBSTITUTE GOODS OR
SERVICES; LOSS OF USE, DATA, OR PROFITS; OR BUSINESS INTERRUPTION) HOWEVER
CAUSED AND ON ANY THEORY OF LIABILITY, WHETHER IN CONTRACT, STRICT LIABILITY, OR
TORT (INCLUDING NEGLIGENCE OR OTHERWISE) ARISING IN ANY WAY OUT OF THE USE OF
THIS SOFTWARE, EVEN IF ADVISED OF THE POSSIBILITY OF SUCH DAMAGE."""


def mit(holder):
    return lambda: MIT.format(holder=holder)


def bsd3(holder):
    return lambda: BSD3.format(holder=holder)


def apache():
    """The text as it stands in our own LICENSE."""
    text = (REPOSITORY / "LICENSE").read_text(encoding="utf-8")
    return re.search(r"^ *Apache License\n.*END OF TERMS AND CONDITIONS$", text, re.MULTILINE | re.DOTALL)[0]


# Crates whose folder holds no text: the text of the licence that is taken, of those that the crate names.
CRATES = {
    "dasp_sample": [mit("2016 Mitchell Nordine")],
    "maud": [mit("Chris Wong")],
    "maud_macros": [mit("Chris Wong")],
    "rten": [mit("Robert Knight")],
    "rten-base": [mit("Robert Knight")],
    "rten-gemm": [mit("Robert Knight")],
    "rten-onnx": [mit("Robert Knight")],
    "rten-parallel": [mit("Robert Knight")],
    "rten-shape-inference": [mit("Robert Knight")],
    "rten-simd": [mit("Robert Knight")],
    "rten-tensor": [mit("Robert Knight")],
    "rten-vecmath": [mit("Robert Knight")],
    # Those of the same repository have this text.
    "sonora-aec3": ["sonora-simd"],
    "vosk": [mit("2022 Bear_03")],
    "vosk-sys": [mit("2022 Bear_03")],
}

# What assets.lock pins, but for the tests: licence, what to say of it, and its texts; a name is a file of the assets.
ASSETS = {
    "cmudict": ("BSD-2-Clause", "The data, by Carnegie Mellon University.", ["cmudict-LICENSE"]),
    "vosk": (
        "Apache-2.0",
        "By Alpha Cephei Inc.; only where the program was built with Vosk. It holds Kaldi and OpenFst, both Apache-2.0, and "
        "OpenBLAS, BSD-3-Clause.",
        [apache, bsd3("2011-2014, The OpenBLAS Project")],
    ),
}


def fail(why):
    sys.exit(f"error: {why}")


def linked():
    """The crates that the program is made of: normal dependencies, over all that it is built for."""
    command = ["cargo", "metadata", "--locked", "--format-version", "1", "--features", "vosk"]
    command += [word for target in TARGETS for word in ("--filter-platform", target)]
    try:
        found = subprocess.run(command, cwd=REPOSITORY, check=True, stdout=subprocess.PIPE).stdout
    except FileNotFoundError:
        fail("cargo is not found: run `make notices` as the user who builds, then try again")
    except subprocess.CalledProcessError:
        fail("cargo does not tell the dependencies: mend what it says above, then try again")
    metadata = json.loads(found)
    nodes = {node["id"]: node for node in metadata["resolve"]["nodes"]}
    own = metadata["resolve"]["root"]
    seen, todo = set(), [own]
    while todo:
        name = todo.pop()
        if name not in seen:
            seen.add(name)
            normal = [d for d in nodes[name]["deps"] if any(kind["kind"] is None for kind in d["dep_kinds"])]
            todo += [dependency["pkg"] for dependency in normal]
    crates = [package for package in metadata["packages"] if package["id"] in seen - {own}]
    return sorted(crates, key=lambda crate: (crate["name"], crate["version"]))


def in_folder(crate):
    """The texts in a crate's folder, and in folders of that name in it."""
    folder = Path(crate["manifest_path"]).parent
    top = [path for path in folder.iterdir() if TEXTS.match(path.name)]
    paths = [path for path in top if path.is_file() and path.suffix != ".rs"]
    paths += [path for place in top if place.is_dir() for path in place.iterdir() if path.is_file()]
    if crate["license_file"]:
        paths.append(folder / crate["license_file"])
    return [path.read_text(encoding="utf-8", errors="replace") for path in sorted(set(paths))]


def of_crates(crates):
    """Name, licence and texts of each."""
    found = {crate["name"]: in_folder(crate) for crate in crates}
    out = []
    for crate in crates:
        name, licence, texts = crate["name"], crate["license"], in_folder(crate)
        by_hand = CRATES.get(name, [])
        if texts and by_hand:
            fail(f"{name} {crate['version']} has its licence's text in its folder: take it out of CRATES in {__file__}")
        for text in by_hand:
            texts += found.get(text, []) if isinstance(text, str) else [text()]
        if not licence or not any(len(text) > SHORTEST for text in texts):
            fail(f"{name} {crate['version']} ({licence}) has no licence text in its folder: add it to CRATES in {__file__}")
        out.append((f"{name} {crate['version']}", licence, f"{crate['repository'] or crate['homepage'] or ''}", texts))
    unknown = sorted(set(CRATES) - set(found))
    if unknown:
        fail(f"the program is not made of {', '.join(unknown)}: take them out of CRATES in {__file__}")
    return out


def pinned():
    """Name, version and files of each package in assets.lock that is not for the tests alone."""
    out, skip = [], False
    for line in (REPOSITORY / "assets.lock").read_text(encoding="utf-8").splitlines():
        wheel = re.match(r"# wheel (\S+)==(\S+) \S+(?: for (\S+))?$", line)
        if wheel:
            skip = wheel[3] is not None and wheel[3].endswith("-tests")
            if not skip:
                out.append((wheel[1], wheel[2], []))
        elif (file := re.match(r"[0-9a-f]{64}  (.+)$", line)) and not skip:
            out[-1][2].append(file[1])
    return out


def of_assets(folder):
    out = []
    for name, version, files in pinned():
        if name not in ASSETS:
            fail(f"assets.lock pins {name}, whose licence is not told: add it to ASSETS in {__file__}")
        licence, about, texts = ASSETS[name]
        try:
            texts = [(folder / text).read_text(encoding="utf-8") if isinstance(text, str) else text() for text in texts]
        except OSError as error:
            fail(f"{error}: run `make assets`, or name the folder that holds the engine's files")
        out.append((f"{name} {version}", licence, f"{', '.join(files)}. {about}", texts))
    return out


def acoustic_model():
    about = "acoustic.onnx, which is in the program: trained on by the Earmark contributors."
    text = (REPOSITORY / "src/engine/acoustic.LICENSE").read_text(encoding="utf-8")
    return "The encoder of Whisper base", "MIT", about, [text]


def main():
    if len(sys.argv) != 3:
        print(__doc__, file=sys.stderr)
        sys.exit(2)
    out = Path(sys.argv[1])
    parts = [
        ("Models and dictionary", [acoustic_model(), *of_assets(Path(sys.argv[2]))]),
        (
            "Rust",
            [
                (
                    "The standard library",
                    "MIT OR Apache-2.0",
                    "https://github.com/rust-lang/rust",
                    [mit("The Rust Project Contributors")()],
                )
            ]
            + of_crates(linked()),
        ),
    ]
    # Each text once, with all that it is for.
    numbers, lines = {}, []
    for title, things in parts:
        lines += ["", title, "-" * len(title)]
        for name, licence, about, texts in things:
            tidy = ["\n".join(line.rstrip() for line in text.strip("\r\n\ufeff").splitlines()) for text in texts]
            of = [numbers.setdefault(text, len(numbers) + 1) for text in tidy]
            lines.append(f"{name}: {licence} (text {', '.join(str(number) for number in of)})")
            lines.append(f"  {about}")
    head = """THIRD-PARTY NOTICES

Earmark itself: see the file LICENSE. Passed on with it, or part of it, is the following, each under its own licence, whose
text stands below under its number. What is under MPL-2.0 is used unchanged; its source is at the address given, and at
the registry from which Cargo takes it."""
    rule = "=" * 100
    body = [f"{rule}\nText {number}\n{rule}\n{text}" for text, number in numbers.items()]
    out.parent.mkdir(parents=True, exist_ok=True)
    out.write_text("\n".join([head, *lines, "", *body]) + "\n", encoding="utf-8")


main()
