"""An invented club with 40 invented birds over three years, for trying things out and for tests.

Nothing here is evidence of how any real bird looks: the pictures are painted from the swatches.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np
from PIL import Image

from fieldmarks.birds.model import Bird, Entry, Pair, Stage, Young
from fieldmarks.birds.observation import Shot
from fieldmarks.birds.store import Store
from fieldmarks.judge.proposal import age_class
from fieldmarks.measure.colour import encode_srgb, lab_to_linear
from fieldmarks.measure.photo import decode_photo
from fieldmarks.measure.region import Ellipse, Rectangle, Region, RegionSet, mask
from fieldmarks.pipeline import make_record
from fieldmarks.record import Question
from fieldmarks.rules import Tables
from fieldmarks.rules.plumage import expected

CLUB = "Teacup Hollow Lovebird Circle (invented)"
TODAY = date(2026, 3, 1)  # the day on which the club's records end
SIZE = (420, 300)
CARD = Rectangle(20, 200, 80, 80)
PLACES = {
    "chest": Ellipse(240, 190, 75, 85),
    "face": Ellipse(240, 62, 42, 36),
    "collar": Ellipse(240, 118, 58, 15),
    "bib": Ellipse(240, 145, 34, 11),
    "rump": Ellipse(350, 215, 26, 30),
    "beak_tip": Ellipse(290, 70, 12, 12),
}
DRAWS = 60  # fewer than a keeper's record: many looks are made at once
FOUNDERS = (
    "Marmalade", "Inkwell", "Thimble", "Saffron", "Pebble", "Quill",
    "Bramble", "Tansy", "Gusset", "Lantern", "Mortar", "Velvet",
)  # fmt: skip
YOUNG = (
    "Biscuit", "Crumpet", "Dapple", "Ember", "Fidget", "Gadget", "Hobnail", "Isinglass",
    "Jigsaw", "Kettle", "Lozenge", "Muffin", "Nettle", "Oddment", "Pomade", "Quibble",
    "Ramekin", "Spindle", "Toffee", "Umber", "Vesper", "Whistle", "Yarrow", "Zigzag",
    "Acorn", "Button", "Candle", "Doily",
)  # fmt: skip
Lab = tuple[float, float, float]
ORANGE: Lab = (64.0, 37.0, 62.0)


@dataclass(frozen=True)
class Club:
    """What the generator made: names -> birds, and the two pairs worth looking at."""

    birds: dict[str, Bird]
    tested: Pair
    bred: Pair


def fill_with_invented_club(
    store: Store, tables: Tables, seed: int = 1, photos: bool | Sequence[str] = True
) -> Club:
    """Put the invented club into a store; the same seed gives the same birds and photos.

    Args:
        photos: Whether birds get photos and readings, or the names of those that do.
    """
    rng = np.random.default_rng(seed)
    birds = _family(rng)
    kept = {name: store.save(bird) for name, bird in birds.items()}
    chosen = set(kept) if photos is True else set(photos or ())
    for name, bird in kept.items():
        if name in chosen:
            for entry, shot in _life(bird, tables, rng):
                store.save_entry(entry, [shot], tables)
    if "Marmalade" in chosen:
        _dispute(store, kept["Marmalade"], tables, rng)
    tested = store.save(
        Pair(
            _id(rng),
            kept["Velvet"].id,
            kept["Inkwell"].id,
            "test mating",
            date(2023, 2, 1),
            young=tuple(
                Young(name, kept[name].hatched, "clean", kept[name].id) for name in YOUNG[:6]
            ),
            note=f"{CLUB}: a blue bird whose plumage cannot tell",
        )
    )
    bred = store.save(
        Pair(
            _id(rng),
            kept["Marmalade"].id,
            kept["Quill"].id,
            "test mating",
            date(2023, 3, 1),
            young=(
                Young("Toffee", kept["Toffee"].hatched, "sign", kept["Toffee"].id),
                Young("Umber", kept["Umber"].hatched, "clean", kept["Umber"].id),
            ),
        )
    )
    return Club(kept, tested, bred)


def _id(rng: np.random.Generator) -> str:
    return str(rng.bytes(16).hex())


def _family(rng: np.random.Generator) -> dict[str, Bird]:
    """Twelve founders and 28 young of theirs, parents first."""
    birds: dict[str, Bird] = {}
    for i, name in enumerate(FOUNDERS):
        species = "fischeri" if i in (3, 8) else "personatus"
        birds[name] = Bird(
            id=_id(rng),
            name=name,
            ring=f"TH-{21 + i % 2}-{100 + i}",
            ring_kind="closed",
            ring_year=2021 + i % 2,
            hatched=date(2021 + i % 2, 4, 1) + timedelta(days=int(rng.integers(0, 60))),
            species=species,
            variety="blue" if name == "Velvet" else "green",
            sex="hen" if i % 2 and name != "Velvet" else "cock",
            sex_by="DNA test",
            source=CLUB,
            promised="pure, said the seller" if name == "Marmalade" else "",
        )
    couples = [("Velvet", "Inkwell"), ("Marmalade", "Quill"), ("Thimble", "Tansy"),
               ("Pebble", "Inkwell"), ("Bramble", "Tansy")]  # fmt: skip
    for i, name in enumerate(YOUNG):
        father, mother = couples[0] if i < 6 else couples[1 + i % 4]
        if name in ("Toffee", "Umber"):
            father, mother = "Marmalade", "Quill"
        year = 2023 + i % 3
        birds[name] = Bird(
            id=_id(rng),
            name=name,
            ring=f"TH-{year - 2000}-{200 + i}",
            ring_kind="closed",
            ring_year=year,
            hatched=date(year, 4, 10) + timedelta(days=int(rng.integers(0, 90))),
            species="personatus",
            sex="hen" if i % 2 else "cock",
            sex_by="DNA test" if i % 3 else "",
            source=CLUB,
            father=birds[father].id,
            mother=birds[mother].id,
            status="given away" if i % 9 == 8 else "here",
        )
        if birds[name].sex_by == "":
            birds[name] = replace(birds[name], sex="unknown")
    return birds


def _life(bird: Bird, tables: Tables, rng: np.random.Generator) -> list[tuple[Entry, Shot]]:
    """Moult entries of one bird, each with a photo."""
    assert bird.hatched is not None
    founder = bird.father is None
    plan: list[tuple[int, Stage]] = (
        [(900, "later moult")]
        if founder
        else [(75, "young plumage"), (330, "after first moult"), (700, "later moult")]
    )
    done = []
    for days, stage in plan:
        day = bird.hatched + timedelta(days=days)
        if day > TODAY:
            continue
        colours = _colours(bird, stage, tables, rng)
        shot = shoot(bird, day, colours, tables, rng)
        done.append((Entry(_id(rng), bird.id, day, stage, "Ada (invented)"), shot))
    return done


def _colours(bird: Bird, stage: Stage, tables: Tables, rng: np.random.Generator) -> dict[str, Lab]:
    """True colour of each mark: a swatch the species may show, a little off."""
    young = stage == "young plumage"
    colours: dict[str, Lab] = {}
    for mark in PLACES:
        found = expected(tables, bird.species or "personatus", mark, bird.variety, "adult")
        swatch = found.swatches[0] if found.swatches else "green"
        light, a, b = (float(v) for v in np.add(tables.lab[swatch], rng.normal(0, 0.8, 3)))
        if young and mark in ("face",):
            light += 24.0  # young birds are duller (common practice, no published source)
        colours[mark] = (light, a, b)
    if bird.name in ("Marmalade", "Toffee") or (bird.name == "Ember" and young):
        colours["collar"] = ORANGE
    if bird.name in ("Marmalade", "Toffee"):
        colours["bib"] = ORANGE
    return colours


def _dispute(store: Store, bird: Bird, tables: Tables, rng: np.random.Generator) -> None:
    """Two people measure the same photo; one draws the collar too low."""
    day = date(2025, 9, 14)
    colours = _colours(bird, "later moult", tables, rng)
    colours["bib"] = (80.0, 0.0, 78.0)
    seed = int(rng.integers(1 << 30))
    for who, shift in (("Ada (invented)", 0.0), ("Bo (invented)", 20.0)):
        shot = shoot(bird, day, colours, tables, np.random.default_rng(seed), {"collar": shift})
        store.save_entry(Entry(_id(rng), bird.id, day, "later moult", who), [shot], tables)


def shoot(
    bird: Bird,
    day: date,
    colours: dict[str, Lab],
    tables: Tables,
    rng: np.random.Generator,
    shifts: dict[str, float] | None = None,
) -> Shot:
    """Paint a photo of flat marks beside a grey card, and measure it.

    Args:
        colours: Mark -> CIELAB (D65, 2 degrees).
        shifts: Mark -> pixels by which its region is drawn too low.
    """
    data = paint(colours, rng)
    name = f"{bird.name.lower()}_{day.isoformat()}.jpg"
    photo = decode_photo(data, name)
    drawn = [Region("card", "card", Rectangle(CARD.x + 6, CARD.y + 6, 68, 68))]
    for mark in colours:
        place, down = PLACES[mark], (shifts or {}).get(mark, 0.0)
        if mark == "chest":
            place = Ellipse(240, 225, 40, 35)
        shape = Ellipse(place.cx, place.cy + down, place.rx * 0.75, place.ry * 0.7)
        drawn.append(Region(mark, mark, shape))
    regions = RegionSet(name, photo.width, photo.height, tuple(drawn), photo.sha256)
    assert bird.hatched is not None
    question = Question(
        variety=bird.variety,
        age=age_class(tables, bird.hatched, day),
        claimed=bird.species,
        draws=DRAWS,
    )
    return Shot(data, make_record(photo, regions, tables, question))


def paint(colours: dict[str, Lab], rng: np.random.Generator) -> bytes:
    """A JPEG of a very plain bird: one ellipse for each mark, a grey card and some grain."""
    width, height = SIZE
    whole = (0, 0, width, height)
    scene = np.empty((height, width, 3))
    scene[:] = lab_to_linear((62.0, -4.0, 8.0))
    scene[mask(CARD, whole)] = 0.18
    for mark, lab in colours.items():
        scene[mask(PLACES[mark], whole)] = lab_to_linear(lab)
    light = rng.normal(1, 0.04, 3)  # every day another light
    grain = rng.normal(0, 0.006, scene.shape)
    pixels = np.round(encode_srgb(np.clip(scene * light + grain, 0, 1)) * 255).astype(np.uint8)
    out = io.BytesIO()
    Image.fromarray(pixels).save(out, "JPEG", quality=94, subsampling=0)
    return out.getvalue()
