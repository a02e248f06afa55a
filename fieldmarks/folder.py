"""A whole folder of photos, spread over the cores.

A run can be stopped at any point and started again: a photo is skipped when its record was made
from the same photo, regions, question, program and tables.

The spreading is joblib's. Without any setting, photos are done one after the other in this
process; ``workers`` asks for processes on this computer, and joblib's own setting for machines::

    with dask.distributed.Client(address), joblib.parallel_config(backend="dask"):
        assess_many(photos, into, tables, question)  # all machines must see both folders
"""

import pickle
import shutil
import zlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from hashlib import sha256
from pathlib import Path

from fieldmarks import __version__
from fieldmarks._util.atomic_write import cannot_write, only_writer, whole_file, write_whole
from fieldmarks._util.errors import FieldmarksError, PhotoError
from fieldmarks._util.parallel import spread
from fieldmarks.days import judge_days
from fieldmarks.measure.phone_profile import PhoneProfile
from fieldmarks.measure.reading import one_thread
from fieldmarks.measure.region_file import read_region_file
from fieldmarks.measure.suffixes import SUFFIXES
from fieldmarks.pipeline import PICTURE_SUFFIX, record_of_file, region_file_of, write_results
from fieldmarks.record import RECORD_SUFFIX, TABLES, Question, Record, table_texts, to_csv
from fieldmarks.rules import Tables

PROBLEM_COLUMNS = ("photo", "problem")
WORTH_A_WORKER = 10  # photos; fewer are done before another worker has started
LOST = (
    "the program that measured it was stopped from outside or crashed. Close other programs in "
    "case memory was short, then do it again"
)


@dataclass(frozen=True)
class Summary:
    """What came of a folder: photos measured now, kept from before, and problems in words."""

    done: int
    kept: int
    problems: tuple[str, ...]


def photos_in(folder: Path) -> list[Path]:
    """Photos of a folder, in the order of their names.

    Raises:
        PhotoError: The folder is missing or holds no photo.
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
    birds: Mapping[str, tuple[str, str]] | None = None,
) -> Summary:
    """Assess photos; one bad file never stops the rest.

    Writes each photo's results, then ``readings.csv``, ``findings.csv`` and ``problems.csv`` over
    all photos, in the order of ``photos``. The files are the same to the last byte whatever the
    number of workers.

    Args:
        into: Folder for the results; made if missing.
        question: The same for every photo.
        again: Measure also what an earlier run has finished.
        after_each: Called once per photo, for a progress bar.
        workers: Processes at work at the same time, -1 for one per core. If not given, joblib's
            ``parallel_config`` decides; without one, photos are done one after the other.
        birds (mapping of str to (str, str), optional): Photo -> bird and day: photos of one bird
            and one day are judged together as well (:mod:`fieldmarks.days`).

    Raises:
        FieldmarksError: The results cannot be written, another run is writing there, or no worker
            can be started.
    """
    with only_writer(into):
        _clear(into)
        order = _Order(zlib.compress(pickle.dumps(tables)), into.absolute(), question, again, phone)
        namesakes: dict[str, list[Path]] = {}
        paths = list(dict.fromkeys(path.absolute() for path in photos))
        for path in paths:
            namesakes.setdefault(path.stem, []).append(path)
        groups = list(namesakes.values())
        results: dict[Path, _Result] = {}
        for place, found in spread(_assess_namesakes, [(g, order) for g in groups], workers):
            lost = [_Result(p.name, problem=f"{p.name}: {LOST}") for p in groups[place]]
            for path, result in zip(groups[place], found or lost, strict=True):
                results[path] = result
                after_each()
        _clear(into)  # a worker that was killed leaves what it was writing
        ordered = [results[path] for path in paths]
        _write_overview(ordered, into)
        problems = tuple(r.problem for r in ordered if r.problem)
        measured = [r.name for r in ordered if not r.problem]
        apart = judge_days(measured, birds, into, tables) if birds else ()
        kept = sum(r.kept for r in ordered)
    return Summary(len(ordered) - kept - len(problems), kept, problems + apart)


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

    name: str
    kept: bool = False
    problem: str = ""


@lru_cache(maxsize=1)
def _unpacked(tables: bytes) -> Tables:
    """The tables, unpacked once per worker, so that what is derived from them is kept."""
    # Safe: the bytes come from the process that started this worker, never from a file.
    unpacked: Tables = pickle.loads(zlib.decompress(tables))  # noqa: S301
    return unpacked


def _assess_namesakes(photos: Sequence[Path], order: _Order) -> list[_Result]:
    """Assess the photos whose names differ only in the ending; one has results, at most."""
    results: list[_Result] = []
    finished = ""
    for path in photos:
        if finished:
            problem = (
                f"{path.name}: its results would overwrite those of {finished}. Give one of the "
                "two photos another name"
            )
            results.append(_Result(path.name, problem=problem))
            continue
        with one_thread():
            results.append(_assess_one(path, order))
        finished = "" if results[-1].problem else path.name
    return results


def _assess_one(path: Path, order: _Order) -> _Result:
    """Assess one photo; whatever is wrong with it becomes a sentence."""
    tables = _unpacked(order.tables)
    try:
        if not order.again and _finished_before(path, order, tables):
            return _Result(path.name, kept=True)
        record, photo = record_of_file(path, tables, order.question, phone=order.phone)
        write_results(record, photo, tables, order.into)
        return _Result(path.name)
    except FieldmarksError as error:
        return _Result(path.name, problem=str(error))
    except Exception as error:  # a fault of the program's own must not stop the other photos
        kind = " ".join(f"{type(error).__name__}: {error}".split())
        problem = f"{path.name}: an unexpected fault ({kind}). Please report it"
        return _Result(path.name, problem=problem)


def _finished_before(path: Path, order: _Order, tables: Tables) -> bool:
    """Whether an earlier run answered the same question from the same files and left all results.

    Its tables are put right if they were changed.
    """
    into, stem = order.into, path.stem
    try:
        record = Record.from_file(into / f"{stem}{RECORD_SUFFIX}")
        regions = read_region_file(region_file_of(path)).regions
        photo = sha256(path.read_bytes()).hexdigest()
    except (OSError, FieldmarksError):
        return False
    measured = record.measurement
    was = (measured.sha256, measured.regions.regions, record.question, record.phone,
           record.program, record.assessment.table_fingerprint)  # fmt: skip
    now = (photo, regions, order.question, order.phone, __version__, tables.fingerprint)
    if was != now or not (into / f"{stem}{PICTURE_SUFFIX}").exists():
        return False
    for name, text in table_texts(record).items():
        place = into / f"{stem}.{name}.csv"
        if not place.exists() or place.read_bytes() != text.encode("utf-8"):
            write_whole(place, text)
    return True


def _clear(into: Path) -> None:
    """Clear away files that were cut off half-written; nobody else writes here meanwhile."""
    try:
        for part in into.glob(".*.part"):
            part.unlink(missing_ok=True)
    except OSError as error:
        raise cannot_write(into, error) from None


def _write_overview(results: Sequence[_Result], into: Path) -> None:
    """The tables over all photos: those of the single photos, one below the other."""
    for name, (columns, _) in TABLES.items():
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
