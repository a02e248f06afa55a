"""What the app and the command line both do: questions answered from a store."""

import itertools
from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import replace
from datetime import date
from functools import partial
from pathlib import Path

from fieldmarks import __version__
from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds.advice import advice_table
from fieldmarks.birds.agreement import Agreement, compare_photos
from fieldmarks.birds.archive import Tell, untold
from fieldmarks.birds.brood import young_with_findings
from fieldmarks.birds.collection import bird_page
from fieldmarks.birds.dossier import Seal, write_dossier
from fieldmarks.birds.due import first_moult_over, stage_fits
from fieldmarks.birds.family import Relative, parent_faults
from fieldmarks.birds.model import Bird, Entry, Observation, Pair, Stage, new_id
from fieldmarks.birds.moult import PRESENT, SignStory, sign_stories
from fieldmarks.birds.observation import MeasuredPhoto, given_away, region_file_of
from fieldmarks.birds.pairing import PairAdvice, advise_pair, eye_of, warnings_for_test
from fieldmarks.birds.reader import told_apart
from fieldmarks.birds.ring import check_ring
from fieldmarks.birds.signature import own_key
from fieldmarks.birds.store import Store
from fieldmarks.judge.assess import assess_photos
from fieldmarks.judge.conclusion import CONTRADICTED
from fieldmarks.judge.findings import Status
from fieldmarks.measure.photo import decode_photo
from fieldmarks.pipeline import make_record
from fieldmarks.record import Question, Record
from fieldmarks.report.views import likelier_variety
from fieldmarks.rules import Tables
from fieldmarks.rules.tables import age_class

RING_PATTERN = "ring_pattern"  # setting: the shape of the keeper's ring numbers


def save_bird(store: Store, bird: Bird) -> Bird:
    """Save what a keeper says of a bird, once it can be so.

    Raises:
        FieldmarksError: A parent of it or of its young cannot be right, its ring does not have the
            keeper's shape, or as :meth:`Store.save`.
    """
    check_ring(bird.ring, store.setting(RING_PATTERN))
    father, mother = (store.bird(key) if key else None for key in (bird.father, bird.mother))
    faults = parent_faults(bird, father, mother)
    for young in bird_page(store, bird.id).young if bird.number else ():
        own = [bird if key == bird.id else None for key in (young.father, young.mother)]
        faults += parent_faults(young, *own)
    if faults:
        mend = "Correct its sex, a date or the parent; '' in place of a name takes a parent off"
        raise FieldmarksError(faults[0], where=bird.label, mend=mend)
    if bird.ring and bird.ring_kind == "none":  # the program never makes a ring a closed one
        bird = replace(bird, ring_kind="not known")
    return store.save(bird)


def question_for(bird: Bird, day: date, stage: Stage, tables: Tables) -> Question:
    """What to ask of a photo: species and variety from the bird, age from its hatch date or stage.

    Raises:
        FieldmarksError: The photo was taken before the bird hatched.
    """
    hatched = bird.hatched
    age = age_class(tables, hatched, day) if hatched else advice_table().stage_ages[stage]
    return Question(bird.variety, age, bird.species)


class WhichBirdError(FieldmarksError):
    """Something speaks against a photo being of this bird: the keeper is to say whether it is.

    Args:
        doubts: One sentence each.
    """

    def __init__(self, doubts: Sequence[str], bird: Bird) -> None:
        self.doubts = tuple(doubts)
        super().__init__(
            f"is it this bird? {' '.join(doubts).rstrip('.')}",
            where=bird.label,
            mend="If it is, say so with --yes",
        )


def doubts_about(
    store: Store, bird: Bird, photos: Sequence[MeasuredPhoto], tables: Tables
) -> list[str]:
    """What speaks against photos being of a bird: they are kept for another, or do not fit it."""
    found = []
    for one in photos:
        measured, judged = one.record.measurement, one.record.assessment
        found += [f"{measured.photo} is kept for {store.bird(entry.bird).label} already."
                  for entry in store.entries_with(measured.sha256)
                  if entry.bird != bird.id]  # fmt: skip
        # A sign of mixed ancestry is no other bird; marks beside those that show it may be.
        signs = {mark for s in judged.signs if s.status.value in PRESENT for mark in s.there}
        strange = [
            f.name
            for sheet in judged.sheets
            if sheet.species == bird.species and judged.conclusion.outcome in CONTRADICTED
            for f in sheet.findings
            if f.status is Status.DOES_NOT_FIT and f.mark not in signs
        ]
        if strange:
            species = tables.species[bird.species or ""].name
            found.append(f"{measured.photo}: {', '.join(strange)} not as on a {species}.")
        if likelier := likelier_variety(one.record, tables):
            found.append(likelier[1])
    return list(dict.fromkeys(found))


