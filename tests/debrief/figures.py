"""The figures of a debrief by another hand: from the log's lines, with pandas, by this file's own reading of the
definitions in grammars/newborn/debrief.md. Checkpoints are played through from the pack's checkpoints.toml.

usage: figures.py LOG...     prints {"LOG": {"FIGURE": {"state": "known", "value": 44.0}, ...}, ...}
"""

import json
import math
import re
import sys
import tomllib
from pathlib import Path

import pandas as pd

GRAMMARS = Path(__file__).resolve().parents[2] / "grammars"
STEPS = {"mask_adjusted", "head_repositioned", "suctioned", "mouth_opened", "pressure_increased", "alternative_airway"}
OVER = {"handover", "transfer", "care_withdrawn", "resuscitation_ended"}
GIVEN = {"heart_rate", "heart_rate_above", "heart_rate_below", "heart_rate_absent"}
TARGET = [(1, 60, 65), (2, 65, 70), (3, 70, 75), (4, 75, 80), (5, 80, 85), (10, 85, 95)]


# ---------- the log ----------

def read(path):
    """Records of a log; a last line that was cut short is left out. Also whether it was closed."""
    lines = Path(path).read_bytes().decode(errors="replace").split("\n")
    records = [json.loads(line) for line in lines[:-1]]
    try:
        records.append(json.loads(lines[-1]))
    except ValueError:
        pass
    return records, records[-1]["kind"] == "close"


def stand(records):
    """Events after all corrections, a row each, withdrawn ones left out."""
    said = {r["seq"]: [r] for r in records if r["kind"] == "event" and r["event"] != "command"}
    for r in records:
        if r["kind"] not in ("confirm", "amend", "withdraw"):
            continue
        if r["kind"] == "withdraw":
            for acts in said.values():
                acts[1:] = [act for act in acts[1:] if act["seq"] != r["of"]]
        if r["of"] in said:
            said[r["of"]].append(r)
    rows = []
    for seq, (first, *acts) in said.items():
        row, at, doubt = first, first["t_ms"], first.get("doubt")
        if any(act["kind"] == "withdraw" for act in acts):
            continue
        for act in acts:
            if act["kind"] == "confirm":
                doubt = None
            else:
                row, doubt, at = act, act.get("doubt"), act.get("moved_to_ms", at)
        rival = row.get("rival") or {}
        rows.append({
            "seq": seq, "at": at, "event": row["event"], "value": row.get("value"), "sure": doubt is None,
            "rival": rival.get("event"), "rival_value": rival.get("value"), "unit": row.get("unit"),
        })
    columns = ["seq", "at", "event", "value", "sure", "rival", "rival_value", "unit"]
    table = pd.DataFrame(rows, columns=columns).astype(
        {"seq": int, "at": int, "sure": bool, "value": object, "rival_value": object, "rival": object})
    births = table[(table.event == "birth") & table.sure].sort_values("seq")
    table = table.drop(births.index[1:])
    return table.sort_values(["at", "seq"]).reset_index(drop=True)


def out_of_hearing(records, end):
    """[from, to) in which a device was out, or the recorder itself. What an engine did not hear at once it hears when
    it is back, unless it missed something."""
    out = ("lost", "gone", "missing", "failed", "stalled", "stopped", "silent", "refused")
    spells, lost, missed, before = [], {}, set(), 0
    for r in records:
        if r["kind"] == "device" and r["device"] in ("microphone", "engine", "disk", "recorder"):
            if r["device"] == "recorder":
                spells.append((min(before, r["t_ms"]), r["t_ms"]))
                if r["state"] == "started again":
                    spells += [(since, max(since, r["t_ms"])) for since in lost.values()]
                    lost = {}
                    missed.clear()
            elif r["state"] in out or r["state"] == "missed":
                lost.setdefault(r["device"], r["t_ms"])
                if r["state"] == "missed" or r["device"] != "engine":
                    missed.add(r["device"])
            elif r["device"] in lost:
                since = lost.pop(r["device"])
                if r["device"] in missed:
                    spells.append((since, r["t_ms"]))
                missed.discard(r["device"])
        before = max(before, r["written_ms"])
    return spells + [(since, end) for since in lost.values()]


# ---------- figures ----------

