"""Writes cardinals.txt and decimals.txt beside this file: a number and its English words, a line each.

usage: make.py

The words are those of PyPI num2words, an outside source, in lower case without hyphens and commas.
Needs requirements.txt. The same version writes the same files.
"""

import pathlib
from decimal import Decimal

from num2words import num2words

HERE = pathlib.Path(__file__).resolve().parent


def write(name, values):
    lines = []
    for value in values:
        words = num2words(value, lang="en").lower().replace("-", " ").replace(",", "")
        lines.append(f"{value}\t{' '.join(words.split())}\n")
    (HERE / name).write_text("".join(lines), encoding="utf-8")


write("cardinals.txt", range(10000))
tenths = [Decimal(k) / 10 for k in range(0, 201)]
hundredths = [Decimal(k) / 100 for k in range(1, 501)]
write("decimals.txt", sorted(set(tenths + hundredths)))
