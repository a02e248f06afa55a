"""From photo to record: the one road that notebook, command line and app take."""

import io
import json
from collections.abc import Collection, Hashable, Iterable, Mapping, Sequence
from itertools import pairwise
from pathlib import Path
from typing import TypeVar, cast, overload

from fieldmarks import __version__
from fieldmarks._util.atomic_write import write_whole
from fieldmarks._util.errors import FieldmarksError, PhotoError, RegionError
from fieldmarks._util.resources import shipped
from fieldmarks._util.sanitize import plain
from fieldmarks.judge.assess import assess_photos
from fieldmarks.judge.together import counted_once
from fieldmarks.measure.measure import Measurement, check_drawn_on, measure
from fieldmarks.measure.phone_profile import PhoneProfile, load_profile
from fieldmarks.measure.photo import Photo, open_photo
from fieldmarks.measure.quantities import Reading
from fieldmarks.measure.region import Region, RegionSet, Shape
from fieldmarks.measure.region_file import read_region_file
from fieldmarks.record import COLOUR_SPACE, AnyRecord, Examination, Question, Record, write_record
from fieldmarks.report.picture import LONGEST, annotate, to_jpeg
from fieldmarks.rules import Tables, load_rules
from fieldmarks.rules.tables import any_name

OnePhoto = str | Path | Photo
Regions = str | Path | RegionSet | Iterable[Region] | None

AnyRegions = TypeVar("AnyRegions")

REGION_SUFFIX = ".regions.json"
PICTURE_SUFFIX = ".marked.jpg"


@overload
def assess(  # type: ignore[overload-overlap]  # a text is one path, not a list of letters
    photo: OnePhoto,
    *,
    regions: Regions = None,
    sold_as: str | None = None,
    variety: str = "green",
    age: str = "adult",
    phone: str | PhoneProfile | None = None,
    rules: Tables | str | Path | None = None,
    own_swatches: bool = False,
) -> Record: ...


@overload
def assess(
    photo: Sequence[OnePhoto],
    *,
    regions: Sequence[Regions] | None = None,
    sold_as: str | None = None,
    variety: str = "green",
    age: str = "adult",
    phone: str | PhoneProfile | None = None,
    rules: Tables | str | Path | None = None,
    own_swatches: bool = False,
) -> Examination: ...


def assess(
    photo: OnePhoto | Sequence[OnePhoto],
    *,
    regions: Regions | Sequence[Regions] = None,
    sold_as: str | None = None,
    variety: str = "green",
    age: str = "adult",
    phone: str | PhoneProfile | None = None,
    rules: Tables | str | Path | None = None,
    own_swatches: bool = False,
) -> AnyRecord:
    """Measure the marks of a bird and compare them with every species.

    Args:
        photo (path or Photo, or a list of them): Several photos, of one bird on one day, are judged
            together.
        regions: A region file, a :class:`RegionSet` or some :class:`Region`; by default the region
            file beside the photo (its name with ``.regions.json`` for its ending). A region of the
            mark "card" is the grey card; without one, plain colours decide and fine tints do not.
            For several photos a list, one for each.
        sold_as, variety: By any name: "Fischer", "fischeri" and "Agapornis fischeri" are the same.
        age: {"young", "moulting", "adult"}.
        phone: A phone's profile; a name is looked up among those kept on this computer.
        rules: Tables, or a folder with files of your own beside the shipped ones.
        own_swatches: Use the swatches learned on this computer; the record then names them.

    Returns:
        An examination for a list of photos, else a record.

    Raises:
        FieldmarksError: Says in one line which file, mark or row is wrong, and the mend.
    """
    tables = rules if isinstance(rules, Tables) else load_rules(rules, own_swatches)
    profile = load_profile(phone) if isinstance(phone, str) else phone
    question = question_of(tables, sold_as, variety, age)

    def record(photo: OnePhoto, regions: Regions) -> Record:
        return make_record(*_opened(photo, regions), tables, question, phone=profile)

    if isinstance(photo, str | Path | Photo) or not isinstance(photo, Collection):
        return record(photo, cast(Regions, regions))
    drawn = each_of(cast("Sequence[Regions] | None", regions), len(photo))
    return examine(map(record, photo, drawn), tables)


