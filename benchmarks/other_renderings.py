"""The shared birds and some strangers in other light: who is struck out, who is let through?

Run: python benchmarks/other_renderings.py [--shared FOLDER] [--runs N]

A stand-in for birds nobody measured. The readings of the real birds are changed as other photos
would change them: white balance, exposure, saturation and a tone curve on the values of the file
(not the rendering of ``fieldmarks.judge``, which is one of linear light), error in every mark, few
marks, two marks mixed up, one mark outlined on something else. ``strangers.toml`` holds birds that
are none of ours, composed from memory. Nothing here was ever measured so: it shows how much a bird
can bear, and is no evidence of how often the program is right.
"""

import argparse
import math
import tomllib
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
from _tables import markdown, save
from real_birds import SHARED, numbers, reading_of, rows

from fieldmarks.judge.conclusion import STRANGE, Case
from fieldmarks.judge.evidence import gather
from fieldmarks.judge.model import explain
from fieldmarks.judge.scale import CLEAR
from fieldmarks.judge.together import Question
from fieldmarks.measure.colour import decode_srgb, encode_srgb, lab_to_linear, linear_to_lab
from fieldmarks.measure.quantities import PixelCount, Population, Reading, Relation
from fieldmarks.rules import Tables, load_rules

RUNS, SEED = 12, 20261127
STRANGERS = Path(__file__).with_name("strangers.toml")
LUMA = np.array([0.2126, 0.7152, 0.0722])  # IEC 61966-2-1
CUT = 0.98  # share of the range from which a pixel counts as cut off
SPREAD = (6.0, 4.0, 5.0)  # of the pixels of a composed mark, L*, a*, b*
ERROR = np.array([4.0, 3.0, 4.0])  # of a mark by itself, L*, a*, b*
Change = Callable[[list[Reading], np.random.Generator], list[Reading]]


