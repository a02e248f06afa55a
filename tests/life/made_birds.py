"""Small painted photos and stores for the tests of a bird's life."""

import dataclasses
import hashlib
import io
from datetime import date

from PIL import Image

from fieldmarks.birds import orm
from fieldmarks.birds.model import Bird, Entry, new_id
from fieldmarks.birds.observation import MeasuredPhoto
from fieldmarks.measure.colour import encode_srgb, lab_to_linear
from fieldmarks.measure.photo import decode_photo
from fieldmarks.measure.region import Ellipse, Rectangle, Region, RegionSet, mask
from fieldmarks.pipeline import make_record
from fieldmarks.record import Question

PLACES = {
    "face": Ellipse(150, 60, 22, 22),
    "collar": Ellipse(220, 120, 22, 22),
    "rump": Ellipse(150, 150, 22, 22),
}


def paint(colours, noise_seed=0):
    """PNG bytes of flat patches beside an 18 % grey card; colours are CIELAB (D65)."""
    import numpy as np

    scene = np.empty((200, 280, 3))
    scene[:] = lab_to_linear((45.0, -8.0, 10.0))
    whole = (0, 0, 280, 200)
    scene[mask(Rectangle(15, 15, 60, 60), whole)] = 0.18
    for mark, lab in colours.items():
        scene[mask(PLACES[mark], whole)] = lab_to_linear(lab)
    grain = np.random.default_rng(noise_seed).normal(0, 0.004, scene.shape)
    pixels = np.round(encode_srgb(np.clip(scene + grain, 0, 1)) * 255).astype("uint8")
    out = io.BytesIO()
    Image.fromarray(pixels).save(out, "PNG")
    return out.getvalue()


def regions_for(colours, grow=0.0):
    drawn = [Region("card", "card", Rectangle(20, 20, 50, 50))]
    for mark in colours:
        place = PLACES[mark]
        shape = Ellipse(place.cx + grow, place.cy, place.rx - 4, place.ry - 4)
        drawn.append(Region(mark, mark, shape))
    return tuple(drawn)


def shoot(tables, colours, question=None, seed=0, grow=0.0, name="bird.png"):
    """A measured photo of painted patches; the regions may be drawn a little to one side."""
    data = paint(colours, seed)
    photo = decode_photo(data, name)
    regions = RegionSet(name, photo.width, photo.height, regions_for(colours, grow), photo.sha256)
    return MeasuredPhoto(data, make_record(photo, regions, tables, question or Question()))


CLEAN = {"face": (16, 0, 0), "collar": (80, 0, 78), "rump": (55, 0, -10)}
ORANGE = {**CLEAN, "collar": (64, 37, 62)}


def a_bird(name="Pip", **facts):
    return Bird(new_id(), name, **{"species": "personatus", **facts})


def an_entry(bird, day=date(2026, 3, 1), stage="after first moult", **more):
    return Entry(new_id(), bird.id, day, stage, **more)


def told_by(evidence, who, day):
    return dataclasses.replace(evidence, measured_by=who, day=day)


def stored(store):
    """Everything that a store holds: photos, records, tables and settings by fingerprint."""
    from sqlalchemy import select

    def digest(data):
        return hashlib.sha256(data).hexdigest()

    found = {name: digest((store.folder / "photos" / name).read_bytes())
             for name in store.photos.names()}  # fmt: skip
    with store.engine.connect() as connection:
        for table in (orm.observations, orm.rule_tables, orm.settings):
            for key, *values in connection.execute(select(table)):
                found[f"{table.name} {key}"] = digest(repr(values).encode())
    return found