def _opened(photo: OnePhoto, regions: Regions) -> tuple[Photo, RegionSet]:
    if not isinstance(photo, str | Path | Photo):
        mend = "Give the name of its file; for several photos a list of them"
        raise PhotoError(f"{plain(photo, 60)} is no photo", mend=mend)
    opened = photo if isinstance(photo, Photo) else open_photo(photo)
    return opened, regions_of(opened.name if isinstance(photo, Photo) else photo, regions, opened)


def each_of(regions: Sequence[AnyRegions] | None, photos: int) -> list[AnyRegions | None]:
    """The regions of each of several photos; None stands for those beside each photo.

    Raises:
        RegionError: There are not as many as there are photos.
    """
    if regions is None:
        return [None] * photos
    several = isinstance(regions, Sequence) and not isinstance(regions, str)
    given = list(regions) if several else [cast(AnyRegions, regions)]
    if len(given) != photos:
        raise RegionError(
            f"photos were given: {photos}, and regions for {len(given)}",
            mend="Give regions for each photo, in the same order",
        )
    return [*given]


def read(photo: str | Path | Photo, *, regions: Regions = None) -> Measurement:
    """Measure the marks of one photo and compare them with nothing; see :func:`assess`."""
    return measure(*_opened(photo, regions), load_rules())


def question_of(
    tables: Tables, sold_as: str | None = None, variety: str = "green", age: str = "adult"
) -> Question:
    """What is asked, species and variety by any of their names.

    A word that is not known stays as it is; judging names it with those that are.
    """
    claimed = sold_as and any_name(sold_as, tables.species)
    return Question(
        any_name(variety, tables.varieties), any_name(age, tables.ages), claimed or None
    )


def make_record(
    photo: Photo,
    regions: RegionSet,
    tables: Tables,
    question: Question | None = None,
    remembered: dict[Hashable, Reading | None] | None = None,
    phone: PhoneProfile | None = None,
) -> Record:
    """Measure and assess a photo: the one function that notebook, command line and app share.

    ``remembered`` keeps readings from one call to the next and ``phone`` is what is known of the
    phone; see :func:`fieldmarks.measure.measure.measure`.

    Raises:
        RegionError: A region cannot be used.
        TableError: The question names an unknown variety, age or species.
    """
    asked = question or Question()
    measurement = measure(photo, regions, tables, phone, remembered)
    assessment = assess_photos([measurement], tables, asked)
    own = tuple(key for key, row in tables.swatches.items() if row.learned)
    return Record(__version__, COLOUR_SPACE, asked, measurement, assessment, phone, own)


def examine(records: Iterable[Record], tables: Tables) -> Examination:
    """Judge the photos of one bird on one day together.

    Args:
        records: One per photo, all made with ``tables`` and the same question. A photo that is
            given twice counts once; their order does not matter.

    Raises:
        FieldmarksError: There is no photo, not all were asked the same, two different ones have one
            name, or one was given twice with different regions.
    """
    given = {id(record.measurement): record for record in records}
    counted = counted_once(record.measurement for record in given.values())
    kept = tuple(given[id(measured)] for measured in counted)
    asked = kept[0].question
    for before, record in pairwise(kept):
        if record.question != asked:
            raise FieldmarksError(
                f"it was looked at as another bird than {before.photo}",
                where=record.photo,
                mend="Give all photos the same variety, age and species",
            )
        if record.photo == before.photo:
            raise FieldmarksError(
                "two different photos have this name", where=record.photo, mend="Rename one"
            )
    return Examination(kept, assess_photos(counted, tables, asked))