def known(value, doubtful):
    return {"state": "doubtful" if doubtful else "known", "value": float(value)}


UNKNOWN = {"state": "not_known", "value": None}


class Log:
    def __init__(self, path):
        self.records, self.closed = read(path)
        self.end = max(max(r["t_ms"], r["written_ms"]) for r in self.records)
        self.events = stand(self.records)
        self.facts = self.events[self.events.sure]
        self.open = self.events[~self.events.sure]
        self.deaf = out_of_hearing(self.records, self.end)
        births = self.facts[self.facts.event == "birth"]
        self.birth = None if births.empty else births["at"].iloc[0]
        over = self.facts[self.facts.event.isin(OVER)]
        self.over = None if over.empty else over["at"].iloc[0]

    def fits(self, what):
        """Sure events that fit, a row each."""
        return self.facts[[what(e, v) for e, v in zip(self.facts.event, self.facts.value)]] if len(self.facts) else self.facts

    def may_fit(self, what):
        """Doubtful events that fit as heard or as their rival."""
        table = self.open
        if table.empty:
            return table
        either = [what(e, v) or what(re_, rv) for e, v, re_, rv in
                  zip(table.event, table.value, table.rival, table.rival_value)]
        return table[either]

    def deaf_between(self, start, end):
        return any(a < end and b > start for a, b in self.deaf)


def number(value):
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def among(*names):
    return lambda event, value: event in names


def equal(name, word):
    return lambda event, value: event == name and value == word


def either(*tests):
    return lambda event, value: any(test(event, value) for test in tests)


def at_least(name, bound):
    return lambda event, value: event == name and number(value) and value >= bound


MOVES = either(equal("chest_moving", "yes"), equal("ventilation_effective", "yes"))
STILL = either(equal("chest_moving", "no"), equal("ventilation_effective", "no"))


class Runs:
    """What goes on between starts and ends."""

    def __init__(self, log, start, stop):
        self.log, self.start, self.stop = log, start, stop
        self.spans, self.again, self.stray = [], [], []
        since = None
        for event, at in zip(log.facts.event, log.facts["at"]):
            if event == stop or event in OVER:
                if since is not None:
                    self.spans.append((since, at, True))
                elif event == stop:
                    self.stray.append(at)
                since = None
            elif event == start:
                if since is None:
                    since = at
                else:
                    self.again.append(at)
        if since is not None:
            self.spans.append((since, max(log.end, since), False))

    def during(self, at):
        return any(a <= at and (at < b or not ended) for a, b, ended in self.spans)

    def doubtful(self, start, end):
        maybe = self.log.may_fit(among(self.start, self.stop, *OVER))
        broken = bool(self.spans) and not self.spans[-1][2] and self.spans[-1][1] <= end and not self.log.closed
        return bool((maybe["at"] <= end).any() or any(start <= at <= end for at in self.again)
                    or any(at <= end for at in self.stray) or self.log.deaf_between(start, end) or broken)

    def figures(self):
        if not self.spans:
            return [UNKNOWN] * 7
        first, last = self.spans[0][0], self.spans[-1][1]
        doubt = self.doubtful(first, last)
        lengths = pd.Series([b - a for a, b, _ in self.spans])
        pauses = pd.Series([b[0] - a[1] for a, b in zip(self.spans, self.spans[1:])], dtype=float)
        fraction = known(lengths.sum() / (last - first), doubt) if last > first else UNKNOWN
        followed = self.log.over if self.log.over is not None and self.log.over >= first else self.log.end
        early = UNKNOWN
        if followed >= first + 30000 and last >= first + 30000:
            within = sum(max(0, min(b, first + 30000) - min(a, first + 30000)) for a, b, _ in self.spans)
            early = known(within / 30000, self.doubtful(first, first + 30000))
        longest = pauses.max() / 1000 if len(pauses) else 0
        return [known(lengths.sum() / 1000, doubt), fraction, early, known((pauses > 0).sum(), doubt),
                known((pauses > 10000).sum(), doubt), known(longest, doubt), known(pauses.sum() / 1000, doubt)]


