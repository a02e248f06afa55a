"""Sentences of the verdict and of all that folds below it, for the seven demo birds.

Run: python benchmarks/sentences.py CHECKOUT      (of the version to compare with)

Every text that the app puts on the findings screen (opened or folded, drawings left out) and that
`fieldmarks assess` prints outside its tables is cut at full stops; pieces of three words or more
count. Both versions are counted by this script, on the outlines that ship with each bird.
"""

import html
import json
import os
import re
import subprocess
import sys
from collections import Counter
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[1]
BLOCK = (
    r"</?(?:p|li|ul|div|summary|details|h\d|td|th|tr|table|caption|figure|figcaption|small)[^>]*>"
)
PARTS = ("verdict", "details", "cautions", "light", "terminal")
MAIN = "from fieldmarks.cli.main import main; main()"


def sentences(body: str) -> list[str]:
    """Sentences of a piece of HTML, Markdown or plain text."""
    found = []
    for block in re.split(BLOCK, re.sub(r"<svg.*?</svg>", " ", body, flags=re.DOTALL)):
        text = " ".join(html.unescape(re.sub(r"<[^>]+>", "", block)).split()).strip("*-• ")
        found += re.split(r"(?<=[.!?;])\s+(?=[A-Z\"])", text)
    return [one for one in found if len(re.findall(r"[A-Za-z']{2,}", one)) >= 3]


def shown() -> dict[str, list[str]]:
    """All sentences of the version that is imported, by part of the screen."""
    import streamlit as st

    from fieldmarks.app import findings, marking, state
    from fieldmarks.pipeline import demo_birds
    from fieldmarks.rules import load_rules

    said: list[str] = []

    def keep(body: Any = "", *_: Any, **__: Any) -> bool:
        said.append(str(body))
        return False

    for name in ("html", "markdown", "caption", "info", "warning", "error", "button"):
        setattr(st, name, keep)
    findings.draw = keep
    panels = {
        "verdict": findings.verdict_card, "details": findings.details_panel,
        "cautions": findings.cautions_panel, "light": marking.card_panel,
    }  # fmt: skip
    found: dict[str, list[str]] = {part: [] for part in PARTS}
    for path in demo_birds().values():
        work = state.open_demo(load_rules(), path, with_regions=True)
        for part, panel in panels.items():
            said.clear()
            panel(work)
            found[part] += [one for body in said for one in sentences(body)]
        run = [sys.executable, "-c", MAIN, "assess", str(path)]
        text = subprocess.run(run, capture_output=True, text=True, check=True).stdout
        for line in text.splitlines():
            plain = line.strip(" │╭╰─╮╯*")
            if "*" in line[:8] or not re.search(r"\S\s{2,}\S", plain):  # else a row of a table
                found["terminal"] += sentences(plain)
    return found


def counted(checkout: Path) -> Counter[str]:
    """How many sentences, and words, each part of a version has."""
    run = [sys.executable, str(Path(__file__).resolve()), "--show"]
    env = os.environ | {"PYTHONPATH": str(checkout)}
    done = subprocess.run(run, cwd=checkout, env=env, capture_output=True, text=True, check=True)
    count: Counter[str] = Counter()
    for part, own in json.loads(done.stdout.splitlines()[-1]).items():
        count[part] = len(own)
        count[f"{part}, words"] = sum(len(one.split()) for one in own)
    return count


def main() -> None:
    """Count both versions and write the table; or, for a subprocess, show all sentences."""
    if "--show" in sys.argv:
        print(json.dumps(shown()))
        return
    from _tables import markdown, save

    before, now = counted(Path(sys.argv[1])), counted(ROOT)
    rows = [[part, before[part], now[part], before[f"{part}, words"], now[f"{part}, words"]]
            for part in PARTS]  # fmt: skip
    screen = [sum(column) for column in zip(*(row[1:] for row in rows[:-1]), strict=True)]
    save(
        "sentences",
        "Sentences of the findings",
        (__doc__ or "").split("\n\n", 2)[2].strip(),
        markdown(["", "sentences before", "now", "words before", "now"],
                 [*rows, ["screen in all", *screen]]),
    )  # fmt: skip


if __name__ == "__main__":
    main()
