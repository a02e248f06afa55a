"""Described birds of ``tests/trade/cases.toml``: does the program conclude what a breeder would?

Each bird is read with noise that its budget states, and judged as the species it is said to be. A
number of noise is the standard deviation along L*, C* and Delta H*, each in CIEDE2000 units;
"one card, phone" is what one grey card leaves on a phone, half of its variance shared by all marks
of the photo (our own choice). The colours are words turned into CIELAB from memory: this proves
that the rules say what the trade says, not that they hold for feathers.
"""

import sys
from collections import Counter
from pathlib import Path

from _tables import markdown, save

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests" / "trade"))
from described import book
from verdicts import PHONE, answer

from fieldmarks.rules import load_rules

NOISES = {"1": 1.0, "3": 3.0, "one card, phone": PHONE}
SEEDS = (1,)  # not looked at while the rules were set: those were set on seed 0


def main() -> None:
    """Write ``results/trade.md``."""
    cases, tables = book(), load_rules()
    agreed, asked = Counter(), Counter()
    wrong: dict[str, list[str]] = {name: [] for name in NOISES}
    clean, against, mixed, good = Counter(), Counter(), Counter(), Counter()
    for name, noise in NOISES.items():
        for point, case in cases.every():
            missed = []
            for seed in SEEDS:
                found = answer(cases, case, tables, noise, seed)
                asked[name, point.number] += 1
                agreed[name, point.number] += found.agrees(case)
                if not found.agrees(case):
                    missed.append(found.kind)
                if case.says.startswith("mixed"):
                    mixed[name] += 1
                    clean[name] += found.clean
                if case.says.startswith("pure"):
                    good[name] += 1
                    against[name] += found.kind in ("other", "mixed")
            if missed:
                kinds = ", ".join(f"{kind} {n}" for kind, n in Counter(missed).items())
                wrong[name].append(
                    f"{point.number}: {case.bird}, {case.name}: {case.says}; {kinds}"
                )
    rows = [
        (
            point.number,
            point.text,
            len(point.cases),
            *(_share(agreed[name, point.number], asked[name, point.number]) for name in NOISES),
        )
        for point in cases.point
    ]
    totals = tuple(
        _share(sum(agreed[name, p.number] for p in cases.point),
               sum(asked[name, p.number] for p in cases.point))
        for name in NOISES
    )  # fmt: skip
    rows.append(("", "all", sum(len(p.cases) for p in cases.point), *totals))
    safe = [
        ("strong sign, called clean", *(f"{clean[n]} of {mixed[n]}" for n in NOISES)),
        ("good bird, contradicted", *(f"{against[n]} of {good[n]}" for n in NOISES)),
    ]
    save(
        "trade",
        "What a breeder would say, bird by bird",
        str(__doc__).strip(),
        f"Agreement by rule, {len(SEEDS)} reading of each bird:",
        markdown(("", "rule", "birds", *NOISES), rows),
        markdown(("", *NOISES), safe),
        *(
            f"## Not agreed at {name}\n\n" + ("\n".join(f"- {line}" for line in lines) or "None.")
            for name, lines in wrong.items()
        ),
    )


def _share(part: int, whole: int) -> str:
    return f"{part / max(whole, 1):.1%}"


if __name__ == "__main__":
    main()
