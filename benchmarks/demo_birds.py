"""The painted demo birds: stated uncertainty against the true colours, and what is concluded.

Run: python benchmarks/demo_birds.py

The demo photos are simulations and no evidence; this shows that the program says of each bird what
was painted. Truth is the CIELAB of the painted reflectance, from the side files.
"""

import json

import numpy as np
from _tables import markdown, save

from fieldmarks.judge.signs import SignStatus
from fieldmarks.measure.colour import difference
from fieldmarks.pipeline import demo_birds, demo_question, record_of_file
from fieldmarks.rules import load_rules


def main() -> None:
    tables = load_rules()
    rows, off, stated, missed = [], [], [], []
    for name, path in demo_birds().items():
        truth = json.loads(path.with_suffix(".truth.json").read_text(encoding="utf-8"))
        record, _ = record_of_file(path, tables, demo_question(path)[0])
        for reading in record.measurement.readings:
            if not reading.calibrated:
                continue
            marks = truth["marks"][reading.mark]
            # The reading is a median, so a mark of two colours is held against the true median.
            gap = float(difference(reading.lab, marks["true_lab_median"]))
            off.append(gap)
            stated.append(reading.expanded)
            if gap > reading.expanded:
                missed.append(f"{name} {reading.mark}: {gap:.1f}, stated {reading.expanded:.1f}")
        judged = record.assessment
        seen = [s for s in judged.signs if s.status is SignStatus.SEEN]
        rows.append(
            (
                name,
                truth["lamp"],
                judged.conclusion.outcome,
                ", ".join(judged.conclusion.candidates) or "none",
                "; ".join(s.text for s in seen) or "none",
            )
        )
    errors, limits = np.array(off), np.array(stated)
    save(
        "demo_birds",
        "The painted demo birds",
        "Simulated pictures of invented birds: this shows that the program says what was painted, "
        "and is no evidence of how well it measures real birds.",
        f"{len(errors)} calibrated readings: the true colour lies inside the stated uncertainty "
        f"(95 %) in {np.mean(errors <= limits):.1%}. Stated: median {np.median(limits):.1f} "
        f"CIEDE2000; true error: mean {errors.mean():.1f}, 95 % {np.percentile(errors, 95):.1f}.",
        "Outside: " + ("; ".join(missed) or "none") + ".",
        markdown(("bird", "lamp", "outcome", "species left", "signs seen"), rows),
    )


if __name__ == "__main__":
    main()
