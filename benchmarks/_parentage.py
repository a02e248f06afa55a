"""Birds of known parents, simulated or painted: what the program says of them, counted.

Colours are CIELAB, D65, 2 degrees.
"""

import json
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from _tables import markdown

from fieldmarks.judge.assess import Assessment
from fieldmarks.judge.findings import Status
from fieldmarks.judge.signs import SignStatus
from fieldmarks.measure.colour import difference
from fieldmarks.measure.quantities import Lab, Reading, Relation
from fieldmarks.rules import Tables
from fieldmarks.rules.plumage import expected

SETUPS = {"none": "no card", "grey card": "grey card", "phone profile": "card and phone profile"}
VISIBLE, VISIBLE_SHARE = 6.0, 0.3  # CIEDE2000 beyond the tolerance, over this share of a mark


@dataclass(frozen=True)
class Bird:
    """A simulated bird: who its parents are and the true colours and shares of each mark."""

    parents: tuple[str, str]
    variety: str
    age: str
    marks: dict[str, list[tuple[Lab, float]]]

    @property
    def pure(self) -> bool:
        """Whether both parents are of one species."""
        return self.parents[0] == self.parents[1]


def visible(tables: Tables, bird: Bird, claimed: str) -> bool:
    """Whether the truth, before any noise, differs plainly from what the claimed species shows."""
    for mark, colours in bird.marks.items():
        keys = expected(tables, claimed, mark, bird.variety, bird.age).swatches
        if not keys:
            continue
        labs = np.array([tables.lab[k] for k in keys])
        tolerance = np.array([tables.swatches[k].tolerance for k in keys])
        beyond = [(difference(np.array(c), labs) - tolerance).min() for c, _ in colours]
        area = sum(f for (_, f), gap in zip(colours, beyond, strict=True) if gap >= VISIBLE)
        if area >= VISIBLE_SHARE:
            return True
    return False


OLD = """
import json, sys
from fieldmarks.assessment import assess
from fieldmarks.quantities import Budget, PixelCount, Population, Reading, Relation, UncertaintyPart
from fieldmarks.tables import load_tables
tables = load_tables(keepers_swatches=False)
for line in sys.stdin:
    given = json.loads(line)
    readings = [
        Reading(r["mark"], (), tuple(r["lab"]), (1, 1, 1),
                tuple(Population(tuple(p), f) for p, f in r["populations"]),
                Budget(tuple(UncertaintyPart(*p) for p in r["parts"])),
                PixelCount(2500, 0, 0, 0, 2500), r["calibrated"], anchors=tuple(r["anchors"]),
                tone_known=r["tone_known"]) for r in given["readings"]]
    relations = [Relation(*r) for r in given["relations"]]
    found = assess(readings, relations, tables, variety=given["variety"], age=given["age"])
    print(json.dumps([found.conclusion.outcome, found.conclusion.candidates]), flush=True)
"""


def by_old(folder: Path, cases: list[dict]) -> list[tuple[str, list[str]]]:
    """Outcome and candidates of version 0.2.0 for the same readings."""
    lines = "\n".join(json.dumps(case) for case in cases)
    done = subprocess.run(
        [sys.executable, "-c", OLD], input=lines, text=True, capture_output=True, check=True,
        env={**os.environ, "PYTHONPATH": str(folder)}, cwd=folder,
    )  # fmt: skip
    return [tuple(json.loads(line)) for line in done.stdout.splitlines()]


def as_plain(bird: Bird, readings: list[Reading], relations: list[Relation]) -> dict:
    """A case as plain numbers, for another version of the program."""
    return {
        "variety": bird.variety,
        "age": bird.age,
        "readings": [
            {"mark": r.mark, "lab": r.lab, "calibrated": r.calibrated, "anchors": r.anchors,
             "tone_known": r.tone_known,
             "populations": [(p.lab, p.fraction) for p in r.populations],
             "parts": [(p.name, p.lightness, p.chroma, p.hue, "") for p in r.budget.parts]}
            for r in readings
        ],
        "relations": [(r.key, r.kind, r.value, r.expanded, ()) for r in relations],
    }  # fmt: skip


def accused(result: Assessment) -> bool:
    """Whether a bird is said to be mixed, to be nothing known, or to show a sign."""
    named = result.conclusion.outcome in ("mixed", "none fits", "signs")
    return named or any(s.status is SignStatus.SEEN for s in result.signs)


def caught(result: Assessment, claimed: str) -> bool:
    """Whether anything speaks against a bird sold as ``claimed``."""
    conclusion = result.conclusion
    against = conclusion.outcome in ("mixed", "none fits", "claim contradicted", "signs")
    odd = any(f.status is Status.DOES_NOT_FIT for f in result.sheet(claimed).findings)
    return against or odd or any(s.status is SignStatus.SEEN for s in result.sheet(claimed).signs)


def share(rows: list[dict], key: str) -> str:
    if not rows:
        return "-"
    count = sum(bool(r[key]) for r in rows)
    return f"{100 * count / len(rows):.1f} % ({count} of {len(rows)})"


def row_of(tables: Tables, bird: Bird, claimed: str, result: Assessment) -> dict:
    """What became of a bird, by what is asked of it; a pure bird was not sold as anything."""
    crosses = [s for s in result.conclusion.standing if len(s.species) == 2]
    order = sorted(bird.parents, key=list(tables.species).index)
    return {
        "pure": bird.pure,
        "pure adult": bird.pure and bird.age == "adult",
        "crosses": not bird.pure,
        "visible": not bird.pure and visible(tables, bird, claimed),
        "true": bird.parents[0],
        "alone": result.conclusion.candidates == bird.parents[:1],
        "out": bird.parents[0] not in result.conclusion.candidates,
        "accused": accused(result),
        "odd": bool(result.sheet(bird.parents[0]).count(Status.DOES_NOT_FIT)),
        "caught": caught(result, claimed),
        "named": result.conclusion.outcome == "mixed",
        "parents": crosses[0].species == tuple(order),
    }


def ask_old(folder: Path, rows: dict[str, list[dict]], plain: dict[str, list[dict]]) -> None:
    """Add to every row what version 0.2.0 says of the same readings, for each setup."""
    for setup, cases in plain.items():
        for row, (_, left) in zip(rows[setup], by_old(folder, cases), strict=True):
            row["old alone"] = list(left) == [row["true"]]
            row["old out"] = row["true"] not in left


# What is counted -> of which birds, and which of them.
KINDS = {
    "pure adults accused (a sign, a cross or nothing known)": ("pure adult", "accused"),
    "pure adults: some mark does not fit": ("pure adult", "odd"),
    "pure birds: species left alone": ("pure", "alone"),
    "... by version 0.2.0": ("pure", "old alone"),
    "pure birds: true species struck out": ("pure", "out"),
    "... by version 0.2.0 ": ("pure", "old out"),
    "crosses with a visible mark caught": ("visible", "caught"),
    "crosses with a visible mark: called a cross": ("visible", "named"),
    "crosses with a visible mark: right parents the likeliest cross": ("visible", "parents"),
    "all crosses: right parents the likeliest cross": ("crosses", "parents"),
}


def counted(found: dict[str, list[dict]]) -> str:
    """The table of all kinds, a column for each setup."""
    lines = []
    for words, (which, key) in KINDS.items():
        some = [[row for row in rows if row[which]] for rows in found.values()]
        lines.append((words, *(share(s, key) if s and key in s[0] else "not run" for s in some)))
    return markdown(("", *(SETUPS[s] for s in found)), lines)