def record_of_file(
    photo_path: Path,
    tables: Tables,
    question: Question | None = None,
    region_path: Path | None = None,
    phone: PhoneProfile | None = None,
) -> tuple[Record, Photo]:
    """Measure and assess a photo file with its region file; see :func:`make_record`.

    Raises:
        FieldmarksError: The photo or a region cannot be used, or the region file belongs to another
            photo.
    """
    photo, regions = _opened(photo_path, region_path)
    return make_record(photo, regions, tables, question, phone=phone), photo


def regions_of(photo_path: str | Path, regions: Regions, photo: Photo) -> RegionSet:
    """The regions given, or those of the region file beside the photo.

    Raises:
        RegionError: They cannot be read, or were drawn on another photo.
    """
    if isinstance(regions, RegionSet):
        drawn, where = regions, "the regions"
    elif regions is None or isinstance(regions, str | Path):
        path = Path(regions) if regions else region_file_of(Path(photo_path))
        drawn, where = read_region_file(path), path.name
    else:
        several = isinstance(regions, Iterable) and not isinstance(regions, Mapping)
        own: Iterable[Region] = regions if several else [cast(Region, regions)]
        drawn = RegionSet(photo.name, photo.width, photo.height, tuple(own), photo.sha256)
        for region in drawn.regions:
            if not (isinstance(region, Region) and isinstance(region.shape, Shape)):
                raise RegionError(
                    f"{plain(region, 60)} is no region",
                    where="the regions",
                    mend="Give a region file's name, or a list such as [Region('1', 'rump', "
                    "Polygon([(10, 10), (90, 10), (50, 60)]))], from fieldmarks.measure.region",
                )
        return drawn
    check_drawn_on(drawn, photo, where)
    return drawn


def region_file_of(photo_path: Path) -> Path:
    """The region file that goes with a photo."""
    return photo_path.with_name(photo_path.stem + REGION_SUFFIX)


def write_results(
    record: Record, photo: Photo, tables: Tables, folder: Path, regions: Path | None = None
) -> Path:
    """Write record, tables and annotated photo; gives the path of the record, written last.

    They are called as the photo, or as the region file where one is named: two birds of one photo
    have a region file each.
    """
    stem = Path(photo.name).stem
    if regions is not None:
        stem = regions.name.removesuffix(".json").removesuffix(".regions")
    picture = picture_of(record, photo, tables)
    write_whole(folder / f"{stem}{PICTURE_SUFFIX}", picture)
    return write_record(record, folder, stem)


def picture_of(
    record: Record, photo: Photo, tables: Tables, suffix: str = ".jpg", longest: int = LONGEST
) -> bytes:
    """The annotated photo as JPEG or PNG bytes; ``longest`` is its longest side, pixels.

    Raises:
        PhotoError: The ending names no kind of picture that can be written.
    """
    names = {key: mark.name for key, mark in tables.marks.items()}
    colours = {r.mark: r.lab for r in record.measurement.readings}
    picture = annotate(photo, record.measurement.regions.regions, names, colours, longest)
    if suffix.lower() in (".jpg", ".jpeg"):
        return to_jpeg(picture)
    if suffix.lower() != ".png":
        raise PhotoError(
            f"a picture cannot be written as {suffix!r}", mend="Let the name end in .jpg or .png"
        )
    buffer = io.BytesIO()
    picture.save(buffer, "PNG")
    return buffer.getvalue()


def demo_birds() -> dict[str, Path]:
    """Name -> photo of the invented demo birds."""
    return {p.stem: p for p in sorted(shipped("demo_images").glob("*.jpg"))}


def demo_question(photo: Path) -> tuple[Question, str]:
    """What is asked about a demo bird, and its invented story, from its side file."""
    side = json.loads(photo.with_suffix(".truth.json").read_text(encoding="utf-8"))
    sold_as = side.get("sold_as")
    story = str(side.get("scenario", ""))
    return Question(claimed=sold_as), f"{story} Sold as {sold_as}." if sold_as else story
