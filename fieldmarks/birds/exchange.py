"""One file with everything: export of a store and import into another.

The ZIP holds birds, entries and pairs as JSON, photos, their regions (W3C Web Annotation) and
records, rule tables and settings, a ``manifest.json`` with the SHA-256 of each, and
``schema.json``. The place is taken out of the photos unless the keeper wants them as they were
taken; their pictures are the same either way.
"""

import json
import re
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from sqlalchemy import insert, select

from fieldmarks import __version__
from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds import model, orm
from fieldmarks.birds.archive import Archive, Tell, Written, digest, opened, untold, written
from fieldmarks.birds.model import FOLDERS, Bird, Entry, K, Kept, Observation, Pair, contents
from fieldmarks.birds.observation import region_file_of, with_photo
from fieldmarks.birds.photos import photo_name
from fieldmarks.birds.reader import KINDS
from fieldmarks.birds.schemas import schema_text
from fieldmarks.birds.store import Store
from fieldmarks.birds.tables_copy import is_whole
from fieldmarks.birds.writing import Writing
from fieldmarks.measure.location import TOLD, TOLD_WITH_PLACE, without_place
from fieldmarks.measure.suffixes import ENDING
from fieldmarks.record import Record

_HEX = "[0-9a-f]"
NAMES = re.compile(
    rf"(?:birds|entries|pairs)/{_HEX}{{32}}\.json"
    rf"|photos/{_HEX}{{2}}/{_HEX}{{64}}\.(?:{ENDING})"
    rf"|photos/{_HEX}{{2}}/{_HEX}{{64}}\.{_HEX}{{32}}\.(?:regions|record)\.json"
    rf"|tables/{_HEX}{{64}}\.zip|manifest\.json|schema\.json|settings\.json"
)
SHARED = ("ring_pattern",)  # settings that go with the birds
Prefer = Literal["refuse", "mine", "theirs"]


@dataclass(frozen=True)
class Moved:
    """How many birds, entries, pairs and photos an export or import moved.

    ``same`` were there already; ``mended`` photos were lost or changed here and are whole again.
    """

    birds: int
    entries: int
    pairs: int
    photos: int
    same: int = 0
    mended: int = 0

    def __str__(self) -> str:
        text = (
            f"{self.birds} birds, {self.entries} moult entries, {self.pairs} pairs, "
            f"{self.photos} photos"
        )
        if self.same:
            text += f"; {self.same} were already there"
        if self.mended:
            text += f"; photos that were lost or changed here and are whole again: {self.mended}"
        return text


def everything(store: Store) -> tuple[list[Bird], list[Entry], list[Pair]]:
    """All birds, entries and pairs, withdrawn ones too, as they were at one moment."""
    with store.moment() as now:
        return now.read(Bird), now.read(Entry), now.read(Pair)


def record_name(observation: Observation, what: str = "record") -> str:
    """Name of an observation's record or regions in an export."""
    name = f"{observation.photo[:2]}/{observation.photo}"
    return f"photos/{name}.{observation.id}.{what}.json"


def export_store(
    store: Store, target: Path, with_place: bool = False, tell: Tell = untold
) -> Moved:
    """Write a store into one ZIP file.

    Args:
        with_place: Keep the photos as they were taken; else place and maker's data are taken out.

    Raises:
        FieldmarksError: A photo is missing or was changed, the place cannot be taken out of it, or
            the file cannot be written.
    """
    birds, entries, pairs = everything(store)
    about = {
        "program": __version__,
        "made_at": model.now(),
        "about": TOLD_WITH_PLACE if with_place else TOLD,
    }
    with written(target, "store", about) as packed:

        def put(thing: Kept) -> None:
            packed.put(f"{KINDS[type(thing)].name}/{thing.id}.json", model.to_json(thing))

        for bird in birds:
            put(bird)
        for pair in pairs:
            put(pair)
        for done, entry in enumerate(entries, start=1):
            given = [_pack_look(store, packed, o, with_place) for o in entry.observations]
            put(replace(entry, observations=tuple(given)))
            tell(done, len(entries))
        settings = {key: store.setting(key) for key in SHARED}
        packed.put("settings.json", json.dumps(settings).encode())
        packed.put("schema.json", schema_text("export").encode())
    photos = sum(n.startswith("photos/") and not n.endswith(".json") for n in packed.prints)
    return Moved(len(birds), len(entries), len(pairs), photos)


