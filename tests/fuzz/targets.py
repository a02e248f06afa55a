"""What is fed with broken files: one target for each kind of file the program reads."""

import io
import random
import tempfile
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import mutate
import seeds

from fieldmarks._util.errors import FieldmarksError


@dataclass(frozen=True)
class Target:
    """One way into the program.

    Parameters
    ----------
    seeds : callable
        Valid files to start from.
    mutate : callable
    run : callable
        Uses one file as the program does; only FieldmarksError may come out.
    share : float
        Part of all inputs that go here, in relation to the other targets.
    """

    seeds: Callable[[], Sequence[bytes]]
    mutate: mutate.Mutator
    run: Callable[[bytes], None]
    share: float


def photo(name: str) -> Callable[[bytes], None]:
    """Open a photo, look at it, ask what its file says."""

    def run(data: bytes) -> None:
        from fieldmarks.measure.photo import decode_photo
        from fieldmarks.measure.photo_quality import photo_fitness

        # One in 32 may be as large as the program allows.
        large = zlib.crc32(data) % 32 == 0
        opened = decode_photo(data, name, *(() if large else (4.0,)))
        size = (min(opened.width, 64), min(opened.height, 64))
        opened.linear((0, 0, *size))
        opened.preview(64)
        photo_fitness(opened, ())

    return run


def place(data: bytes) -> None:
    """Take the place out of a photo; it must then hold none, and still open."""
    from fieldmarks.measure.location import without_place
    from fieldmarks.measure.photo import decode_photo

    clean = without_place(data, "x.jpg")
    assert not decode_photo(clean, "x.jpg").facts.has_position
    assert without_place(clean, "x.jpg") == clean


def icc_profile(data: bytes) -> None:
    """Open a photo with this profile in it."""
    import geotagged
    from PIL import Image

    out = io.BytesIO()
    Image.new("RGB", (8, 8), (90, 120, 60)).save(out, "PNG")
    bare = out.getvalue()
    body = b"icc\0\0" + zlib.compress(data, 1)
    photo("x.png")(bare[:33] + geotagged.chunk(b"iCCP", body) + bare[33:])


def regions(data: bytes) -> None:
    """Read a region file, check it and fill its shapes."""
    from fieldmarks.measure.region import check_regions, mask, window
    from fieldmarks.measure.region_file import read_region_file, to_annotations

    with tempfile.NamedTemporaryFile(suffix=".json") as file:
        file.write(data)
        file.flush()
        read = read_region_file(file.name)
    to_annotations(read)
    width, height = min(max(read.width, 1), 600), min(max(read.height, 1), 600)
    small = type(read)(read.photo, width, height, read.regions)
    check_regions(small, {k: m.shape for k, m in seeds.tables().marks.items()})
    for region in small.regions:
        mask(region.shape, window(region.shape, width, height))


def svg(data: bytes) -> None:
    """The same, with the outline's SVG broken."""
    from fieldmarks.measure.region_file import from_annotations

    selector = {"type": "SvgSelector", "value": data.decode("utf-8", "replace")}
    body = {"purpose": "tagging", "value": "face"}
    from_annotations({"items": [{"body": body, "target": {"selector": selector}}]})


def table_folder(data: bytes) -> None:
    """Read the tables with a further file."""
    from fieldmarks.rules.load import validate_tables

    with tempfile.TemporaryDirectory() as place:
        (Path(place) / "species").mkdir()
        folder = "species" if b"scientific" in data else "."
        Path(place, folder, "extra.toml").write_bytes(data)
        problems = validate_tables(Path(place))
        if problems:
            raise FieldmarksError("; ".join(str(p) for p in problems))


def bring_in(data: bytes) -> None:
    """Import an exported store into an empty one."""
    from fieldmarks.birds.exchange import import_store
    from fieldmarks.birds.store import Store

    with tempfile.TemporaryDirectory() as place:
        archive = Path(place) / "in.zip"
        archive.write_bytes(data)
        with Store(Path(place) / "store") as store:
            import_store(store, archive)
        outside = {p.name for p in Path(place).iterdir()} - {"in.zip", "store"}
        assert not outside, outside


def dossier(data: bytes) -> None:
    """Verify a dossier."""
    from fieldmarks.birds.dossier import verify_dossier

    with tempfile.TemporaryDirectory() as place:
        path = Path(place) / "in.zip"
        path.write_bytes(data)
        verify_dossier(path, seeds.tables())
        assert {p.name for p in Path(place).iterdir()} == {"in.zip"}


def table_copy(data: bytes) -> None:
    """Unpack a copy of the tables."""
    from fieldmarks.birds.tables_copy import unpack_tables

    unpack_tables(data)


def bird_list(data: bytes) -> None:
    """Look through a list of birds."""
    from fieldmarks.birds.listfile import preview_list

    preview_list(data, [], seeds.tables())


def known_birds(data: bytes) -> None:
    """Read a list of birds of known origin, with one record beside it."""
    from fieldmarks.birds.known_birds import read_known_birds

    with tempfile.TemporaryDirectory() as place:
        Path(place, "list.csv").write_bytes(data)
        Path(place, "a.record.json").write_bytes(seeds.shot().record_file)
        read_known_birds(Path(place, "list.csv"), seeds.tables(), "jet_black", ["face"], "pedigree")


