"""Looking after a store: do the photos and the database go together?"""

from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import select

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds import orm
from fieldmarks.birds.archive import Tell, untold
from fieldmarks.birds.exchange import everything
from fieldmarks.birds.photos import PhotoFolder, photo_name
from fieldmarks.birds.ring import ring_key
from fieldmarks.birds.store import Store
from fieldmarks.birds.tables_copy import is_whole


@dataclass(frozen=True)
class StoreProblem:
    """Something that is not as it should be.

    Args:
        where: Photo, bird or record.
        mendable: Whether :func:`mend_store` puts it right without losing anything.
    """

    where: str
    problem: str
    mend: str
    mendable: bool = False

    def __str__(self) -> str:
        return f"{self.where}: {self.problem} ({'can be mended' if self.mendable else self.mend})"


def check_store(store: Store, tell: Tell = untold) -> list[StoreProblem]:
    """Look for photos, records and tables that are lost, changed or left over, and double rings.

    ``tell`` is told how many photos are checked, and of how many.
    """
    birds, entries, _ = everything(store)
    backup = "take it from a backup with 'bring-in'"
    problems: list[StoreProblem] = []
    observations = [o for e in entries for o in e.observations]
    wanted = {photo_name(observation) for observation in observations}
    for done, observation in enumerate(observations, start=1):
        tell(done, len(observations))
        for get in (store.photo, store.record_file):
            try:
                get(observation)
            except FieldmarksError as error:
                problems.append(StoreProblem(error.where, error.problem, backup))
    if not (store.read_only and not wanted):
        problems += [
            StoreProblem(f"photos/{name}", "left over from a save that was cut off", "", True)
            for name in store.photos.names()
            if name not in wanted
        ]
    for fingerprint, packed in store.rows(select(orm.rule_tables)):
        if not is_whole(packed, fingerprint):
            said = "this copy of the rule tables is damaged"
            problems.append(StoreProblem(f"tables {fingerprint[:12]}", said, backup))
    rings: dict[str, str] = {}
    for bird in (b for b in birds if b.ring and not b.withdrawn):
        key = f"{ring_key(bird.ring)} {bird.ring_year}"
        if key in rings:
            said = f"{rings[key]} and {bird.name} have one ring"
            problems.append(StoreProblem(f"ring {bird.ring}", said, "correct one of them"))
        rings.setdefault(key, bird.name)
    return problems


def mend_store(store: Store, elsewhere: Path | None = None) -> int:
    """Remove what cut-off saves left, and take in photos and records that lie elsewhere.

    Args:
        elsewhere: Folder of a store of version 0.2, such as a member's own beside a club's
            database. Photos and records that are lost here are looked for in it; nothing in it is
            changed.

    Returns:
        How many files and records were mended.
    """
    count = 0 if elsewhere is None else _gather(store, elsewhere)
    return count + store.take_back(list(store.photos.names()))


def _gather(store: Store, elsewhere: Path) -> int:
    there, count = PhotoFolder(elsewhere / "photos"), 0
    for observation in (o for entry in everything(store)[1] for o in entry.observations):
        name = photo_name(observation)
        try:
            store.photo(observation)
        except FieldmarksError:
            try:
                data = there.get(name)
            except FieldmarksError:
                continue
            with store.writing() as work:
                store.put_photo(work, name, data)
            count += 1
    o = orm.observations.c
    with store.writing() as work:
        for row in work.rows(select(o.id, o.entry, o.photo).where(o.record.is_(None))):
            path = Path("photos", row.photo).with_suffix(f".{row.id}.record.json")
            for file in (elsewhere / path, elsewhere / "edition-2" / path):
                if file.is_file():
                    work.put_record(row.entry, row.id, row.photo, file.read_bytes())
                    count += 1
                    break
    return count