def interval(log, to, since=None, runs=None):
    if since is None:
        if log.birth is None:
            return UNKNOWN
        start, doubt = log.birth, False
    else:
        begin = log.fits(since)
        if begin.empty:
            return UNKNOWN
        start = begin["at"].iloc[0]
        doubt = bool((log.may_fit(since)["at"] < start).any())
    found = log.fits(to)
    if runs is not None and len(found):
        found = found[[runs.during(at) for at in found["at"]]]
    after = found[found["at"] >= start]
    if after.empty:
        return UNKNOWN
    first = after["at"].iloc[0]
    if since is None and (found["at"] < start).any():
        doubt = True
    maybe = log.may_fit(to)
    doubt = doubt or bool(((maybe["at"] >= start) & (maybe["at"] < first)).any())
    doubt = doubt or (runs.doubtful(start, first) if runs is not None else log.deaf_between(start, first))
    return known((first - start) / 1000, doubt)


def reading(log, name, take):
    values = log.facts[log.facts.event == name].value
    values = pd.Series([v for v in values if number(v)], dtype=float)
    if values.empty:
        return UNKNOWN
    value = {"first": values.iloc[0], "lowest": values.min(), "highest": values.max()}[take]
    return known(value, not log.may_fit(among(name)).empty)


def in_target(log):
    if log.birth is None:
        return UNKNOWN
    judged = []
    for at, value in log.facts[log.facts.event == "saturation"][["at", "value"]].itertuples(index=False):
        minute = (at - log.birth) / 60000
        pair = next(((a, b) for a, b in zip(TARGET, TARGET[1:]) if a[0] <= minute <= b[0]), None)
        if pair and number(value):
            a, b = pair
            part = (minute - a[0]) / (b[0] - a[0])
            judged.append(a[1] + part * (b[1] - a[1]) <= value <= a[2] + part * (b[2] - a[2]))
    if not judged:
        return UNKNOWN
    return known(pd.Series(judged).mean(), not log.may_fit(among("saturation")).empty)


def silence(log):
    work = log.fits(among("birth", "ventilation_started", "compressions_started"))
    if work.empty:
        return UNKNOWN
    start = max(work["at"].iloc[0], 0)
    until = log.end if log.over is None else log.over
    spoken = [r["t_ms"] for r in log.records if r["kind"] in ("event", "confirm", "withdraw", "amend", "note")]
    moments = pd.Series(sorted([t for t in spoken if start <= t <= until] + [start, max(until, start)]))
    gaps = moments.diff().dropna()
    if not (gaps > 0).any():
        return UNKNOWN
    return known(gaps.max() / 1000, bool(log.deaf))


# ---------- checkpoints ----------

def pack_files(name):
    """checkpoints.toml of a pack, laid over that of the pack it extends."""
    manifest = tomllib.loads((GRAMMARS / name / "pack.toml").read_text())
    own = tomllib.loads((GRAMMARS / name / "checkpoints.toml").read_text())
    if "extends" not in manifest:
        return own
    base = pack_files(manifest["extends"])
    rules = {r["id"]: r for r in base["checkpoint"] if r["id"] not in own.get("removes", [])}
    rules.update({r["id"]: r for r in own["checkpoint"]})
    timers = {t["id"]: t for t in base["timer"] + own.get("timer", [])}
    return {"breaths": own.get("breaths", base.get("breaths")), "group": base["group"] | own.get("group", {}),
            "timer": list(timers.values()), "checkpoint": list(rules.values())}


class Rules:
    def __init__(self, name):
        self.file = pack_files(name)
        self.breath = round(60000 / self.file["breaths"]["rate"])
        self.timers = {t["id"]: t for t in self.file["timer"]}

    def test(self, patterns):
        """A test for an event, from patterns or a single one."""
        tests = [self.one(p) for p in ([patterns] if isinstance(patterns, str) else patterns)]
        return lambda fact: any(test(fact[2], fact[3]) for test in tests)

    def one(self, text):
        if text in self.file["group"]:
            return either(*[self.one(item) for item in self.file["group"][text]])
        if text == "*":
            return lambda event, value: True
        if m := re.fullmatch(r"(\w+) ([\d.]+) to ([\d.]+)", text):
            low, high = float(m[2]), float(m[3])
            return lambda event, value: event == m[1] and number(value) and low <= value <= high
        if m := re.fullmatch(r"(\w+) (<|<=|>|>=) ([\d.]+)", text):
            ops = {"<": float.__lt__, "<=": float.__le__, ">": float.__gt__, ">=": float.__ge__}
            return lambda event, value: event == m[1] and number(value) and ops[m[2]](float(value), float(m[3]))
        if m := re.fullmatch(r"(\w+) = (\w+)", text):
            return lambda event, value: event == m[1] and str(value) == m[2]
        return among(text)