def record(data: bytes) -> None:
    """Read a record and make what is made from records."""
    from rich.console import Console

    from fieldmarks import record as module
    from fieldmarks.birds.agreement import compare_photos
    from fieldmarks.birds.compare import record_differences
    from fieldmarks.birds.observation import MeasuredPhoto
    from fieldmarks.cli.text import print_record

    read = module.Record.from_json(data)
    module.to_csv(module.READING_COLUMNS, module.reading_rows(read))
    module.to_csv(module.FINDING_COLUMNS, module.finding_rows(read))
    module.record_to_json(read)
    record_differences(read, seeds.shot().record)
    compare_photos([MeasuredPhoto(b"", read, "Ada"), MeasuredPhoto(b"", seeds.shot().record, "Bo")])
    print_record(read, seeds.tables(), Console(file=io.StringIO()))


def phone(data: bytes) -> None:
    """Read a phone's profile and measure with it."""
    from fieldmarks.measure.measure import measure
    from fieldmarks.measure.phone_profile import SUFFIX, load_profile
    from fieldmarks.measure.photo import decode_photo

    with tempfile.TemporaryDirectory() as place:
        path = Path(place) / f"p{SUFFIX}"
        path.write_bytes(data)
        read = load_profile(str(path))
    shot = seeds.shot()
    measure(
        decode_photo(shot.photo, "bird.png"), shot.record.measurement.regions, seeds.tables(), read
    )


def message(data: bytes) -> None:
    """Take a message from the browser."""
    import json

    from fieldmarks.app.marker.wire import event_from_wire
    from fieldmarks.measure.region import RegionSet

    try:
        sent = json.loads(data)
    except (ValueError, RecursionError):  # the browser's own JSON: not read by us
        raise FieldmarksError("no JSON") from None
    event_from_wire(sent, RegionSet("bird.png", 96, 72))


def _member(rng: random.Random, name: str, data: bytes) -> bytes:
    """Injure a file inside a ZIP by its kind."""
    if name.endswith(".json"):
        try:
            return mutate.as_json(rng, [data])
        except ValueError:
            return mutate.bytewise(rng, [data])
    if name.endswith(".toml"):
        return mutate.lines(rng, [data])
    if name.endswith(".png") and rng.random() < 0.5:
        return mutate.png_chunks(rng, [data])
    if name.endswith(".zip") and rng.random() < 0.7:
        return mutate.zips(_member)(rng, [data])
    return mutate.bytewise(rng, [data or b"\0"])


def _svgs() -> list[bytes]:
    import json

    pages = [json.loads(f) for f in seeds.region_files()]
    selectors = [i["target"]["selector"] for p in pages for i in p["items"]]
    return [s["value"].encode() for s in selectors if s["type"] == "SvgSelector"]


TARGETS: dict[str, Target] = {
    "JPEG": Target(seeds.jpegs, mutate.headed(1400), photo("x.jpg"), 5),
    "EXIF": Target(seeds.jpegs, mutate.inside(b"Exif\0\0", 900), photo("x.jpg"), 4),
    "PNG": Target(seeds.pngs, mutate.png_chunks, photo("x.png"), 4),
    "TIFF": Target(seeds.tiffs, mutate.headed(600), photo("x.tif"), 3),
    "WebP": Target(seeds.webps, mutate.headed(300), photo("x.webp"), 3),
    "HEIC": Target(seeds.heics, mutate.headed(900), photo("x.heic"), 2),
    "camera raw": Target(seeds.raws, mutate.headed(600), photo("x.dng"), 1),
    "place taken out": Target(seeds.photos, mutate.headed(1200), place, 2),
    "ICC profile": Target(seeds.profiles, mutate.headed(700), icc_profile, 2),
    "region file": Target(seeds.region_files, mutate.as_json, regions, 6),
    "region SVG": Target(_svgs, mutate.bytewise, svg, 5),
    "browser message": Target(seeds.messages, mutate.as_json, message, 5),
    "list of birds": Target(seeds.lists, mutate.lines, bird_list, 5),
    "list of known birds": Target(seeds.known_lists, mutate.lines, known_birds, 1),
    "record": Target(seeds.records, mutate.as_json, record, 2),
    "phone profile": Target(seeds.phones, mutate.as_json, phone, 1),
    "table folder": Target(seeds.table_files, mutate.lines, table_folder, 0.6),
    "copy of tables": Target(seeds.table_copies, mutate.zips(_member), table_copy, 0.5),
    "store export": Target(seeds.stores, mutate.zips(_member), bring_in, 0.4),
    "dossier": Target(seeds.dossiers, mutate.zips(_member), dossier, 0.3),
}


def inputs(target: Target, count: int, seed: int, start: int = 0) -> Sequence[bytes]:
    """The files of a run: always the same for the same seed, wherever it starts."""
    valid = target.seeds()
    for number in range(start, count):
        rng = random.Random(f"{seed}:{number}")
        yield target.mutate(rng, valid)
