"""Cards that find themselves: proposed where there is one, and where there is none?

Run: python benchmarks/cards.py PHOTOS [--charts ../shared/photos]

PHOTOS holds the photographs of birds that benchmarks/taps.py names; none of them shows a card.
"""

import argparse
from pathlib import Path

from _tables import markdown, save

from fieldmarks.measure.card_places import find_card
from fieldmarks.measure.photo import open_photo
from fieldmarks.measure.region import overlap
from fieldmarks.measure.region_file import region_set_from_text


def cards(photos: Path, charts: Path) -> list[list[object]]:
    """Cards found in photos that hold none of ours, one, or a chart."""
    demo = Path(__file__).parents[1] / "demo_images"
    out = []
    for name, paths in (
        ("real birds, no card", sorted(photos.glob("*.jpg"))),
        ("photos of a 24-patch chart", sorted(p for p in charts.glob("*.[jp][pn]g"))),
        ("painted demo, card in the light", sorted(
            p for p in demo.glob("*.jpg") if "no_card" not in p.name and "shadow" not in p.name)),
        ("painted demo, card in shadow or none", sorted(
            p for p in demo.glob("*.jpg") if "no_card" in p.name or "shadow" in p.name)),
    ):  # fmt: skip
        found, right = 0, 0
        for path in paths:
            card = find_card(open_photo(path))
            found += card is not None
            regions = path.with_suffix(".regions.json")
            if card is not None and regions.exists():
                drawn = region_set_from_text(regions.read_text(encoding="utf-8")).of("card")
                right += any(overlap(card.regions[0].shape, r.shape) > 0.5 for r in drawn)
        out.append([name, len(paths), found, right if "demo" in name else "-"])
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("photos", type=Path)
    parser.add_argument("--charts", type=Path, default=Path("../shared/photos"))
    options = parser.parse_args()
    save(
        "cards",
        "Cards that find themselves",
        "Written by `benchmarks/cards.py`. The demo pictures are painted: they show that the parts "
        "work together, not how often a keeper's card is found.",
        markdown(["photos", "number", "card proposed", "on the card"],
                 cards(options.photos, options.charts)),
    )  # fmt: skip


if __name__ == "__main__":
    main()
