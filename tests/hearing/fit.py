"""Fits the confidence of src/decode/confidence.rs on the development sets, and prints its constants.

usage: fit.py READINGS…   (from: cargo run --release --example readings SET_DIR, a set of make_bench.py)
A logistic regression of "this was said, with this meaning" on Measures::features; and for rivals, call-outs and decoys
apart, one of "the reading is right, not its rival" on Measures::rival_features. A reading belongs to the sentence that
it overlaps most.
The table is from five-fold cross-validation by voice: each reading is judged by what was fitted on other voices. With it
stand the thresholds of src/core/certainty.rs for rivals: what is accepted in the end.
Needs tests/hearing/training.txt.
"""

import json
import pathlib
import re
import sys
from collections import Counter

import numpy as np
from sklearn.linear_model import LogisticRegression
from sklearn.model_selection import GroupKFold

ROOT = pathlib.Path(__file__).resolve().parents[2]
NEURAL = 2  # weight of what a neural talker says: they sound most like people
NEAR = 0.4  # weight of a near miss: the set has more of them than of call-outs, which nobody says
THRESHOLDS = (0.1, 0.2, 0.3, 0.5, 0.6, 0.7, 0.75, 0.8, 0.825, 0.85, 0.9, 0.95)


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


class Rows:
    """All readings, a row each, and how many call-outs there were."""

    def __init__(self, paths):
        self.features, self.right, self.where, self.voices = [], [], [], []
        self.rivals = []  # (is a decoy, features, whether the rival or the reading is right), or None
        self.told = []  # for whoever looks: condition, said, heard, rival
        self.call_outs, self.hours = Counter(), Counter()
        for line in (line for path in paths for line in open(path, encoding="utf-8")):
            self._add(json.loads(line))
        self.features, self.right, self.where = map(np.array, (self.features, self.right, self.where))
        self.voices = np.array(self.voices)

    def _add(self, entry):
        file, truth = entry["file"], entry["truth"]
        self.hours[file["kind"]] += file["seconds"] / 3600
        condition = file["file"].removesuffix(".flac")
        self.call_outs[condition] += len(truth["callouts"])
        for reading in entry["readings"]:
            if reading["meaning"] == "decoy":
                continue
            said = beneath(reading, truth["callouts"] + truth["refused"])
            where, right = f"in {file['kind']}", False
            if said and "event" in said:
                where, right = "on a call-out", same(reading["meaning"], said)
            elif file["kind"] in ("callouts", "rivals"):
                where = "beside a call-out"
            rival = None
            if reading["against"]:
                is_decoy = reading["rival"] == "decoy"
                other = said and (reading["rival_words"] == said["words"] if is_decoy else same(reading["rival"], said))
                rival = is_decoy, reading["against"], right or bool(other)
            self.features.append(reading["features"])
            self.right.append(right)
            self.where.append(where)
            self.voices.append(said["voice"] if said else file["file"])
            self.rivals.append(rival)
            self.told.append((condition, (said or {}).get("words"), reading["words"], reading["rival_words"]))

    def weights(self):
        near = np.where(self.where == "in near", NEAR, 1)
        return near * np.where(np.char.startswith(self.voices, "neural:"), NEURAL, 1)


def fitted(x, y, voices, counts):
    """Constant and weights, and what cross-validation gives each."""
    mean, spread = x.mean(0), x.std(0) + 1e-9
    z, sure = (x - mean) / spread, np.zeros(len(y))
    for train, test in GroupKFold(5).split(z, y, voices):
        sure[test] = LogisticRegression(max_iter=3000).fit(z[train], y[train], counts[train]).predict_proba(z[test])[:, 1]
    model = LogisticRegression(max_iter=3000).fit(z, y, counts)
    weights = model.coef_[0] / spread
    return [model.intercept_[0] - weights @ mean, *weights], sure


def of_rivals(rows):
    """Prints the constants of both kinds; gives how probable each reading's rival is, and whether it is a decoy."""
    probable, decoy = np.zeros(len(rows.right)), np.zeros(len(rows.right), bool)
    for name, kind in (("RIVAL", False), ("DECOY", True)):
        mine = [k for k, rival in enumerate(rows.rivals) if rival and rival[0] == kind]
        known = [k for k in mine if rows.rivals[k][2]]
        x = np.array([rows.rivals[k][1] for k in known])
        model = LogisticRegression(C=100).fit(x, rows.right[known])
        print(f"{name} {shown((*model.intercept_, *model.coef_[0]))}   ({len(known)} rivals, of which {int((~rows.right[known]).sum())} right)")
        if mine:
            probable[mine] = model.predict_proba(np.array([rows.rivals[k][1] for k in mine]))[:, 0]
            decoy[mine] = kind
    return probable, decoy


def certainty(name):
    text = (ROOT / "src/core/certainty.rs").read_text(encoding="utf-8")
    return float(re.search(rf"const {name}: f32 = ([\d.]+);", text)[1])


def shown(constants):
    return ", ".join(f"{c:.3f}" for c in constants)


def main():
    rows = Rows(sys.argv[1:])
    call_outs = sum(rows.call_outs.values())
    print(f"{call_outs} call-outs; {len(rows.right)} readings, {int(rows.right.sum())} of them right")
    (constant, *weights), sure = fitted(rows.features, rows.right, rows.voices, rows.weights())
    print(f"CONSTANT {constant:.3f}\nWEIGHTS {shown(weights)}")
    probable, decoy = of_rivals(rows)
    no_rival = probable < np.where(decoy, certainty("DECOY"), certainty("RIVAL"))
    print("\nabove a threshold and ahead of rivals: right, then wrong by where they were heard; in talk and babble an hour")
    for threshold in THRESHOLDS:
        taken = (sure >= threshold) & no_rival
        wrong = {str(k): int((taken & ~rows.right & (rows.where == k)).sum()) for k in np.unique(rows.where)}
        for kind in ("talk", "babble"):
            if rows.hours[kind] and f"in {kind}" in wrong:
                wrong[f"in {kind}"] = round(wrong[f"in {kind}"] / rows.hours[kind], 1)
        right = taken & rows.right
        print(threshold, f"{int(right.sum())} ({100 * right.sum() / call_outs:.1f} %; {int(((sure >= threshold) & rows.right).sum())} with rivals)", wrong)
    accept = certainty("ACCEPT")
    taken = (sure >= accept) & no_rival
    print(f"\nby condition at {accept}: right, wrong")
    for condition, count in rows.call_outs.items():
        here = np.array([told[0] == condition for told in rows.told])
        right, wrong = int((taken & rows.right & here).sum()), int((taken & ~rows.right & here).sum())
        print(f"  {condition}: {right} of {count}, {wrong} wrong")
    print("\naccepted and wrong: confidence, condition, what was said, what was heard, its rival")
    for k in np.flatnonzero(taken & ~rows.right):
        print(f"  {sure[k]:.3f}", *rows.told[k], sep=" | ")


if __name__ == "__main__":
    main()
