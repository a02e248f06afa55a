"""An invented club with 40 invented birds over three years, for trying things out and for tests.

The birds stand in ``data/invented_club.toml``. Nothing here is evidence of how any real bird looks:
the pictures are painted from the swatches.
"""

import io
import tomllib
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import numpy as np
from PIL import Image

from fieldmarks.birds.model import Bird, Entry, Pair, Stage, Young
from fieldmarks.birds.observation import MeasuredPhoto
from fieldmarks.birds.store import Store
from fieldmarks.measure.colour import encode_srgb, lab_to_linear
from fieldmarks.measure.photo import decode_photo
from fieldmarks.measure.quantities import Lab
from fieldmarks.measure.region import Ellipse, Rectangle, Region, RegionSet, mask
from fieldmarks.pipeline import make_record
from fieldmarks.record import Question
from fieldmarks.rules import Tables
from fieldmarks.rules.plumage import expected
from fieldmarks.rules.tables import age_class

_FILE = Path(__file__).parent / "data" / "invented_club.toml"
_GIVEN = tomllib.loads(_FILE.read_text(encoding="utf-8"))
CLUB: str = _GIVEN["name"]
TODAY: date = _GIVEN["ends"]
ADA, BO = _GIVEN["people"]
PLACES = {mark: Ellipse(*place) for mark, place in _GIVEN["places"].items()}
WIDTH, HEIGHT = 420, 300
CARD = Rectangle(20, 200, 80, 80)
DRAWS = 60  # fewer than a keeper's record: many looks are made at once
ORANGE: Lab = (64.0, 37.0, 62.0)
YELLOW: Lab = (80.0, 0.0, 78.0)


@dataclass(frozen=True)
class Club:
    """What was put into the store: names -> birds, and the two pairs worth looking at."""

    birds: dict[str, Bird]
    tested: Pair
    bred: Pair


def fill_with_invented_club(
    store: Store, tables: Tables, photos: Collection[str] | None = None
) -> Club:
    """Put the invented club into a store: always the same birds and photos.

    Args:
        photos: Names of the birds that get photos and readings; default: all.
    """
    # The seed was tried out: with this grain no bird is taken for another species.
    rng = np.random.default_rng(3)

    def new_id() -> str:
        return rng.bytes(16).hex()

    def keep(bird: Bird, day: date, stage: Stage, who: str, photo: MeasuredPhoto) -> None:
        store.save_entry(Entry(new_id(), bird.id, day, stage, who), [photo], tables)

    birds: dict[str, Bird] = {}
    for row in _GIVEN["birds"]:
        facts = {
            "ring_kind": "closed",
            "ring_year": row["hatched"].year,
            "species": "personatus",
            "sex_by": "" if row["sex"] == "unknown" else "DNA test",
            "source": CLUB,
        }
        parents = {how: birds[row[how]].id for how in ("father", "mother") if how in row}
        birds[row["name"]] = store.save(Bird(id=new_id(), **facts | row | parents))
    shown = [bird for name, bird in birds.items() if photos is None or name in photos]
    for bird in shown:
        for look in _GIVEN["looks"]["young" if bird.father else "founders"]:
            day, stage = _hatched(bird) + timedelta(days=look["days"]), look["stage"]
            if day <= TODAY:
                colours = _colours(bird, stage, tables, rng)
                keep(bird, day, stage, ADA, _photographed(bird, day, colours, tables, rng))
    if birds["Marmalade"] in shown:  # two people measure one photo; one draws the collar too low
        bird, day, seed = birds["Marmalade"], date(2025, 9, 14), int(rng.integers(1 << 30))
        colours = _colours(bird, "later moult", tables, rng) | {"bib": YELLOW}
        for who, down in ((ADA, 0), (BO, 20)):
            photo = _photographed(bird, day, colours, tables, np.random.default_rng(seed), down)
            keep(bird, day, "later moult", who, photo)
    pairs = []
    for row in _GIVEN["pairs"]:
        young = tuple(
            Young(name, birds[name].hatched, finding, birds[name].id)
            for finding in ("sign", "clean")
            for name in row[finding]
        )
        first, second = birds[row["first"]].id, birds[row["second"]].id
        note = f"{CLUB}: {row['note']}" if row["note"] else ""
        pair = Pair(new_id(), first, second, "test mating", row["started"], young, note)
        pairs.append(store.save(pair))
    return Club(birds, *pairs)


def _hatched(bird: Bird) -> date:
    assert bird.hatched is not None
    return bird.hatched


def _colours(bird: Bird, stage: Stage, tables: Tables, rng: np.random.Generator) -> dict[str, Lab]:
    """CIELAB (D65, 2 degrees) of each mark: a swatch the species may show, a little off."""
    young = stage == "young plumage"
    orange = _GIVEN["orange"].get(bird.name, ())
    if young:
        orange = _GIVEN["orange_when_young"].get(bird.name, orange)
    colours: dict[str, Lab] = {}
    for mark in PLACES:
        found = expected(tables, bird.species or "", mark, bird.variety, "adult")
        swatch = found.swatches[0] if found.swatches else "green"
        light, a, b = np.add(tables.lab[swatch], rng.normal(0, 0.8, 3)).tolist()
        if young and mark == "face":
            light += 24.0  # young birds are duller (common practice, no published source)
        colours[mark] = ORANGE if mark in orange else (light, a, b)
    return colours


def _photographed(
    bird: Bird,
    day: date,
    colours: Mapping[str, Lab],
    tables: Tables,
    rng: np.random.Generator,
    collar_down: float = 0.0,
) -> MeasuredPhoto:
    """Paint a photo of flat marks beside a grey card, and measure it.

    Args:
        collar_down: Pixels by which the outline of the collar is drawn too low.
    """
    data = _paint(colours, rng)
    name = f"{bird.name.lower()}_{day.isoformat()}.jpg"
    photo = decode_photo(data, name)
    drawn = [Region("card", "card", Rectangle(CARD.x + 6, CARD.y + 6, 68, 68))]
    for mark in colours:
        # The chest is read below collar and bib, which lie over it.
        place = PLACES[mark] if mark != "chest" else Ellipse(240, 225, 40, 35)
        down = collar_down if mark == "collar" else 0.0
        shape = Ellipse(place.cx, place.cy + down, place.rx * 0.75, place.ry * 0.7)
        drawn.append(Region(mark, mark, shape))
    regions = RegionSet(name, photo.width, photo.height, tuple(drawn), photo.sha256)
    age = age_class(tables, _hatched(bird), day)
    question = Question(variety=bird.variety, age=age, claimed=bird.species, draws=DRAWS)
    return MeasuredPhoto(data, make_record(photo, regions, tables, question))


def _paint(colours: Mapping[str, Lab], rng: np.random.Generator) -> bytes:
    """A JPEG of a very plain bird: one ellipse for each mark, a grey card and some grain."""
    whole = (0, 0, WIDTH, HEIGHT)
    scene = np.tile(lab_to_linear((62.0, -4.0, 8.0)), (HEIGHT, WIDTH, 1))
    scene[mask(CARD, whole)] = 0.18
    for mark, lab in colours.items():
        scene[mask(PLACES[mark], whole)] = lab_to_linear(lab)
    light = rng.normal(1, 0.04, 3)  # every day another light
    grain = rng.normal(0, 0.006, scene.shape)
    pixels = np.round(encode_srgb(scene * light + grain) * 255).astype(np.uint8)
    out = io.BytesIO()
    Image.fromarray(pixels).save(out, "JPEG", quality=94, subsampling=0)
    return out.getvalue()