def _pack_look(
    store: Store, packed: Written, observation: Observation, with_place: bool
) -> Observation:
    """Pack a photo with its record, regions and tables; gives the observation as it goes out."""
    photo, record = store.photo(observation), store.record_file(observation)
    if not with_place and (clean := without_place(photo, observation.file)) != photo:
        told = with_photo(json.loads(record), clean)  # the record may be of any version
        name, key = told["measurement"]["photo"], told["measurement"]["sha256"]
        ending = Path(name).suffix.lower() or observation.ending
        observation = replace(observation, photo=key, file=name[-200:], ending=ending)
        photo, record = clean, json.dumps(told, ensure_ascii=False).encode()
    packed.put(f"photos/{photo_name(observation)}", photo)
    packed.put(record_name(observation), record)
    with suppress(FieldmarksError):  # of a version whose records mean nothing here
        regions = region_file_of(Record.from_json(record, observation.file))
        packed.put(record_name(observation, "regions"), regions)
    name = f"tables/{observation.table_fingerprint}.zip"
    tables = None if name in packed.prints else store.packed_tables(observation.table_fingerprint)
    if tables is not None:
        packed.put(name, tables)
    return observation


def import_store(
    store: Store,
    archive: Path,
    prefer: Prefer = "refuse",
    one_bird: bool = False,
    tell: Tell = untold,
) -> Moved:
    """Read an exported ZIP into a store: all of it or nothing.

    Args:
        prefer: What to do where both hold the same thing with different contents: "refuse" the
            import, keep "mine", or take "theirs".
        one_bird: Where a bird of the file has the ring of another one here, the two are one bird:
            what is known of it here stays, and what the file tells of it is added. Else that is
            refused.

    Raises:
        FieldmarksError: The file is damaged, too large, does not keep to the schema, or clashes
            with the store.
    """
    with opened(archive, NAMES) as packed:
        things = _load(packed)
        with store.writing() as work:
            return _take(store, work, packed, _with_rings(work, things, one_bird), prefer, tell)


def _load(packed: Archive) -> list[Kept]:
    """Read and check every bird, entry and pair, and that their photos and records are there."""
    things: list[Kept] = []
    for name in packed.names:
        folder, _, rest = name.partition("/")
        if folder not in FOLDERS:
            continue
        place = f"{packed.where}, {name}"
        thing: Kept = model.from_json(FOLDERS[folder], packed.read(name), place)
        if thing.id != rest.removesuffix(".json"):
            raise FieldmarksError("its id is not its name", where=place, mend="Get it again")
        try:
            things.append(model.checked(thing))
        except FieldmarksError as error:
            where = f"{place}: {error.where}" if error.where else place
            raise FieldmarksError(error.problem, where=where, mend="Get it again") from None
    for _, observation in _looks(things):
        for needed in (f"photos/{photo_name(observation)}", record_name(observation)):
            if needed not in packed:
                raise FieldmarksError(
                    f"it lacks {needed}", where=packed.where, mend="Take a whole export"
                )
    return things


def _looks(things: Iterable[Kept]) -> list[tuple[Entry, Observation]]:
    return [(t, o) for t in things if isinstance(t, Entry) for o in t.observations]


def _with_rings(work: Writing, things: list[Kept], one_bird: bool) -> list[Kept]:
    """Birds of the file whose ring another bird here has: refused, or made one with it."""
    coming = {t.id: t for t in things if isinstance(t, Bird)}
    here = work.by_id(Bird, coming)
    one: dict[str, str] = {}
    for bird, mine in work.on_one_ring([b for b in coming.values() if b.id not in here]):
        if mine.id in coming and mine.id not in here:  # two of the file: refused when they are put
            continue
        if not one_bird:
            raise FieldmarksError(
                f"{bird.name} in the file and {mine.name} here have one ring",
                where=f"ring {bird.ring}",
                mend="If it is one bird, say so (terminal: --same-ring one-bird); if not, "
                "correct one of the rings first",
            )
        one[bird.id] = mine.id
    return [_renamed(t, one) for t in things if t.id not in one] if one else things


def _renamed(thing: Kept, one: dict[str, str]) -> Kept:
    """A thing that names birds by other ids."""
    text = model.to_json(thing).decode()
    for old, new in one.items():
        text = text.replace(f'"{old}"', f'"{new}"')
    return model.from_json(type(thing), text)


