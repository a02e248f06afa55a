"""Every number and swatch chosen on the shared birds, chosen again without the bird it then judges.

Run: python benchmarks/leave_one_bird_out.py [--shared FOLDER]

The numbers are chosen one after the other from the grid below, the others as they stand: of those
that lose at most SLIGHT more on the birds kept than the best, the one that doubts most.
The loss is the logarithmic score (Good 1952) of the whole answer: a
lovebird costs -ln of the probability of its species among the species and crosses, no more than
FLOOR, and -ln that it is known at all; the conure -ln that it is not, as much as all lovebirds
together. How likely a bird is known is the logistic of how far its strangeness lies under the
limit, half-way between the strangest lovebird kept and the conure. A swatch that a bird gave is
dropped for that bird unless another bird kept of that species (toes: of any) reads nearest to it at
that mark. Ring widths run from the least of the eye-ring birds kept, a lid from 0 to the largest
lid kept, and at least 0.04 less than that.
"""

import argparse
import math
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np
from _tables import markdown, save
from other_renderings import outcome, verdict
from real_birds import SHARED, numbers, rows

from fieldmarks.judge import evidence, hypotheses, model
from fieldmarks.judge.evidence import gather
from fieldmarks.judge.rendering import undo
from fieldmarks.measure.colour import difference
from fieldmarks.rules import Tables, load_rules

FLOOR = math.log(1000)
# Natural logarithm, over all birds; 1 is not worth more than a bare mention (Kass & Raftery 1995).
SLIGHT = 0.5
GAP = 0.04  # between a lid and an eye ring, of the eye's diameter
GRID = {
    "TOLERANCE_FACTOR": (1.6, 2.0, 2.4),
    "OWN_LIGHT": (0.25, 0.4, 0.55),
    "ODD": (0.006, 0.012, 0.03),
    "ring softness": (0.04, 0.08, 0.12),
}
# Swatches that photographs of the shared birds gave: species (none: all), mark, swatch.
GIVEN = (
    ("fischeri", "forehead", "salmon_red"), ("roseicollis", "forehead", "salmon_red"),
    ("fischeri", "crown", "brownish_orange"), ("fischeri", "back_of_head", "brownish_orange"),
    ("fischeri", "nape", "brownish_orange"),
    ("fischeri", "tail_tip", "turquoise"), ("fischeri", "tail_tip", "light_green"),
    ("nigrigenis", "bib", "pale_orange"), ("nigrigenis", "bib", "orange"),
    ("roseicollis", "beak_base", "bill_horn"), ("roseicollis", "beak_tip", "bill_horn"),
    ("", "foot", "foot_pale_grey"), ("", "foot", "foot_flesh"),
)  # fmt: skip
# The hood of a blue fischeri, which one bird gave: left out, the variety's own colours stand there.
HOOD = ("crown", "back_of_head", "nape", "ear")


@contextmanager
def number(name: str, value: float) -> Iterator[None]:
    """One number of the model changed for a while."""
    room = evidence if hasattr(evidence, name) else model
    before = model.RANGES["ring"] if name == "ring softness" else getattr(room, name)
    try:
        if name == "ring softness":
            model.RANGES["ring"] = (value, before[1])
        else:
            setattr(room, name, value)
        model._wanted.cache_clear()
        yield
    finally:
        if name == "ring softness":
            model.RANGES["ring"] = before
        else:
            setattr(room, name, before)
        model._wanted.cache_clear()


def look(tables: Tables, bird: dict, readings: dict, relations: dict):
    """Case of one bird."""
    age = bird["age"] if bird["age"] in tables.ages else "adult"
    name = bird["bird"]
    return verdict(tables, readings[name], relations[name], bird["variety"], age)


def score(case, true: str) -> tuple[float, float]:
    """-ln of the true species' probability among what is known, and the bird's strangeness."""
    known = [weight for kind, weight in case.weights.items() if kind]
    likely = case.weights.get((true,), 0.0) - np.logaddexp.reduce(known)
    return min(-float(likely), FLOOR), case.strangeness


def loss(scores: dict[str, tuple[float, float]], kept: list[str], other: str) -> float:
    """Loss of the birds kept; with the conure left out too, its part is left out."""
    limit = limit_of(scores, kept, other)
    total = sum(scores[b][0] + np.logaddexp(0, scores[b][1] - limit) for b in kept)
    if other:
        total += len(kept) * np.logaddexp(0, limit - scores[other][1])
    return float(total)


def limit_of(scores: dict[str, tuple[float, float]], kept: list[str], other: str) -> float:
    """Half-way between the strangest bird kept and the conure; without it, 1 above the former."""
    most = max(scores[b][1] for b in kept)
    return (most + scores[other][1]) / 2 if other else most + 1


def chosen_of(losses: dict[float, float], name: str) -> float:
    """The value that doubts most of those that lose hardly more than the best one."""
    least = min(losses.values())
    slight = [value for value, lost in losses.items() if lost <= least + SLIGHT]
    return min(slight) if name == "TOLERANCE_FACTOR" else max(slight)


def nearest(tables: Tables, bird: dict, readings: dict, relations: dict) -> dict[str, str]:
    """Swatch of its own species that each mark of a bird reads nearest to."""
    case = look(tables, bird, readings, relations)
    best = next(e for e in case.explained if e.what.species == (bird["species"],))
    kept = gather([r for r in readings[bird["bird"]] if r.mark in tables.marks])
    true = undo(kept.lab, np.tile(best.photos[0].terms, (len(kept.lab), 1)), kept.top)
    found = {}
    for mark, lab in zip(kept.marks, true, strict=True):
        keys = [key for key, _ in hypotheses.colours(tables, best.what, mark)]
        if keys:
            gaps = difference(lab, np.array([tables.lab[k] for k in keys]))
            found[mark] = keys[int(np.argmin(gaps))]
    return found


