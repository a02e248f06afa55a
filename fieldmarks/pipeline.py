"""From photo to record: one photo, and a whole folder spread over the cores.

A folder run can be stopped at any point and started again: a photo is skipped when its record was
made from the same photo, regions, question, program and tables.

The spreading is joblib's. Without any setting, photos are done one after the other in this
process; ``workers`` asks for processes on this computer, and joblib's own setting for machines::

    with dask.distributed.Client(address), joblib.parallel_config(backend="dask"):
        assess_many(photos, into, tables, question)  # all machines must see both folders
"""

from __future__ import annotations

import json
import pickle  # nosec B403
import shutil
import zlib
from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from fieldmarks import __version__
from fieldmarks._util.atomic_write import cannot_write, only_writer, whole_file, write_whole
from fieldmarks._util.errors import FieldmarksError, PhotoError, RegionError
from fieldmarks._util.parallel import spread
from fieldmarks._util.resources import shipped
from fieldmarks.judge.assess import assess as judge
from fieldmarks.measure.measure import Measurement, measure
from fieldmarks.measure.phone_profile import PhoneProfile, load_profile
from fieldmarks.measure.photo import MAX_MEGAPIXELS, Photo, open_photo
from fieldmarks.measure.quantities import Reading
from fieldmarks.measure.reading import one_thread
from fieldmarks.measure.region import Region, RegionSet
from fieldmarks.measure.region_file import read_region_file
from fieldmarks.measure.suffixes import SUFFIXES
from fieldmarks.record import (
    COLOUR_SPACE,
    FINDING_COLUMNS,
    READING_COLUMNS,
    RECORD_SUFFIX,
    Question,
    Record,
    record_from_json,
    table_texts,
    to_csv,
    write_record,
)
from fieldmarks.report.picture import annotate, to_jpeg
from fieldmarks.rules import Tables, load_rules
from fieldmarks.rules.tables import key_of

Regions = str | Path | RegionSet | Iterable[Region] | None

REGION_SUFFIX = ".regions.json"
PROBLEM_COLUMNS = ("photo", "problem")
PICTURE_SUFFIX = ".marked.jpg"
TABLE_COLUMNS = {"readings": READING_COLUMNS, "findings": FINDING_COLUMNS}
WORTH_A_WORKER = 10  # photos; fewer are done before another worker has started
LOST = (
    "the program that measured it was stopped from outside or crashed. Close other programs in "
    "case memory was short, then do it again"
)


def assess(
    photo: str | Path | Photo,
    *,
    regions: Regions = None,
    sold_as: str | None = None,
    variety: str = "green",
    age: str = "adult",
    phone: str | PhoneProfile | None = None,
    rules: Tables | str | Path | None = None,
    own_swatches: bool = False,
) -> Record:
    """Measure the marks of one photo and compare them with every species.

    Parameters
    ----------
    photo : path or Photo
    regions : optional
        A region file, a :class:`RegionSet` or some :class:`Region`; by default the region file
        beside the photo (its name with ``.regions.json`` for its ending). A region of the mark
        "card" is the grey card; without one, only comparisons inside the photo decide anything.
    sold_as, variety : str
        By any name: "Fischer", "fischeri" and "Agapornis fischeri" are the same.
    age : {"young", "moulting", "adult"}
    phone : str or PhoneProfile, optional
        A phone's profile; a name is looked up among those kept on this computer.
    rules : Tables or path, optional
        Tables, or a folder with files of your own beside the shipped ones.
    own_swatches : bool
        Use the swatches learned on this computer; the record then names them.

    Raises
    ------
    FieldmarksError
        Says in one line which file, mark or row is wrong, and the mend.
    """
    tables = rules if isinstance(rules, Tables) else load_rules(rules, own_swatches)
    opened = photo if isinstance(photo, Photo) else open_photo(photo)
    drawn = regions_of(photo if isinstance(photo, str | Path) else opened.name, regions, opened)
    profile = load_profile(phone) if isinstance(phone, str) else phone
    return make_record(
        opened, drawn, tables, question_of(tables, sold_as, variety, age), None, profile
    )