def _take(
    store: Store, work: Writing, packed: Archive, things: list[Kept], prefer: Prefer, tell: Tell
) -> Moved:
    """Put checked things into the open transaction, and their photos and records."""
    taken: list[Kept] = []
    healed: list[tuple[Entry, list[Observation]]] = []
    same = 0
    for kind, table in KINDS.items():
        own = [t for t in things if isinstance(t, kind)]
        here: dict[str, Kept] = work.by_id(kind, [t.id for t in own])
        fresh = [t for t in own if t.id not in here]
        taken += _numbered(fresh, work.next_number(table))
        for mine, thing in ((here[t.id], t) for t in own if t.id in here):
            if not _same(mine, thing):
                if prefer == "theirs":
                    revision = mine.revision + 1
                    taken.append(replace(thing, number=mine.number, revision=revision))
                    continue
                if prefer == "refuse":
                    raise FieldmarksError(
                        f"a record of this store ({thing.id[:8]}) differs from the one in the file",
                        where=getattr(thing, "label", type(thing).__name__.lower()),
                        mend="Say which to keep: mine or theirs (terminal: --keep mine or theirs)",
                    )
            same += 1
            if isinstance(mine, Entry) and isinstance(thing, Entry):
                healed.append(_healed(store, mine, thing))
    work.put([*taken, *(entry for entry, found in healed if found)])
    photos, mended = _looks(taken), [(entry, o) for entry, found in healed for o in found]
    for done, (entry, observation) in enumerate((*photos, *mended), start=1):
        _take_photo(store, work, packed, entry, observation)
        tell(done, len(photos) + len(mended))
    _take_tables_and_settings(work, packed)
    birds, entries, pairs = (sum(isinstance(t, kind) for t in taken) for kind in KINDS)
    return Moved(birds, entries, pairs, len({o.photo for _, o in photos}), same, len(mended))


def _same(mine: Kept, coming: Kept) -> bool:
    """Whether both say the same; a photo may have lost its place on the way."""
    if isinstance(mine, Entry) and isinstance(coming, Entry):
        here = {o.id: o for o in mine.observations}
        told = tuple(_as_taken(o, here.get(o.id, o)) for o in coming.observations)
        coming = replace(coming, observations=told)
    return contents(mine) == contents(coming)


def _as_taken(given: Observation, mine: Observation) -> Observation:
    """An observation with the photo as it is here: the place may have been taken out of it."""
    return replace(given, photo=mine.photo, file=mine.file, ending=mine.ending)


def _healed(store: Store, mine: Entry, coming: Entry) -> tuple[Entry, list[Observation]]:
    """An entry with the file's photo for each that is lost here, if all else is the same."""
    theirs = {o.id: o for o in coming.observations}
    found = {}
    for o in mine.observations:
        if o.id in theirs and _as_taken(theirs[o.id], o) == o:
            try:  # the photo and its record may be whole and unchanged
                store.photo(o)
                store.record_file(o)
            except FieldmarksError:
                found[o.id] = theirs[o.id]
    observations = tuple(found.get(o.id, o) for o in mine.observations)
    revision = mine.revision + (observations != mine.observations)
    return replace(mine, observations=observations, revision=revision), list(found.values())


def _take_photo(
    store: Store, work: Writing, packed: Archive, entry: Entry, observation: Observation
) -> None:
    where, name = f"{packed.where}, {observation.file}", photo_name(observation)
    text = packed.read(record_name(observation))
    photo = packed.read(f"photos/{name}")
    try:  # whatever version made it: whoever reads the record later checks all of it
        measured = json.loads(text)["measurement"]["sha256"]
    except (ValueError, KeyError, TypeError, RecursionError):
        raise FieldmarksError(
            "this record is damaged", where=where, mend="Take a whole export"
        ) from None
    if not measured == observation.photo == digest(photo):
        raise FieldmarksError("a photo and its record do not belong together", where=where)
    store.put_photo(work, name, photo)
    work.put_record(entry.id, observation.id, name, text)


def _take_tables_and_settings(work: Writing, packed: Archive) -> None:
    """Rule tables and settings that are not here; one's own are never replaced by others."""
    for name in (n for n in packed.names if n.startswith("tables/")):
        data, fingerprint = packed.read(name), Path(name).stem
        mine = work.packed_tables(fingerprint)
        if not (mine and is_whole(mine, fingerprint)) and is_whole(data, fingerprint):
            work.write(orm.rule_tables, fingerprint=fingerprint, packed=data)
    if "settings.json" not in packed:
        return
    try:
        told = dict(json.loads(packed.read("settings.json")))
    except (ValueError, TypeError, RecursionError):
        raise FieldmarksError(
            "its settings cannot be read", where=packed.where, mend="Get it again"
        ) from None
    for key in SHARED:
        value, query = told.get(key), select(orm.settings.c.value).where(orm.settings.c.key == key)
        if isinstance(value, str) and value and work.value(query) is None:
            row = {"key": key, "value": value[:200]}
            work.connection.execute(insert(orm.settings), [row])


def _numbered(things: Iterable[K], start: int) -> list[K]:
    """Keep the numbers of things if none is in use; else go on after those, in order."""
    own = sorted(things, key=lambda t: t.number)
    distinct = len({t.number for t in own}) == len(own)
    if start == 1 and distinct and all(t.number > 0 for t in own):
        return own
    return [replace(t, number=start + i) for i, t in enumerate(own)]