def without(tables: Tables, left: str, birds: dict, near: dict, rings: dict) -> tuple[Tables, list]:
    """The tables as the other birds give them, and what is dropped."""
    kept = [b for b in near if b != left]
    species, dropped = dict(tables.species), []
    for key, row in tables.species.items():
        marks = dict(row.marks)
        for whose, mark, swatch in GIVEN:
            if mark not in marks or whose not in ("", key):
                continue
            others = [b for b in kept if whose in ("", birds[b]["species"])]
            gave = near.get(left, {}).get(mark) == swatch and whose in ("", birds[left]["species"])
            if gave and not any(near[b].get(mark) == swatch for b in others):
                rest = tuple(s for s in marks[mark].swatches if s != swatch)
                marks[mark] = marks[mark].model_copy(update={"swatches": rest})
                dropped.append(f"{swatch} ({mark})")
        if key == birds[left]["species"] == "fischeri" and birds[left]["variety"] == "blue":
            for mark in HOOD:
                rest = tuple(o for o in marks[mark].overrides if "blue" not in o.series)
                marks[mark] = marks[mark].model_copy(update={"overrides": rest})
            dropped.append("hood of a blue bird")
        changed = {"marks": marks, "relations": _rings(row, kept, birds, rings)}
        species[key] = row.model_copy(update=changed)
    return replace(tables, species=species), list(dict.fromkeys(dropped))


def _rings(row, kept: list[str], birds: dict, rings: dict) -> dict:
    relations = dict(row.relations)
    bare = [b for b in kept if b in rings and birds[b]["species"] == "roseicollis"]
    low = math.floor(100 * min(rings[b] for b in kept if b in rings and b not in bare)) / 100
    lid = min(max(rings[b] for b in bare), low - GAP)
    change = {"high": lid} if row.key == "roseicollis" else {"low": low}
    relations["ring"] = relations["ring"].model_copy(update=change)
    return relations


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--shared", type=Path, default=SHARED)
    folder = parser.parse_args().shared
    tables = load_rules()
    birds = {row["bird"]: row for row in rows(folder, "sources.csv")}
    readings, relations = numbers(folder)
    own = [b for b, row in birds.items() if row["species"] in tables.species]
    (other,) = set(birds) - set(own)
    every: dict[tuple[str, float], dict[str, tuple[float, float]]] = {}
    for name, values in GRID.items():
        for value in values:
            with number(name, value):
                every[name, value] = {
                    b: score(look(tables, row, readings, relations), row["species"])
                    for b, row in birds.items()
                }
    near = {b: nearest(tables, birds[b], readings, relations) for b in own}
    rings = {b: r[0].value for b, r in relations.items() if b in own and r}
    lines, tally = [], {"first": 0, "alone": 0, "out": 0}
    for left in birds:
        kept = [b for b in own if b != left]
        there = other if left != other else ""
        chosen = {
            name: chosen_of({v: loss(every[name, v], kept, there) for v in values}, name)
            for name, values in GRID.items()
        }
        seen, dropped = without(tables, left, birds, near, rings) if left in own else (tables, [])
        standing = {n: getattr(evidence if hasattr(evidence, n) else model, n, None) for n in GRID}
        shipped = next((every[n, v] for n, v in standing.items() if (n, v) in every), None)
        limit = limit_of(shipped, kept, there)
        with number("TOLERANCE_FACTOR", chosen["TOLERANCE_FACTOR"]), \
                number("OWN_LIGHT", chosen["OWN_LIGHT"]), number("ODD", chosen["ODD"]), \
                number("ring softness", chosen["ring softness"]):  # fmt: skip
            case = look(seen, birds[left], readings, relations)
            said = outcome(case, birds[left]["species"], limit)
        ahead = sorted(case.pure.values(), reverse=True)
        tally["first"] += case.likeliest == birds[left]["species"]
        tally["alone"] += said == "alone"
        tally["out"] += left in own and said not in ("alone", "first", "left, not first")
        lines.append((left, *(f"{chosen[n]:g}" for n in GRID), f"{limit:.1f}",
                      ", ".join(dropped), said,
                      f"{case.likeliest}, {math.exp(min(ahead[0] - ahead[1], 13)):.3g} times",
                      f"{case.strangeness:.1f}"))  # fmt: skip
        print(lines[-1], flush=True)
    whole = {n: chosen_of({x: loss(every[n, x], own, other) for x in v}, n)
             for n, v in GRID.items()}  # fmt: skip
    table = [(n, f"{v:g}", f"{loss(every[n, v], own, other):.2f}",
              "chosen" if whole[n] == v else "") for n, values in GRID.items()
             for v in values]  # fmt: skip
    save(
        "leave_one_bird_out", "Leave one bird out",
        str(__doc__).split("\n\n", 2)[2].strip(),
        f"Of {len(own)} lovebirds, each judged by what the others chose: first {tally['first']}, "
        f"alone {tally['alone']}, struck out {tally['out']}.",
        markdown(("left out", *GRID, "limit", "dropped", "result", "likeliest, ahead",
                  "strangeness"), lines),
        "## On all birds",
        markdown(("number", "value", "loss", ""), table),
    )  # fmt: skip


if __name__ == "__main__":
    main()