def ms(text):
    count, unit = text.split()
    return round(float(count) * {"s": 1000, "min": 60000}[unit])


def outcomes(facts, end, rules):
    """[(id, result, wait)] of every checkpoint that ended, over facts (at, seq, event, value) in their order."""
    out, history = [], []
    wait = {r["id"]: (int(r["after"].split()[0]) * rules.breath if r["after"].endswith("breaths") else ms(r["after"]))
            for r in rules.file["checkpoint"]}
    state = {r["id"]: None for r in rules.file["checkpoint"]}

    def running(name, at):
        timer, since = rules.timers[name], None
        for fact in history:
            if fact[0] > at:
                break
            if rules.test(timer["until"])(fact):
                since = None
            elif rules.test(timer["from"])(fact) and (since is None or timer.get("restarts")):
                since = fact[0]
        return since

    def newest(patterns, at):
        return next((f for f in reversed(history) if f[0] <= at and rules.test(patterns)(f)), None)

    def holds(text, at):
        if text.startswith("not "):
            return not holds(text[4:], at)
        verb, rest = text.split(" ", 1)
        if verb == "running":
            name, _, span = rest.partition(" for ")
            since = running(name, at)
            return since is not None and at - since >= (ms(span) if span else 0)
        if verb == "had":
            what, _, since = rest.partition(" since ")
            had = newest(what, at)
            if not since:
                return had is not None
            after = newest(since, at)
            return had is not None and after is not None and had[:2] > after[:2]
        of, what = rest.split(" is ")
        last = newest(of, at)
        return last is not None and rules.test(what)(last)

    def all_hold(rule, name, at):
        return all(holds(text, at) for text in rule.get(name, []))

    def again(rule, s):
        if s["asked"] < rule.get("times", 1):
            return s["due"] + ms(rule["again"]) * s["asked"]
        return None

    def deadline(rule):
        s = state[rule["id"]]
        if s is None:
            return None
        if s["asked"] == 0:
            return s["due"]
        missed = s["due"] + ms(rule.get("gives_up", "30 s"))
        more = again(rule, s)
        return missed if more is None else min(more, missed)

    def begin(rule, at):
        origin = at
        if "since" in rule:
            origin = next((f[0] for f in history if rules.test(rule["since"])(f)), None)
        state[rule["id"]] = None if origin is None else waiting(rule, at, origin)

    def waiting(rule, at, origin):
        return {"from": at, "due": origin + wait[rule["id"]], "asked": 0, "breaths": 0}

    def finish(rule, at):
        state[rule["id"]] = waiting(rule, at, at) if rule.get("every") else None

    def advance(to):
        while True:
            times = [(deadline(r), n) for n, r in enumerate(rules.file["checkpoint"]) if deadline(r) is not None]
            if not times or min(times)[0] > to:
                return
            at, n = min(times)
            rule = rules.file["checkpoint"][n]
            s = state[rule["id"]]
            hold = all_hold(rule, "while", at)
            if s["asked"] == 0:
                if hold:
                    s["asked"] = 1
                else:
                    finish(rule, s["due"])
            elif at >= s["due"] + ms(rule.get("gives_up", "30 s")):
                out.append((rule["id"], "missed", 0))
                finish(rule, s["due"])
            elif not hold:
                state[rule["id"]] = None
            else:
                s["asked"] += 1

    def take(rule, fact):
        s, at = state[rule["id"]], fact[0]
        starts = rules.test(rule["starts"])(fact) and all_hold(rule, "if", at)
        cancels = rules.test(rule.get("cancelled_by", []))(fact)
        if s is None:
            if starts and not cancels:
                begin(rule, at)
            return
        was_due = s["asked"] > 0
        if cancels:
            state[rule["id"]] = None
        elif starts and rule.get("restarts"):
            if was_due and not rule.get("met_by"):
                out.append((rule["id"], "met", at - s["due"]))
            begin(rule, at)
        else:
            early = "early" not in rule or at >= s["due"] - ms(rule["early"])
            if rules.test(rule.get("met_by", []))(fact) and early and at >= s["from"]:
                out.append((rule["id"], "met", at - s["due"] if was_due else 0))
                finish(rule, at)
            elif not was_due and rule["after"].endswith("breaths") and fact[2] == rules.file["breaths"]["counted_by"] \
                    and at >= s["from"]:
                s["breaths"] += fact[3] if number(fact[3]) else 0
                if s["breaths"] >= int(rule["after"].split()[0]):
                    s["due"] = min(s["due"], at)

    for fact in facts:
        advance(min(fact[0], end))
        history.append(fact)
        for rule in rules.file["checkpoint"]:
            take(rule, fact)
    advance(end)
    return pd.DataFrame(out, columns=["id", "result", "wait"])