def moved(reading: Reading, lab: np.ndarray, cut: bool = False) -> Reading:
    """The same mark read as another colour."""
    lab = tuple(float(v) for v in lab)
    pixels = reading.pixels
    if cut:
        pixels = replace(pixels, clipped=max(pixels.clipped, pixels.total // 2))
    return replace(reading, lab=lab, populations=(Population(lab, 1.0),), pixels=pixels)


def rendered(readings: list[Reading], rng: np.random.Generator) -> list[Reading]:
    """As another photo: cast, exposure, tone curve and saturation, cut off at white."""
    gain = np.exp(rng.normal(0, 0.3) + rng.normal(0, 0.12, 3) * [1, 0, 1])
    bend, vivid = rng.uniform(-0.5, 0.7), rng.uniform(0.8, 1.3)
    linear = np.clip(lab_to_linear(np.array([r.lab for r in readings])) * gain, 0, 1)
    code = encode_srgb(linear)
    # A curve of S shape through both ends and the middle, or its opposite.
    code = code + bend * code * (1 - code) * (2 * code - 1)
    grey = (code @ LUMA)[:, None]
    code = np.clip(grey + vivid * (code - grey), 0, 1)
    labs = linear_to_lab(decode_srgb(np.round(code * 255) / 255))
    ends = (code > CUT).any(axis=1)
    return [moved(r, lab, bool(end)) for r, lab, end in zip(readings, labs, ends, strict=True)]


def noisy(readings: list[Reading], rng: np.random.Generator) -> list[Reading]:
    """Every mark off by itself."""
    return [moved(r, np.array(r.lab) + ERROR * rng.standard_normal(3)) for r in readings]


def few(readings: list[Reading], rng: np.random.Generator) -> list[Reading]:
    """Three to eight marks."""
    keep = rng.permutation(len(readings))[: rng.integers(3, 9)]
    return [readings[n] for n in sorted(keep)]


def swapped(readings: list[Reading], rng: np.random.Generator) -> list[Reading]:
    """Two marks mixed up."""
    one, other = rng.permutation(len(readings))[:2]
    out = list(readings)
    out[one] = replace(readings[other], mark=readings[one].mark)
    out[other] = replace(readings[one], mark=readings[other].mark)
    return out


def astray(readings: list[Reading], rng: np.random.Generator) -> list[Reading]:
    """One mark outlined on something else in the picture."""
    out, place = list(readings), int(rng.integers(len(readings)))
    out[place] = moved(out[place], linear_to_lab(decode_srgb(rng.uniform(0, 1, 3)[None]))[0])
    return out


def all_of_it(readings: list[Reading], rng: np.random.Generator) -> list[Reading]:
    """Another photo, every mark off by itself, one outlined on something else."""
    return astray(noisy(rendered(readings, rng), rng), rng)


CHANGES: dict[str, Change] = {
    "another rendering": rendered,
    "every mark off": noisy,
    "two marks swapped": swapped,
    "one mark astray": astray,
    "rendering, error and one astray": all_of_it,
    "3 to 8 marks": few,
    "3 to 8 marks, another rendering": lambda r, rng: few(rendered(r, rng), rng),
}


def strangers() -> dict[str, tuple[str, list[Reading], list[Relation]]]:
    """Variety, readings and ring of each composed bird."""
    found = {}
    for name, row in tomllib.loads(STRANGERS.read_text(encoding="utf-8")).items():
        readings = []
        for mark, code in row["marks"].items():
            rgb = np.array([int(code[n : n + 2], 16) for n in (0, 2, 4)]) / 255
            lab = tuple(float(v) for v in linear_to_lab(decode_srgb(rgb[None]))[0])
            readings.append(reading_of(mark, lab, SPREAD, PixelCount(900, 0, 0, 0, 900)))
        found[name] = (row["variety"], readings, [Relation("ring", "ring", row["ring"], 0.05, ())])
    return found


def verdict(
    tables: Tables, readings: list[Reading], relations: list[Relation], variety: str, age: str
) -> Case:
    """The kinds of bird and what they weigh, without a finding for every mark."""
    marks = {r.mark: r for r in readings}
    kept = [marks[m] for m in tables.marks if m in marks]
    found, _ = explain(tables, [(gather(kept), relations)], variety, age)
    return Case(tables, found, {}, Question(variety, age), [False])


def outcome(case: Case, true: str, limit: float = STRANGE) -> str:
    """What becomes of the true species; a stranger has none."""
    clear = math.log(CLEAR)
    if case.strangeness > limit:
        return "nothing fits"
    if case.cross[1] - case.pure[case.likeliest] > clear:
        return "called a cross"
    if true not in case.candidates:
        return "another alone" if len(case.candidates) == 1 else "not among those left"
    if case.likeliest != true:
        return "left, not first"
    return "alone" if len(case.candidates) == 1 else "first"


KINDS = ("alone", "first", "left, not first", "another alone", "not among those left",
         "called a cross", "nothing fits")  # fmt: skip


def own(tables: Tables, shared: Path, prefix: str = "") -> list[tuple]:
    """The lovebirds: name, true species, variety, age, readings, relations."""
    readings, relations = numbers(shared, prefix)
    found = []
    for row in rows(shared, f"{prefix}sources.csv"):
        if row["species"] in tables.species:
            name, age = row["bird"], row["age"] if row["age"] in tables.ages else "adult"
            found.append((name, row["species"], row["variety"], age,
                          readings[name], relations[name]))  # fmt: skip
    return found


def run(tables: Tables, birds: list[tuple], runs: int) -> list[dict]:
    """One row per lovebird, change and turn."""
    found = []
    for number, (words, change) in enumerate(CHANGES.items()):
        for place, (name, true, variety, age, readings, relations) in enumerate(birds):
            for turn in range(runs):
                rng = np.random.default_rng([SEED, number, place, turn])
                some = change(readings, rng)
                ring = relations if "3 to 8" not in words or rng.random() < 0.5 else []
                case = verdict(tables, some, ring, variety, age)
                found.append({"change": words, "bird": name, "said": outcome(case, true),
                              "first": case.likeliest, "strange": case.strangeness})  # fmt: skip
    return found


def run_strangers(tables: Tables, runs: int) -> list[dict]:
    """The same of the strangers, as composed and changed."""
    found = []
    for place, (name, (variety, readings, relations)) in enumerate(strangers().items()):
        for number, (words, change) in enumerate([("as composed", None), *CHANGES.items()]):
            for turn in range(runs if change else 1):
                rng = np.random.default_rng([SEED, number, place, turn])
                some = change(readings, rng) if change else readings
                case = verdict(tables, some, relations, variety, "adult")
                found.append({"change": words, "bird": name, "said": outcome(case, ""),
                              "first": case.likeliest, "strange": case.strangeness})  # fmt: skip
    return found


def over(found: list[dict], limit: float, *words: str) -> str:
    """Share of the rows of some changes that are stranger than a limit."""
    some = [r["strange"] > limit for r in found if not words or r["change"] in words]
    return f"{np.mean(some):.1%} ({sum(some)} of {len(some)})"


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--shared", type=Path, default=SHARED)
    parser.add_argument("--runs", type=int, default=RUNS)
    given = parser.parse_args()
    tables = load_rules()
    birds = own(tables, given.shared)
    plain = [outcome(verdict(tables, r, rel, v, a), true) for _, true, v, a, r, rel in birds]
    found, others = run(tables, birds, given.runs), run_strangers(tables, max(given.runs // 3, 1))
    lines = [("as read", len(birds), *(f"{plain.count(k) / len(birds):.1%}" for k in KINDS))]
    for words in CHANGES:
        said = [r["said"] for r in found if r["change"] == words]
        lines.append((words, len(said), *(f"{said.count(k) / len(said):.1%}" for k in KINDS)))
    wrong = Counter((r["bird"], r["said"], r["first"]) for r in found
                    if KINDS.index(r["said"]) > 2 and "3 to 8" not in r["change"])  # fmt: skip
    whole = ("another rendering", "every mark off")
    curve = [
        (f"{limit:g}", over(found, limit, *whole), over(found, limit, "two marks swapped"),
         over(others, limit, "as composed"), over(others, limit, "another rendering"))
        for limit in (0, 0.5, 0.7, 1.0, 1.3, 2.0, 3.0)
    ]  # fmt: skip
    each = []
    for name in strangers():
        rows_of = [r for r in others if r["bird"] == name]
        first = rows_of[0]
        few_marks = [w for w in CHANGES if "3 to 8" in w]
        all_marks = [w for w in CHANGES if "3 to 8" not in w]
        each.append((name.replace("_", " "), f"{first['strange']:.1f}", first["said"],
                     first["first"], over(rows_of, STRANGE, *all_marks),
                     over(rows_of, STRANGE, *few_marks)))  # fmt: skip
    save(
        "other_renderings",
        "The shared birds in other light, and strangers",
        str(__doc__).split("\n\n", 2)[2].strip(),
        "## Thirteen lovebirds, changed",
        markdown(("change", "n", *KINDS), lines),
        "Wrong with all marks read: " + ("; ".join(
            f"{bird}: {said}, {first} likeliest ({n})" for (bird, said, first), n
            in wrong.most_common()) or "none") + ".",
        "## Where to set the limit of strangeness",
        f"Natural logarithm of a likelihood ratio; the program's is {STRANGE:g}.",
        markdown(("limit", "lovebirds told to be nothing known: rendering, error",
                  "two marks swapped", "strangers told, as composed", "in another rendering"),
                 curve),
        "## Strangers",
        markdown(("bird", "strangeness", "as composed", "nearest",
                  "told to be nothing known, changed", "of 3 to 8 marks"), each),
    )  # fmt: skip


if __name__ == "__main__":
    main()