def keep_look(
    store: Store,
    bird: Bird,
    photos: Sequence[MeasuredPhoto],
    tables: Tables,
    day: date,
    stage: Stage,
    measured_by: str,
    note: str = "",
    sure: bool = False,
) -> Entry:
    """Add a moult entry with measured photos.

    Args:
        sure: The keeper has said that it is this bird, whatever speaks against it.

    Raises:
        WhichBirdError: A photo does not look like this bird, or is kept for another one; not when
            ``sure``.
        FieldmarksError: The day is yet to come or lies before the bird hatched, or the same is kept
            already.
    """
    wrong = mend = ""
    if day > date.today():
        wrong, mend = f"{day} is yet to come", "Correct the day, or this computer's clock"
    elif bird.hatched is not None and day < bird.hatched:
        wrong, mend = f"the bird hatched on {bird.hatched}, after {day}", "Correct one of the dates"
    elif not stage_fits(bird, day, stage, tables):
        wrong = f"it hatched on {bird.hatched}, so on {day} it cannot be {stage!r}"
        mend = "Correct the stage, the day or the hatch date"
    if wrong:
        raise FieldmarksError(wrong, where=bird.label, mend=mend)
    who = measured_by.strip()
    given = {e.sha256: e.region_file for e in photos}
    # Another person may well measure the same photo; the same person pressed twice.
    for earlier in (e for e in store.entries(bird.id) if e.measured_by == who):
        again = (o for o in earlier.observations if o.photo in given)
        if any(_regions(store, o) == given[o.photo] for o in again):
            raise FieldmarksError(
                "this photo is kept already, with the same regions",
                where=f"{bird.label}, entry {earlier.number}",
                mend="Take another photo, or withdraw that entry first",
            )
    if not sure and (doubts := doubts_about(store, bird, photos, tables)):
        raise WhichBirdError(doubts, bird)
    entry = Entry(new_id(), bird.id, day, stage, who, note=note)
    return store.save_entry(_judged_together(entry, photos, tables), photos, tables)


def _judged_together(entry: Entry, photos: Sequence[MeasuredPhoto], tables: Tables) -> Entry:
    """An entry with what several photos say together."""
    if len(photos) < 2:
        return entry
    measured = [one.record.measurement for one in photos]
    found = assess_photos(measured, tables, photos[0].record.question).conclusion
    return replace(entry, outcome=found.outcome, sentence=found.sentence)


def measure_again(store: Store, bird: Bird, entry: Entry, tables: Tables) -> Entry:
    """Measure the kept photos of an entry by this version; the new entry counts in its place.

    The old one is struck out and stays on record with its numbers.

    Raises:
        FieldmarksError: A photo or its record is missing, or the entry was changed meanwhile.
    """
    question = question_for(bird, entry.day, entry.stage, tables)
    photos = []
    for kept in (store.measured_photo(entry, o) for o in entry.observations):
        measured = kept.record.measurement
        photo = decode_photo(kept.photo, measured.photo)
        record = make_record(photo, measured.regions, tables, question, phone=kept.record.phone)
        photos.append(replace(kept, record=record))
    said = f"measured again with fieldmarks {__version__}"
    new = Entry(new_id(), bird.id, entry.day, entry.stage, entry.measured_by, note=entry.note)
    new = _judged_together(new, photos, tables)
    return store.save_entry(new, photos, tables, replace(entry, withdrawn=said))


def _regions(store: Store, observation: Observation) -> bytes:
    """Regions drawn on a kept photo; empty where its record is lost or of an earlier version."""
    try:
        return region_file_of(store.record(observation))
    except FieldmarksError:
        return b""


def lost_comparisons(photos: Sequence[MeasuredPhoto], tables: Tables) -> list[str]:
    """Comparisons that photos taken together could show, but no single one of them does.

    Marks are compared inside one photo only, where they share the light and the camera.
    """
    drawn = [{r.mark for r in e.record.measurement.regions.regions} for e in photos]
    together = set[str]().union(*drawn)
    done = {r.key for e in photos for r in e.record.measurement.relations}
    return [
        f"{row.name} could not be compared: "
        + " and ".join(tables.marks[m].name for m in row.marks)
        + " are on different photos. Take one photo that shows both."
        for key, row in tables.relations.items()
        if key not in done
        and set(row.marks) <= together
        and not any(set(row.marks) <= marks for marks in drawn)
    ]


