"""The bare eye ring: its width, how far that may be off, and where it cannot be told."""

import math

import numpy as np
import pytest
from scenes import GREY_18, linear_scene, to_photo

from fieldmarks.measure.calibration import calibrate
from fieldmarks.measure.comparison import bare_ring
from fieldmarks.measure.region import Ellipse, Rectangle, Region, RegionSet
from fieldmarks.pipeline import make_record
from fieldmarks.record import Question
from fieldmarks.rules import load_rules
from fieldmarks.rules.plumage import expected

TABLES = load_rules()
CARD = Rectangle(20, 20, 80, 80)
WHITE, BLACK = (90.0, 1.0, 3.0), (18.0, 1.0, 1.0)
RING, IRIS, BODY = (
    Ellipse(390, 200, 45, 45),
    Ellipse(390, 200, 27, 27),
    Rectangle(200, 60, 380, 300),
)
RINGED = ("fischeri", "lilianae", "personatus", "nigrigenis")


@pytest.mark.parametrize("stops", [0.3, 1.5, 3.0])
@pytest.mark.parametrize("variety", ["blue", "cobalt", "mauve", "blue_dilute", "ino", "blue_ino"])
def test_a_white_ring_among_white_feathers_is_never_called_thin(variety, stops):
    """Every colour of the tables that a face may have round a broad white ring, in any light."""
    drawn = (Region("r", "eye_ring", RING), Region("i", "iris", IRIS))
    faces = {
        swatch: species
        for species in RINGED
        for mark in ("face", "cheek")
        for swatch in expected(TABLES, species, mark, variety, "adult").swatches
    }
    assert len(faces) >= 2
    for swatch, species in faces.items():
        patches = [(CARD, GREY_18), (BODY, TABLES.lab[swatch])]
        patches += [(RING, TABLES.lab["skin_white"]), (IRIS, TABLES.lab["iris_dark"])]
        scene = linear_scene(patches, noise=0.004)
        scene[:, 120:] *= 0.5**stops  # the bird, not the card
        photo = to_photo(scene)
        card = Region("card", "card", CARD)
        for regions in ((*drawn, card), drawn):
            marked = RegionSet(photo.name, photo.width, photo.height, regions, photo.sha256)
            record = make_record(photo, marked, TABLES, Question(variety=variety, claimed=species))
            widths = [r.value for r in record.measurement.relations if r.key == "ring"]
            assert not widths or widths[0] == pytest.approx(1 / 3, abs=0.02)
            said = any("cannot tell how wide" in w for w in record.measurement.warnings)
            assert said == (not widths)
            sheet = next(s for s in record.assessment.sheets if s.species == species)
            assert not [s for s in sheet.signs if "ring" in s.key and s.status == "seen"]


def test_the_width_of_the_ring_is_as_uncertain_as_edges_drawn_at_random_make_it():
    """JCGM 101: both edges moved by the error assumed for each, the width worked out anew."""
    rng = np.random.default_rng(0)
    for outer, eye in ((60, 40), (30, 18), (24, 12)):
        ring, iris = (Ellipse(300, 200, d / 2, d / 2) for d in (outer, eye))
        photo = to_photo(linear_scene([(ring, WHITE), (iris, BLACK)]))
        drawn = Region("o", "eye_ring", ring), Region("i", "iris", iris)
        relation = bare_ring("ring", photo, *drawn, calibrate(photo, []))
        edges = (
            d * (1 + math.hypot(1.5 / d, 0.02) * rng.standard_normal(200_000)) for d in (outer, eye)
        )
        big, small = edges
        widths = (big / small - 1) / 2
        low, high = np.percentile(widths, [15.87, 84.13])  # k = 1 of a normal
        assert relation.expanded == pytest.approx(high - low, rel=0.06)
