"""Opens an export with a library that others made, and prints what it read as JSON.

usage: read.py csv|cells|again|fhir|xes|webvtt PATH, or read.py sql PATH QUERY
"""

import csv
import datetime
import json
import re
import sys


def read_csv(path):
    with open(path, encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file, strict=True))


def read_cells(path):
    """All cells that a spreadsheet may see, whatever it splits at, with and without the blanks before them."""
    out = []
    for delimiter in ",;\t":
        for skip in (False, True):
            with open(path, encoding="utf-8", newline="") as file:
                reader = csv.reader(file, delimiter=delimiter, skipinitialspace=skip)
                out += [cell for row in reader for cell in row]
    return out


def read_again(path):
    """The rows with the texts as they stand in the log, had again as the README says."""
    each = re.compile("(^|[;\t\r\n])'")
    return [{name: each.sub(r"\1", cell) for name, cell in row.items()} for row in read_csv(path)]


def read_fhir(path):
    """Each resource of the Bundle, after the model of FHIR R4 (its R4B edition) accepted it and gave it back."""
    from fhir.resources.R4B.bundle import Bundle

    with open(path, encoding="utf-8") as file:
        bundle = Bundle.model_validate_json(file.read())
    assert bundle.type == "collection"
    known = {entry.fullUrl for entry in bundle.entry}
    assert len(known) == len(bundle.entry), "an id stands twice"
    out = []
    for entry in bundle.entry:
        resource = json.loads(entry.resource.model_dump_json())
        assert entry.fullUrl == "urn:uuid:" + resource["id"]
        if "subject" in resource:
            assert resource["subject"]["reference"] in known, "the subject is not in the bundle"
        out.append(resource)
    return out


def read_xes(path):
    import rustxes

    frame, attributes = rustxes.import_xes(path)
    return {"events": frame.to_dicts(), "log": json.loads(attributes)}


def read_webvtt(path):
    import webvtt

    return [[caption.start, caption.end, caption.text] for caption in webvtt.read(path)]


def read_sql(path, query):
    """The rows that a query gives, run where the file is named as in the query."""
    import os

    import duckdb

    os.chdir(os.path.dirname(path))
    result = duckdb.sql("SET TimeZone = 'UTC'") or duckdb.sql(query)
    names = [column[0] for column in result.description]
    return [dict(zip(names, row)) for row in result.fetchall()]


def plain(value):
    """Moments as text; whatever else JSON lacks is a fault."""
    if isinstance(value, datetime.datetime):
        return value.astimezone(datetime.timezone.utc).isoformat(timespec="milliseconds")
    raise TypeError(f"{value!r} has no place in JSON")


readers = {
    "csv": read_csv,
    "cells": read_cells,
    "again": read_again,
    "fhir": read_fhir,
    "xes": read_xes,
    "webvtt": read_webvtt,
    "sql": read_sql,
}
json.dump(readers[sys.argv[1]](*sys.argv[2:]), sys.stdout, default=plain)
