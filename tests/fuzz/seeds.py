"""Valid files of every kind the program reads: what the mutations start from."""

import functools
import io
import sys
import tempfile
from datetime import date
from pathlib import Path

TESTS = Path(__file__).resolve().parent.parent
sys.path += [str(p) for p in (TESTS, TESTS / "life") if str(p) not in sys.path]

import geotagged  # noqa: E402
import made_birds  # noqa: E402

from fieldmarks.rules import Tables, load_rules  # noqa: E402
from fieldmarks.rules.load import shipped_folders  # noqa: E402


@functools.cache
def tables() -> Tables:
    """The shipped tables."""
    return load_rules()


def jpegs() -> list[bytes]:
    """Baseline, progressive, both byte orders, bare."""
    from PIL import Image

    out = io.BytesIO()
    Image.fromarray(geotagged.pixels(48, 40)).save(out, "JPEG")
    return [
        geotagged.jpeg(),
        geotagged.jpeg(geotagged.exif(">"), progressive=True, profile=False),
        out.getvalue(),
    ]


def pngs() -> list[bytes]:
    """8 and 16 bits."""
    return [geotagged.png(), geotagged.png(bits=16)]


def webps() -> list[bytes]:
    """Lossy and lossless."""
    return [geotagged.webp(), geotagged.webp(lossless=True)]


def heics() -> list[bytes]:
    """One HEIC."""
    return [geotagged.heic()]


def tiffs() -> list[bytes]:
    """8 and 16 bits."""
    return [geotagged.tiff(), geotagged.tiff(16), geotagged.tiff(position=False)]


def photos() -> list[bytes]:
    """Every kind of photo that can be given away."""
    return [*jpegs(), *pngs(), *webps(), *heics(), *tiffs()]


def known_lists() -> list[bytes]:
    """A list of birds of known origin."""
    return [b"record,bird,camera,origin\na.record.json,A1,phone,pedigree\n"]


def raws() -> list[bytes]:
    """A minimal Digital Negative; none without rawpy."""
    try:
        from test_raw import negative
    except BaseException:  # a skip is no Exception
        return []
    return [negative()]


def region_files() -> list[bytes]:
    """Every kind of shape, values and notes."""
    import json

    from fieldmarks.measure.region import Ellipse, Line, Polygon, Rectangle, Region, RegionSet
    from fieldmarks.measure.region_file import to_annotations

    regions = (
        Region("card", "card", Rectangle(2, 2, 20, 20), 0.18),
        Region("a", "face", Ellipse(40, 30, 9, 7, 20.0), note="left side"),
        Region("b", "rump", Polygon(((50.0, 40.0), (70.0, 42.0), (60.0, 60.0)))),
        Region("c", "scale", Line((1.0, 1.0), (60.0, 60.0)), 50.0),
    )
    page = to_annotations(RegionSet("bird.png", 96, 72, regions, "0" * 64))
    drawn = to_annotations(
        RegionSet("bird.png", 280, 200, shot().record.measurement.regions.regions)
    )
    return [json.dumps(page).encode(), json.dumps(drawn).encode()]


@functools.cache
def shot():
    """One measured painted bird."""
    from fieldmarks.record import Question

    return made_birds.shoot(tables(), made_birds.CLEAN, Question(claimed="personatus", draws=40))


def records() -> list[bytes]:
    """One record."""
    return [shot().record_file]


def table_files() -> list[bytes]:
    """Every shipped table file."""
    return [p.read_bytes() for f in shipped_folders() for p in sorted(f.rglob("*.toml"))]


def lists() -> list[bytes]:
    """Lists of birds as keepers keep them."""
    return [
        b"name,ring,ring kind,ring year,hatched,species,variety,sex,father,mother,notes\r\n"
        b'Pip,A1,closed,2024,2024-05-01,personatus,green,cock,,,"calm, tame"\r\n'
        b"Mo,A2,open,2023,01.06.2023,fischeri,green,hen,,,'=1+1\r\n"
        b"Jo,A3,,,,,,m,Pip,Mo,\r\n",
        "Name;Band;Born;Notes\nÄnn;B1;2020-01-01;x\nBo;B2;;\n".encode("cp1252"),
        b"ring\tsex\nC1\tf\nC2\t?\n",
    ]


@functools.cache
def stores() -> tuple[bytes, ...]:
    """An exported store."""
    from fieldmarks.birds.exchange import export_store
    from fieldmarks.birds.model import Pair, new_id
    from fieldmarks.birds.store import Store

    with tempfile.TemporaryDirectory() as place:
        with Store(Path(place) / "store") as store:
            one = store.save(made_birds.a_bird("One", ring="R1"))
            two = store.save(made_birds.a_bird("Two", father=one.id))
            store.save_entry(made_birds.an_entry(two), [shot()], tables())
            store.save(Pair(new_id(), one.id, two.id))
            export_store(store, Path(place) / "all.zip")
        return (Path(place, "all.zip").read_bytes(),)


@functools.cache
def dossiers() -> tuple[bytes, ...]:
    """A dossier of one look."""
    from fieldmarks.birds.dossier import write_dossier

    with tempfile.TemporaryDirectory() as place:
        path = Path(place, "dossier.zip")
        told = [made_birds.told_by(shot(), "Ada", date(2026, 3, 1))]
        write_dossier(path, made_birds.a_bird("Pip"), told, tables())
        return (path.read_bytes(),)


def table_copies() -> list[bytes]:
    """The tables in a ZIP."""
    from fieldmarks.birds.tables_copy import pack_tables

    return [pack_tables(tables()) or b""]


def phones() -> list[bytes]:
    """A phone's profile."""
    from pydantic import TypeAdapter

    from fieldmarks.measure.correction import Correction
    from fieldmarks.measure.phone_profile import PhoneProfile

    greys = ((20.0, 0.0, 0.0), (50.0, 0.0, 0.0), (95.0, 0.0, 0.0))
    phone = PhoneProfile(
        "mine", "", "", False, "", "", Correction(tone=(0.06, 0.0), known=greys, source="chart")
    )
    return [TypeAdapter(PhoneProfile).dump_json(phone)]


def profiles() -> list[bytes]:
    """Profiles of curves and a matrix, and one of two gammas."""
    from PIL import ImageCms

    return [geotagged.icc(), ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes()]


def messages() -> list[bytes]:
    """What the drawing in the browser sends."""
    import json

    from fieldmarks.app.marker.wire import region_to_wire

    drawn = [region_to_wire(r) for r in shot().record.measurement.regions.regions]
    one = {"serial": 3, "kind": "drawn", "regions": drawn, "region": "face", "mark": "face",
           "at": [10, 20], "reach": 50}  # fmt: skip
    return [json.dumps(one).encode()]
