"""Fits the confidence of src/decode/confidence.rs on the development set, and prints its constants.

usage: fit.py readings.jsonl   (from: cargo run --release --example readings SET_DIR, a set of make_bench.py)
A logistic regression of "this was said, with this meaning" on Measures::features, of readings of one training of the
model; the same on what both trainings make of it, Opinions::features; for rivals one of "the reading is right, not its
rival" on Opinions::rival_features, call-outs and decoys apart. A reading belongs to the sentence that it overlaps most.
Set WEIGHTS and CONSTANT first, then run `readings` again for the others: they build on these.
The table is from five-fold cross-validation by voice: each is judged by what was fitted on other voices.
Needs tests/hearing/training.txt.
"""

import json
import sys

import numpy as np
from sklearn.linear_model import LogisticRegression
from sklearn.model_selection import GroupKFold

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


def gather(path):
    """Every reading as (features, opinions or None, right, where, voice, rival), the call-outs in all, and hours by kind.

    A rival is (kind, features), where the reading or the rival is right; else None.
    """
    rows, callouts, found, hours = [], 0, 0, {}
    for line in open(path, encoding="utf-8"):
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
                rival = ("DECOY" if is_decoy else "RIVAL", reading["against"])
            rows.append((reading["features"], reading["opinions"], right, where, said["voice"] if said else file["file"], rival))
        found += len(hits)
    print(f"{callouts} call-outs, {found} of them among the readings; {len(rows)} readings")
    return rows, callouts, hours


def fitted(x, y, where, voices):
    """Constant and weights, and what cross-validation gives each."""
    counts = np.where(where == "in near", NEAR, 1)
    mean, spread = x.mean(0), x.std(0) + 1e-9
    z, sure = (x - mean) / spread, np.zeros(len(y))
    for train, test in GroupKFold(5).split(z, y, voices):
        sure[test] = LogisticRegression(max_iter=1000).fit(z[train], y[train], counts[train]).predict_proba(z[test])[:, 1]
    model = LogisticRegression(max_iter=1000).fit(z, y, counts)
    weights = model.coef_[0] / spread
    return [model.intercept_[0] - weights @ mean, *weights], sure


def main():
    rows, callouts, hours = gather(sys.argv[1])
    one = [(row[0], *row[2:5]) for row in rows]
    (constant, *weights), _ = fitted(*(np.array(column) for column in zip(*one)))
    print(f"CONSTANT {constant:.3f}\nWEIGHTS {', '.join(f'{w:.3f}' for w in weights)}")
    _, opinions, right, where, voices, rivals = zip(*(row for row in rows if row[1]))
    x, y, where = np.array(opinions), np.array(right), np.array(where)
    of_both, sure = fitted(x, y, where, np.array(voices))
    print(f"OPINIONS {', '.join(f'{w:.3f}' for w in of_both)}")
    for kind in ("RIVAL", "DECOY"):
        of_kind = [(rival[1], hit) for rival, hit in zip(rivals, right) if rival and rival[0] == kind]
        model = LogisticRegression(C=100).fit(*zip(*of_kind))
        print(f"{kind} {', '.join(f'{w:.3f}' for w in (*model.intercept_, *model.coef_[0]))}")
    print("\nabove a threshold: right, then wrong by where they were heard; in talk and babble an hour")
    for threshold in THRESHOLDS:
        taken = sure >= threshold
        wrong = {str(k): int((taken & ~y & (where == k)).sum()) for k in np.unique(where)}
        for kind in ("talk", "babble"):
            if hours.get(kind) and f"in {kind}" in wrong:
                wrong[f"in {kind}"] = round(wrong[f"in {kind}"] / hours[kind], 1)
        print(threshold, f"{int((taken & y).sum())} ({100 * (taken & y).sum() / callouts:.1f} %)", wrong)


if __name__ == "__main__":
    main()