def checkpoints(table):
    # As long as it takes to be asked and to answer.
    late = table[(table.result == "met") & (table.wait > 5000)]
    in_time = len(table) - len(late) - (table.result == "missed").sum()
    fraction = known(in_time / len(table), False) if len(table) else UNKNOWN
    longest = late.wait.max() / 1000 if len(late) else 0
    return fraction, known(len(late), False), known((table.result == "missed").sum(), False), known(longest, False)


def figures(path):
    log = Log(path)
    facts = list(log.facts[["at", "seq", "event", "value"]].itertuples(index=False, name=None))
    table = outcomes(facts, log.end, Rules(log.records[0]["pack"]["name"]))
    ventilation = Runs(log, "ventilation_started", "ventilation_stopped")
    compressions = Runs(log, "compressions_started", "compressions_stopped")
    v, c = ventilation.figures(), compressions.figures()
    in_time, late, missed, longest = checkpoints(table)
    steps = log.fits(among(*STEPS))
    corrections = [r for r in log.records if r["kind"] in ("confirm", "amend", "withdraw")]
    breathing = among("breathing", "crying")
    return {
        "to_breathing_assessed": interval(log, breathing),
        "to_ventilation": interval(log, among("ventilation_started")),
        "to_heart_rate": interval(log, among(*GIVEN)),
        "to_chest_movement": interval(log, equal("chest_moving", "yes")),
        "to_effective_ventilation": interval(log, MOVES, runs=ventilation),
        "to_heart_rate_100": interval(log, either(at_least("heart_rate", 100), at_least("heart_rate_above", 100))),
        "to_spo2": interval(log, among("saturation")),
        "to_cord_clamped": interval(log, among("cord_clamped")),
        "to_compressions": interval(log, among("compressions_started")),
        "to_epinephrine": interval(log, among("epinephrine")),
        "ventilation_to_heart_rate": interval(log, among(*GIVEN, "heart_rate_trend"), since=among("ventilation_started")),
        "still_to_moving": interval(log, MOVES, since=STILL),
        "corrective_steps": known(len(steps), not log.may_fit(among(*STEPS)).empty),
        "ventilation_time": v[0], "ventilation_fraction": v[1], "ventilation_fraction_30s": v[2],
        "ventilation_pauses": v[3], "ventilation_long_pauses": v[4], "ventilation_longest_pause": v[5],
        "ventilation_paused": v[6],
        "compression_time": c[0], "compression_fraction": c[1], "compression_pauses": c[3],
        "compression_longest_pause": c[5],
        "compression_checks": checkpoints(table[table.id == "compressions_60s"])[0],
        "first_heart_rate": reading(log, "heart_rate", "first"),
        "lowest_heart_rate": reading(log, "heart_rate", "lowest"),
        "spo2_in_target": in_target(log),
        "highest_oxygen": reading(log, "oxygen", "highest"),
        "checkpoints_in_time": in_time, "checkpoints_late": late, "checkpoints_missed": missed, "longest_wait": longest,
        "call_outs": known(len(log.facts), False),
        "open_doubts": known(len(log.open), False),
        "corrections": known(len(corrections), False),
        "longest_silence": silence(log),
    }


if __name__ == "__main__":
    found = {path: figures(path) for path in sys.argv[1:]}
    assert all(f["value"] is None or math.isfinite(f["value"]) for log in found.values() for f in log.values())
    json.dump(found, sys.stdout)
