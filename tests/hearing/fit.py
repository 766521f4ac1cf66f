"""Fits the confidence of src/decode/confidence.rs on the development set, and prints its constants.

usage: fit.py readings.jsonl   (from: cargo run --release --example readings DEV_DIR)
A logistic regression of "this was said, with this meaning" on Measures::features; for rivals one of "the
reading is right, not its rival" on the margin alone. The table is from five-fold cross-validation by clip.
Needs tests/hearing/training.txt.
"""

import json
import sys

import numpy as np
from sklearn.linear_model import LogisticRegression
from sklearn.model_selection import GroupKFold


def main():
    features, right, clips, kinds, rivals = [], [], [], [], []
    for number, line in enumerate(open(sys.argv[1], encoding="utf-8")):
        entry = json.loads(line)
        clip = entry["clip"]

        def same(meaning):
            return isinstance(meaning, dict) and all(
                (meaning.get(k) or None) == (clip.get(k) or None) if k == "detail" else meaning.get(k) == clip.get(k)
                for k in ("event", "value", "detail")
            )

        for reading in entry["readings"]:
            if reading["meaning"] == "decoy":
                continue
            kind, hit = clip["kind"], False
            if kind == "callout":
                kind = "beside"
                if reading["onset_ms"] < clip["end_ms"] and reading["end_ms"] > clip["onset_ms"]:
                    kind, hit = "on the call-out", same(reading["meaning"])
                    if hit or same(reading["rival"]):
                        rivals.append((reading["margin"], hit))
            features.append(reading["features"])
            right.append(hit)
            clips.append(number)
            kinds.append(kind)
    x, y, kinds = np.array(features), np.array(right), np.array(kinds)
    mean, spread = x.mean(0), x.std(0)
    z = (x - mean) / spread
    sure = np.zeros(len(y))
    for train, test in GroupKFold(5).split(z, y, clips):
        sure[test] = LogisticRegression().fit(z[train], y[train]).predict_proba(z[test])[:, 1]
    model = LogisticRegression().fit(z, y)
    weights = model.coef_[0] / spread
    print(f"CONSTANT {model.intercept_[0] - weights @ mean:.3f}\nWEIGHTS {', '.join(f'{w:.3f}' for w in weights)}")
    margin = LogisticRegression(C=100).fit([[m] for m, _ in rivals], [h for _, h in rivals])
    print(f"RIVAL_CONSTANT {margin.intercept_[0]:.3f}\nRIVAL_PER_NAT {margin.coef_[0][0]:.3f}")
    print(f"\n{y.sum()} right readings; above a threshold: right, then wrong by where they were heard")
    for threshold in (0.1, 0.2, 0.3, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95):
        taken = sure >= threshold
        wrong = {str(k): int((taken & ~y & (kinds == k)).sum()) for k in np.unique(kinds)}
        print(threshold, int((taken & y).sum()), wrong)


if __name__ == "__main__":
    main()