def pair_labels(store: Store, pairs: Collection[Pair]) -> dict[str, str]:
    """Id -> label of pairs to choose from, no two alike."""
    names = store.names({key for p in pairs for key in (p.first, p.second)})
    return told_apart(
        {
            p.id: (
                f"{names.get(p.first, '?')} and {names.get(p.second, '?')} ({p.purpose})",
                p.started and f"since {p.started}",
                f"{len(p.young)} young",
            )
            for p in pairs
        }
    )


def stories_of(store: Store, bird: Bird, tables: Tables) -> list[SignStory]:
    """What became of every sign of a bird."""
    texts = {key: row.text for key, row in tables.signs.items()}
    return sign_stories(store.entries(bird.id), texts, first_moult_over(bird, tables))


def advice_on_pair(
    store: Store, first: Bird, second: Bird, tables: Tables, today: date
) -> PairAdvice:
    """Advice on two birds from everything on record."""
    parents = store.ancestry([first.id, second.id])
    names = store.names(parents)
    entries = {b.id: store.entries(b.id) for b in (first, second)}
    relatives = {b.id: _relatives(store, b, tables) for b in (first, second)}
    return advise_pair(first, second, entries, parents, names, tables, today, relatives)


def _relatives(store: Store, bird: Bird, tables: Tables) -> list[Relative]:
    """Parents, grandparents and young on record; young of a mate of another species left out."""

    def of(how: str, *keys: str | None) -> list[Relative]:
        return [Relative(how, store.bird(key), store.entries(key)) for key in keys if key]

    found = []
    for parent in (*of("father", bird.father), *of("mother", bird.mother)):
        found += [parent, *of("grandparent", parent.bird.father, parent.bird.mother)]
    page = bird_page(store, bird.id)
    for young in page.young:
        others = [k for k in (young.father, young.mother) if k and k != bird.id]
        if all(_same_species(bird, store.bird(k)) for k in others):
            found += of("young", young.id)
    kept = {young.id for young in page.young}
    for pair in page.pairs:
        mate = store.bird(pair.second if pair.first == bird.id else pair.first)
        if not _same_species(bird, mate):
            continue
        for y in young_with_findings(store, pair, tables):
            if y.finding == "sign" and y.bird not in kept:
                named = store.bird(y.bird) if y.bird else Bird("", y.label)
                found.append(Relative("young", named, sign=True))
    return found


def _same_species(one: Bird, other: Bird) -> bool:
    return one.species is None or other.species in (None, one.species)


def before_test(
    store: Store, bird: Bird, mate: Bird, tables: Tables, today: date
) -> tuple[str, ...]:
    """What on record warns of a test mating, and then the usual cautions."""
    advice = advice_on_pair(store, bird, mate, tables, today)
    warnings = warnings_for_test(bird, mate, advice, tables, eye_of(store.entries(bird.id)))
    return (*warnings, *advice_table().cautions("testing"))


def compare_measurers(store: Store, entries: Sequence[Entry]) -> Agreement:
    """How well the measurers of some entries agree; a copy given away counts as the photo as taken.

    A photo is opened only where two files could be one photo.

    Raises:
        FieldmarksError: There are fewer than two looks.
    """
    told = [(MeasuredPhoto(b"", store.record(look), entry.measurer), look)
            for entry in entries for look in entry.observations]  # fmt: skip
    files: dict[tuple[object, ...], set[str]] = defaultdict(set)
    for one, look in told:
        files[_says(one.record)].add(look.photo)
    return compare_photos([
        replace(one, given=given_away(partial(store.photo, look), one.record))
        if len(files[_says(one.record)]) > 1 else one
        for one, look in told
    ])  # fmt: skip


def _says(record: Record) -> tuple[object, ...]:
    """What a photo still says of itself when it is given away."""
    measured = record.measurement
    return measured.width, measured.height, measured.facts.camera, measured.facts.taken


def entries_of_day(store: Store, bird: Bird, day: date | None) -> list[Entry]:
    """Entries of a bird, all or those of one day.

    Raises:
        FieldmarksError: There are none.
    """
    found = [e for e in store.entries(bird.id) if day is None or e.day == day]
    if not found:
        raise FieldmarksError("there is no such entry", where=bird.label, mend="See its page")
    return found


def make_dossier(
    store: Store,
    bird: Bird,
    entries: Sequence[Entry],
    tables: Tables,
    target: Path,
    with_place: bool = False,
    tell: Tell = untold,
) -> Seal:
    """Write a dossier of some entries, signed with the keeper's key; gives its seal."""
    kept = [(entry, o) for entry in entries for o in entry.observations]
    photos = (store.measured_photo(*look) for look in kept)  # one at a time: photos are large
    steps = itertools.count(1)
    return write_dossier(
        target, bird, photos, tables, with_place, own_key(),
        after_each=lambda: tell(next(steps), 2 * len(kept)),
    )  # fmt: skip
