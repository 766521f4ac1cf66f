"""Fits the confidence of src/decode/confidence.rs on the development set, and prints its constants.

usage: fit.py READINGS…   (from: cargo run --release --example readings SET_DIR, a set of make_bench.py)
A logistic regression of "this was said, with this meaning" on Measures::features, of readings of one training of the
model; the same on what both trainings make of it, Opinions::features; and on that with the evidence for its words,
Opinions::evidence_features. For rivals one of "the reading is right, not its rival" on Opinions::rival_features, call-outs
and decoys apart, and those apart for which evidence was asked. A reading belongs to the sentence that it overlaps most.
Set WEIGHTS and CONSTANT first, then run `readings` again for OPINIONS, and once more for EVIDENCE: each builds on the one
before. The first of RIVAL and of DECOY are from a build that asks for no evidence at all.
The table is from five-fold cross-validation by voice: each is judged by what was fitted on other voices.
Needs tests/hearing/training.txt.
"""

import json
import sys

import numpy as np
from sklearn.linear_model import LogisticRegression
from sklearn.model_selection import GroupKFold

NEURAL = 2  # of what a neural talker says, where there is evidence: the model behind that knows people, and so shall be heard
NEAR = 0.4  # weight of a near miss: the set has more of them than of call-outs, which nobody says
THRESHOLDS = (0.1, 0.2, 0.3, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.98)


def same(meaning, said):
    """The meaning heard is what was said; units are left to the pack."""
    return isinstance(meaning, dict) and all(
        (meaning.get(k) or None) == (said.get(k) or None) if k == "detail" else meaning.get(k) == said.get(k)
        for k in ("event", "value", "detail")
    )


def beneath(reading, sentences):
    """The sentence that a reading overlaps most, or None."""
    shared = [(min(reading["end_ms"], s["end_ms"]) - max(reading["onset_ms"], s["onset_ms"]), n) for n, s in enumerate(sentences)]
    most, n = max(shared, default=(0, 0))
    return sentences[n] if most > 0 else None


def gather(paths):
    """Every reading as (features, opinions or None, right, where, voice, rival, evidence or None), the call-outs in all,
    and hours by kind.

    A rival is (kind, features), where the reading or the rival is right; else None.
    """
    rows, callouts, found, hours = [], 0, 0, {}
    for line in (line for path in paths for line in open(path, encoding="utf-8")):
        entry = json.loads(line)
        file, truth = entry["file"], entry["truth"]
        hours[file["kind"]] = hours.get(file["kind"], 0) + file["seconds"] / 3600
        callouts += len(truth["callouts"])
        hits = set()
        for reading in entry["readings"]:
            if reading["meaning"] == "decoy":
                continue
            said = beneath(reading, truth["callouts"] + truth["refused"])
            where, right, rival = f"in {file['kind']}", False, None
            if said and "event" in said:
                where, right = "on a call-out", same(reading["meaning"], said)
                if right:
                    hits.add(said["onset_ms"])
            elif file["kind"] in ("callouts", "rivals"):
                where = "beside a call-out"
            is_decoy = reading["rival"] == "decoy"
            rival_right = said and (reading["rival_words"] == said["words"] if is_decoy else same(reading["rival"], said))
            if reading["against"] and (right or rival_right):
                rival = (f"{'DECOY' if is_decoy else 'RIVAL'} {'with' if reading['evidence'] else 'without'}", reading["against"])
            voice = said["voice"] if said else file["file"]
            rows.append((reading["features"], reading["opinions"], right, where, voice, rival, reading["evidence"]))
        found += len(hits)
    print(f"{callouts} call-outs, {found} of them among the readings; {len(rows)} readings")
    return rows, callouts, hours


def fitted(x, y, where, voices, counts=1):
    """Constant and weights, and what cross-validation gives each."""
    counts = counts * np.where(where == "in near", NEAR, 1)
    mean, spread = x.mean(0), x.std(0) + 1e-9
    z, sure = (x - mean) / spread, np.zeros(len(y))
    for train, test in GroupKFold(5).split(z, y, voices):
        sure[test] = LogisticRegression(max_iter=1000).fit(z[train], y[train], counts[train]).predict_proba(z[test])[:, 1]
    model = LogisticRegression(max_iter=1000).fit(z, y, counts)
    weights = model.coef_[0] / spread
    return [model.intercept_[0] - weights @ mean, *weights], sure


def main():
    rows, callouts, hours = gather(sys.argv[1:])
    one = [(row[0], *row[2:5]) for row in rows]
    (constant, *weights), _ = fitted(*(np.array(column) for column in zip(*one)))
    print(f"CONSTANT {constant:.3f}\nWEIGHTS {shown(weights)}")
    _, opinions, right, where, voices, rivals, evidence = zip(*(row for row in rows if row[1]))
    y, where, voices = np.array(right), np.array(where), np.array(voices)
    of_both, sure = fitted(np.array(opinions), y, where, voices)
    print(f"OPINIONS {shown(of_both)}")
    asked = np.array([e is not None for e in evidence])
    people = np.where(np.char.startswith(voices, "neural:"), NEURAL, 1)
    of_all, sure[asked] = fitted(np.array([e for e in evidence if e]), y[asked], where[asked], voices[asked], people[asked])
    print(f"EVIDENCE {shown(of_all)}")
    for kind in ("RIVAL without", "RIVAL with", "DECOY without", "DECOY with"):
        of_kind = [(rival[1], hit) for rival, hit in zip(rivals, right) if rival and rival[0] == kind]
        model = LogisticRegression(C=100).fit(*zip(*of_kind))
        print(f"{kind} {shown((*model.intercept_, *model.coef_[0]))}")
    print("\nabove a threshold: right, then wrong by where they were heard; in talk and babble an hour")
    for threshold in THRESHOLDS:
        taken = sure >= threshold
        wrong = {str(k): int((taken & ~y & (where == k)).sum()) for k in np.unique(where)}
        for kind in ("talk", "babble"):
            if hours.get(kind) and f"in {kind}" in wrong:
                wrong[f"in {kind}"] = round(wrong[f"in {kind}"] / hours[kind], 1)
        print(threshold, f"{int((taken & y).sum())} ({100 * (taken & y).sum() / callouts:.1f} %)", wrong)


def shown(constants):
    return ", ".join(f"{c:.3f}" for c in constants)


if __name__ == "__main__":
    main()
