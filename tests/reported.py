"""A made-up record with every kind of finding, and hostile text, for tests of what is shown."""

import functools

from defusedxml.ElementTree import fromstring
from scenes import GREY_18, card, linear_scene, to_photo

from fieldmarks.judge.findings import Finding, Status
from fieldmarks.measure.photo import Photo
from fieldmarks.measure.region import Ellipse, Rectangle, Region, RegionSet
from fieldmarks.pipeline import make_record
from fieldmarks.record import Question, Record
from fieldmarks.rules import Tables, load_rules

SVG = "{http://www.w3.org/2000/svg}"
HOSTILE = (
    "<script>alert(1)</script><img src=x onerror=alert(2)>\"'&]]>-->\n\n\r\x00\u202egnp.exe\u2066"
    "\ud800\uffff \u0627\u0644\u0637\u064a\u0631 \u9e1a " + "long" * 2500
)
MARKS = {
    "face": (Ellipse(150, 60, 30, 25), (20, 1, 1)),
    "collar": (Ellipse(240, 60, 30, 25), (80, 2, 74)),
    "back": (Ellipse(330, 60, 30, 25), (50, -28, 35)),
    "rump": (Ellipse(420, 60, 30, 25), (41, 10, -42)),
    "chest": (Ellipse(510, 60, 30, 25), (80, -2, 75)),
    "beak_base": (Ellipse(150, 150, 30, 25), (46, 50, 36)),
    "eye_ring": (Ellipse(250, 150, 30, 25), (90, 0, 1)),
    "iris": (Ellipse(250, 150, 15, 13), (20, 3, 4)),
}
LOWER_CHEST = Rectangle(470, 62, 90, 30)


@functools.cache
def shipped_tables() -> Tables:
    return load_rules()


@functools.cache
def photo() -> Photo:
    patches = [(Rectangle(20, 20, 80, 80), GREY_18), *MARKS.values()]
    patches.insert(6, (LOWER_CHEST, (66, -25, 49)))
    return to_photo(linear_scene(patches, cast=(0.9, 0.8, 0.7), noise=0.004))


@functools.cache
def record() -> Record:
    drawn = tuple(Region(f"r-{mark}", mark, shape) for mark, (shape, _) in MARKS.items())
    regions = RegionSet(photo().name, photo().width, photo().height, (card(), *drawn))
    return make_record(photo(), regions, shipped_tables(), Question(claimed="personatus"))


def texts(drawing):
    return [element.text or "" for element in fromstring(drawing).iter(f"{SVG}text")]


def finding(value, tolerance, low, high, status=Status.FITS, **more):
    more |= {"value": value, "tolerance": tolerance, "interval": (low, high), "held": 0.97}
    return Finding("s", "face", "face", status, ("jet_black",), "green row", "Why.", **more)