def read(photo: str | Path | Photo, *, regions: Regions = None) -> Measurement:
    """Measure the marks of one photo and compare them with nothing; see :func:`assess`."""
    opened = photo if isinstance(photo, Photo) else open_photo(photo)
    drawn = regions_of(photo if isinstance(photo, str | Path) else opened.name, regions, opened)
    return measure(opened, drawn, load_rules())


def question_of(
    tables: Tables, sold_as: str | None = None, variety: str = "green", age: str = "adult"
) -> Question:
    """What is asked, species and variety by any of their names.

    A word that is not known stays as it is; judging names it with those that are.
    """
    claimed = sold_as and (key_of(sold_as, tables.species) or sold_as)
    return Question(key_of(variety, tables.varieties) or variety, age, claimed or None)


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

    Raises
    ------
    RegionError
        A region cannot be used.
    TableError
        The question names an unknown variety, age or species.
    """
    asked = question or Question()
    measurement = measure(photo, regions, tables, phone, remembered)
    assessment = judge(
        measurement.readings,
        measurement.relations,
        tables,
        variety=asked.variety,
        age=asked.age,
        claimed=asked.claimed,
        draws=asked.draws,
        seed=asked.seed,
    )
    own = tuple(key for key, row in tables.swatches.items() if row.learned)
    return Record(__version__, COLOUR_SPACE, asked, measurement, assessment, phone, own)


def record_of_file(
    photo_path: Path,
    tables: Tables,
    question: Question | None = None,
    region_path: Path | None = None,
    max_megapixels: float = MAX_MEGAPIXELS,
    phone: PhoneProfile | None = None,
) -> tuple[Record, Photo]:
    """Measure and assess a photo file with its region file; see :func:`make_record`.

    Raises
    ------
    FieldmarksError
        The photo or a region cannot be used, or the region file belongs to another photo.
    """
    photo = open_photo(photo_path, max_megapixels)
    regions = regions_of(photo_path, region_path, photo)
    return make_record(photo, regions, tables, question, phone=phone), photo


def regions_of(photo_path: str | Path, regions: Regions, photo: Photo) -> RegionSet:
    """The regions given, or those of the region file beside the photo.

    Raises
    ------
    RegionError
        They cannot be read, or were drawn on another photo.
    """
    if isinstance(regions, RegionSet):
        drawn, where = regions, "the regions"
    elif regions is None or isinstance(regions, str | Path):
        path = Path(regions) if regions else region_file_of(Path(photo_path))
        drawn, where = read_region_file(path), path.name
    else:
        return RegionSet(photo.name, photo.width, photo.height, tuple(regions), photo.sha256)
    if drawn.sha256 and drawn.sha256 != photo.sha256:
        raise RegionError(
            f"it was not drawn on this {photo.name}, but on another photo or a changed copy",
            where=where,
            mend="Use the photo it was drawn on, or draw the regions again",
        )
    return drawn


def region_file_of(photo_path: Path) -> Path:
    """The region file that goes with a photo."""
    return photo_path.with_name(photo_path.stem + REGION_SUFFIX)


@dataclass(frozen=True)
class Summary:
    """What came of a folder: photos measured now, kept from before, and problems in words."""

    done: int
    kept: int
    problems: tuple[str, ...]


def photos_in(folder: Path) -> list[Path]:
    """Photos of a folder, in the order of their names.

    Raises
    ------
    PhotoError
        The folder is missing or holds no photo.
    """
    if not folder.is_dir():
        raise PhotoError("there is no such folder", where=str(folder), mend="Check its name")
    photos = sorted(
        p
        for p in folder.iterdir()
        if p.suffix.lower() in SUFFIXES and not p.name.endswith(PICTURE_SUFFIX) and p.is_file()
    )
    if not photos:
        raise PhotoError(
            "no photo lies in this folder",
            where=str(folder),
            mend=f"Photos end in {', '.join(SUFFIXES)}",
        )
    return photos


def sensible_workers(photos: int) -> int:
    """All cores, but no more workers than that many photos keep busy."""
    import joblib

    return max(1, min(joblib.cpu_count(), photos // WORTH_A_WORKER))


def assess_many(
    photos: Sequence[Path],
    into: Path,
    tables: Tables,
    question: Question,
    again: bool = False,
    phone: PhoneProfile | None = None,
    after_each: Callable[[], None] = lambda: None,
    workers: int | None = None,
) -> Summary:
    """Assess photos; one bad file never stops the rest.

    Writes each photo's results, then ``readings.csv``, ``findings.csv`` and ``problems.csv`` over
    all photos, in the order of ``photos``. The files are the same to the last byte whatever the
    number of workers.

    Parameters
    ----------
    photos : sequence of Path
    into : Path
        Folder for the results; made if missing.
    tables : Tables
    question : Question
        The same for every photo.
    again : bool
        Measure also what an earlier run has finished.
    phone : PhoneProfile, optional
    after_each : callable
        Called once per photo, for a progress bar.
    workers : int, optional
        Processes at work at the same time, -1 for one per core. If not given, joblib's
        ``parallel_config`` decides; without one, photos are done one after the other.

    Raises
    ------
    FieldmarksError
        The results cannot be written, another run is writing there, or no worker can be started.
    """
    with only_writer(into):
        _clear(into)
        order = _Order(zlib.compress(pickle.dumps(tables)), into.absolute(), question, again, phone)
        namesakes: dict[str, list[tuple[int, Path]]] = {}
        for number, path in enumerate(dict.fromkeys(p.absolute() for p in photos)):
            namesakes.setdefault(path.stem, []).append((number, path))
        groups = list(namesakes.values())
        results: dict[int, _Result] = {}
        for place, group_results in spread(
            _assess_namesakes, [(g, order) for g in groups], workers
        ):
            if group_results is None:
                group_results = [
                    _Result(n, path.name, problem=f"{path.name}: {LOST}")
                    for n, path in groups[place]
                ]
            for result in group_results:
                results[result.number] = result
                after_each()
        _clear(into)  # a worker that was killed leaves what it was writing
        ordered = [results[number] for number in sorted(results)]
        _write_overview(ordered, into)
        problems = tuple(r.problem for r in ordered if r.problem)
        kept = sum(r.kept for r in ordered)
    return Summary(len(ordered) - kept - len(problems), kept, problems)


@dataclass(frozen=True)
class _Order:
    """What is asked about every photo. The tables go along with each photo, so they are packed."""

    tables: bytes
    into: Path
    question: Question
    again: bool
    phone: PhoneProfile | None


@dataclass(frozen=True)
class _Result:
    """What came of one photo. Its numbers are on the disk, so that no memory grows with photos."""

    number: int
    name: str
    kept: bool = False
    problem: str = ""


@lru_cache(maxsize=1)
def _unpacked(tables: bytes) -> Tables:
    """The tables, unpacked once per worker, so that what is derived from them is kept."""
    # Safe: the bytes come from the process that started this worker, never from a file.
    unpacked: Tables = pickle.loads(zlib.decompress(tables))  # nosec B301
    return unpacked


def _assess_namesakes(photos: Sequence[tuple[int, Path]], order: _Order) -> list[_Result]:
    """Assess the photos whose names differ only in the ending; one has results, at most."""
    results: list[_Result] = []
    finished = ""
    for number, path in photos:
        if finished:
            problem = (
                f"{path.name}: its results would overwrite those of {finished}. Give one of the "
                "two photos another name"
            )
            results.append(_Result(number, path.name, problem=problem))
            continue
        with one_thread():
            result = _assess_one(number, path, order)
        results.append(result)
        finished = "" if result.problem else path.name
    return results


def _assess_one(number: int, path: Path, order: _Order) -> _Result:
    """Assess one photo; whatever is wrong with it becomes a sentence."""
    tables = _unpacked(order.tables)
    try:
        if not order.again and _finished_before(path, order, tables):
            return _Result(number, path.name, kept=True)
        record, photo = record_of_file(path, tables, order.question, phone=order.phone)
        write_results(record, photo, tables, order.into)
        return _Result(number, path.name)
    except FieldmarksError as error:
        return _Result(number, path.name, problem=str(error))
    except Exception as error:  # a fault of the program's own must not stop the other photos
        kind = " ".join(f"{type(error).__name__}: {error}".split())
        problem = f"{path.name}: an unexpected fault ({kind}). Please report it"
        return _Result(number, path.name, problem=problem)


def _finished_before(path: Path, order: _Order, tables: Tables) -> bool:
    """Whether an earlier run left all results; its tables are put right if they were changed."""
    record = _earlier_record(path, order.into, tables, order.question, order.phone)
    if record is None or not (order.into / f"{path.stem}{PICTURE_SUFFIX}").exists():
        return False
    for name, text in table_texts(record).items():
        place = order.into / f"{path.stem}.{name}.csv"
        if not place.exists() or place.read_bytes() != text.encode("utf-8"):
            write_whole(place, text)
    return True


def _earlier_record(
    path: Path,
    into: Path,
    tables: Tables,
    question: Question,
    phone: PhoneProfile | None,
) -> Record | None:
    """The record of an earlier run, if it answers the same question from the same files."""
    import hashlib

    place = into / f"{path.stem}{RECORD_SUFFIX}"
    try:
        record = record_from_json(place.read_bytes())
        same_photo = record.measurement.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
        regions = read_region_file(region_file_of(path)).regions
    except (OSError, FieldmarksError):
        return None
    same = (
        same_photo
        and record.program == __version__
        and record.question == question
        and record.phone == phone
        and record.measurement.regions.regions == regions
        and record.assessment.table_fingerprint == tables.fingerprint
    )
    return record if same else None


def _clear(into: Path) -> None:
    """Clear away files that were cut off half-written; nobody else writes here meanwhile."""
    try:
        for part in into.glob(".*.part"):
            part.unlink(missing_ok=True)
    except OSError as error:
        raise cannot_write(into, error) from None


def _write_overview(results: Sequence[_Result], into: Path) -> None:
    """The tables over all photos: those of the single photos, one below the other."""
    for name, columns in TABLE_COLUMNS.items():
        with whole_file(into / f"{name}.csv") as table:
            table.write(to_csv(columns, ()).encode("utf-8"))
            for result in results:
                if not result.problem:
                    stem = Path(result.name).stem
                    with (into / f"{stem}.{name}.csv").open("rb") as part:
                        part.readline()  # its header
                        shutil.copyfileobj(part, table)
    rows = ({"photo": r.name, "problem": r.problem} for r in results if r.problem)
    write_whole(into / "problems.csv", to_csv(PROBLEM_COLUMNS, rows))


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


def picture_of(record: Record, photo: Photo, tables: Tables, suffix: str = ".jpg") -> bytes:
    """The annotated photo as JPEG or PNG bytes.

    Raises
    ------
    PhotoError
        The ending names no kind of picture that can be written.
    """
    import io

    names = {key: mark.name for key, mark in tables.marks.items()}
    colours = {r.mark: r.lab for r in record.measurement.readings}
    picture = annotate(photo, record.measurement.regions.regions, names, colours)
    if suffix.lower() in (".jpg", ".jpeg"):
        return to_jpeg(picture)
    if suffix.lower() == ".png":
        buffer = io.BytesIO()
        picture.save(buffer, "PNG")
        return buffer.getvalue()
    raise PhotoError(
        f"a picture cannot be written as {suffix!r}", mend="Let the name end in .jpg or .png"
    )


def demo_birds() -> dict[str, Path]:
    """Name -> photo of the invented demo birds."""
    return {p.stem: p for p in sorted(shipped("demo_images").glob("*.jpg"))}


def demo_question(photo: Path) -> tuple[Question, str]:
    """What is asked about a demo bird, and its invented story, from its side file."""
    side = json.loads(photo.with_suffix(".truth.json").read_text(encoding="utf-8"))
    sold_as = side.get("sold_as")
    story = str(side.get("scenario", ""))
    return Question(claimed=sold_as), f"{story} Sold as {sold_as}." if sold_as else story
