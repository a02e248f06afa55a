"""Two writers on one store, against a model in memory.

Nothing confirmed is lost, and no act reaches another bird. A few runs each time;
``FIELDMARKS_RUNS=2000`` for more: ``benchmarks/results/store_writers.md`` says what came of it.
"""

import dataclasses
import functools
import os
import shutil
import tempfile
from concurrent.futures import ThreadPoolExecutor
from datetime import date
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    Bundle,
    RuleBasedStateMachine,
    consumes,
    initialize,
    invariant,
    multiple,
    rule,
    run_state_machine_as_test,
)
from made_birds import a_bird, an_entry
from sqlalchemy import select

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds import orm
from fieldmarks.birds import store as store_module
from fieldmarks.birds.due import summary, usual_tables
from fieldmarks.birds.exchange import everything, export_store, import_store
from fieldmarks.birds.model import Bird, Entry, Pair, Young, new_id
from fieldmarks.birds.reader import bird_labels
from fieldmarks.birds.ring import same_ring
from fieldmarks.birds.store import Store
from fieldmarks.birds.upkeep import check_store
from fieldmarks.birds.writing import ConflictError

RUNS = int(os.environ.get("FIELDMARKS_RUNS", "12"))
FAST = "/dev/shm" if os.path.isdir("/dev/shm") else None
NAMES = st.sampled_from(["Pip", "pip", "Äda", "Mo"])
RINGS = st.sampled_from(["", "", "AB1", "ab1", "AB 2"])
YEARS = st.sampled_from([None, 2024, 2025])
WHO = st.sampled_from([0, 1])
DAYS = st.dates(date(2026, 1, 1), date(2026, 1, 3))
WORDS = st.text(alphabet="abÄ'; %", max_size=4).map(str.strip)


@pytest.fixture
def quick(monkeypatch):
    """Work out once what an entry says of a photo."""
    real = store_module.observation_of

    @functools.cache
    def known(key):
        return real(*of[key])

    of = {}

    def stand_in(evidence, tables):
        of[evidence.sha256] = (evidence, tables)
        return dataclasses.replace(known(evidence.sha256), id=new_id())

    monkeypatch.setattr(store_module, "observation_of", stand_in)


class TwoWriters(RuleBasedStateMachine):
    """What two people do at once; ``opened`` holds what each of them has on the screen."""

    birds = Bundle("birds")
    entries = Bundle("entries")
    pairs = Bundle("pairs")

    @initialize()
    def open_both(self):
        self.stores, self.close = self.begin()
        self.kept = {}
        self.opened = [{}, {}]

    def teardown(self):
        if len(self.kept) % 5 == 4:
            self.a_backup_comes_back_whole()
        self.close()

    def a_backup_comes_back_whole(self):
        with tempfile.TemporaryDirectory(dir=FAST) as place:
            export_store(self.stores[0], Path(place, "all.zip"), with_place=True)
            with Store(Path(place, "other")) as other:
                import_store(other, Path(place, "all.zip"))
                assert everything(other) == everything(self.stores[0])

    def clash(self, bird):
        return bird.ring and not bird.withdrawn and any(
            other.ring and not other.withdrawn and other.id != bird.id
            and same_ring((bird.ring, bird.ring_year), (other.ring, other.ring_year))
            for other in self.of(Bird)
        )  # fmt: skip

    def of(self, kind):
        return [t for t in self.kept.values() if isinstance(t, kind)]

    def confirm(self, who, thing):
        self.kept[thing.id] = self.opened[who][thing.id] = thing
        return thing.id

    def save(self, who, thing):
        """Save what a writer has on the screen; whoever comes second sees both and chooses."""
        now = self.kept[thing.id]
        if thing.revision == now.revision:
            return self.confirm(who, self.stores[who].save(thing))
        with pytest.raises(ConflictError) as clash:
            self.stores[who].save(thing)
        assert (clash.value.here, clash.value.mine) == (now, thing)
        assert self.stores[1 - who].read(type(now), orm_id(now) == now.id) == [now]
        chosen = dataclasses.replace(thing, revision=clash.value.here.revision)
        if isinstance(chosen, Bird) and (self.clash(chosen) or self.circle(chosen)):
            with pytest.raises(FieldmarksError):
                self.stores[who].save(chosen)
            return chosen.id
        return self.confirm(who, self.stores[who].save(chosen))

    def circle(self, bird):
        above, line = bird.father, set()
        while above and above not in line:
            line.add(above)
            above = self.kept[above].father
        return bird.id in line

    @rule(target=birds, who=WHO, name=NAMES, ring=RINGS, year=YEARS)
    def add(self, who, name, ring, year):
        bird = a_bird(name, ring=ring, ring_year=year)
        if self.clash(bird):
            with pytest.raises(FieldmarksError, match="has this ring already"):
                self.stores[who].save(bird)
            return multiple()
        return self.confirm(who, self.stores[who].save(bird))

    @rule(target=birds, ring=RINGS, year=YEARS)
    def add_one_ring_at_the_same_moment(self, ring, year):
        twins = [a_bird("Twin", ring=ring, ring_year=year) for _ in self.stores]
        with ThreadPoolExecutor(2) as pool:
            jobs = [pool.submit(s.save, t) for s, t in zip(self.stores, twins, strict=True)]
        done = [(who, job.result()) for who, job in enumerate(jobs) if not job.exception()]
        assert len(done) == (0 if self.clash(twins[0]) else 1 if ring else 2)
        for _, bird in done:  # on both screens: who was first must not decide what comes later
            self.confirm(0, bird)
            self.confirm(1, bird)
        return multiple(*(bird.id for _, bird in done))

    @rule(who=WHO, key=birds)
    def open_bird(self, who, key):
        self.opened[who][key] = self.stores[who].bird(key)
        assert self.opened[who][key] == self.kept[key]

    @rule(who=WHO, key=birds, notes=WORDS)
    def change(self, who, key, notes):
        self.save(who, dataclasses.replace(self.opened[who].get(key, self.kept[key]), notes=notes))

    @rule(who=WHO, key=birds)
    def take_off(self, who, key):
        seen = dataclasses.replace(self.opened[who].get(key, self.kept[key]), withdrawn="mistake")
        self.save(who, seen)

    @rule(who=WHO, key=birds)
    def put_back(self, who, key):
        back = dataclasses.replace(self.kept[key], withdrawn="")
        if self.clash(back):
            with pytest.raises(FieldmarksError, match="has this ring already"):
                self.stores[who].save(back)
        else:
            self.save(who, back)

    @rule(who=WHO, child=birds, parent=birds)
    def set_father(self, who, child, parent):
        young = dataclasses.replace(self.kept[child], father=parent)
        if self.circle(young) or self.clash(young):
            with pytest.raises(FieldmarksError):
                self.stores[who].save(young)
        else:
            self.save(who, young)

    @rule(who=WHO, words=st.one_of(NAMES, st.sampled_from(["AB1", "ab 2"])))
    def ask_by_name_or_ring(self, who, words):
        fitting = [b for b in self.of(Bird) if not b.withdrawn
                   and words.lower() in (b.name.lower(), b.ring.lower())]  # fmt: skip
        if len(fitting) == 1:
            assert self.stores[who].find(words) == fitting[0]
            return
        with pytest.raises(FieldmarksError) as told:
            self.stores[who].find(words)
        for bird in fitting:
            assert f"{bird.id[:8]} is " in str(told.value)
            assert self.stores[who].find(bird.id[:8]) == bird

    @rule(
        target=entries, who=WHO, key=birds, day=DAYS, photos=st.sampled_from(["", "c", "o", "co"])
    )
    def keep_a_look(self, who, key, day, photos):
        evidence = [self.evidence[p] for p in photos]
        entry = self.stores[who].save_entry(an_entry(self.kept[key], day), evidence, self.tables)
        assert {self.stores[1 - who].photo(o) for o in entry.observations} == {
            e.photo for e in evidence
        }
        return self.confirm(who, entry)

    @rule(who=WHO, key=entries, note=WORDS, strike=st.booleans())
    def change_an_entry(self, who, key, note, strike):
        seen = self.opened[who].get(key, self.kept[key])
        self.save(who, dataclasses.replace(seen, note=note, withdrawn="mistake" * strike))

    @rule(target=pairs, who=WHO, one=birds, other=birds)
    def pair(self, who, one, other):
        pair = Pair(new_id(), one, other)
        if one == other:
            with pytest.raises(FieldmarksError, match="with itself"):
                self.stores[who].save(pair)
            return multiple()
        return self.confirm(who, self.stores[who].save(pair))

    @rule(who=WHO, key=consumes(pairs), young=birds)
    def add_young(self, who, key, young):
        seen = self.opened[who].get(key, self.kept[key])
        brood = (*seen.young, Young(f"Y{len(seen.young)}", bird=young))
        self.save(who, dataclasses.replace(seen, young=brood))

    @invariant()
    def both_hold_everything_that_was_confirmed_and_nothing_else(self):
        for store in getattr(self, "stores", ()):
            found = {t.id: t for things in everything(store) for t in things}
            assert found == self.kept

    @invariant()
    def labels_tell_all_birds_apart(self):
        if getattr(self, "stores", None):
            labels = bird_labels(self.of(Bird))
            assert len(set(labels.values())) == len(labels)

    @invariant()
    def the_list_says_what_the_entries_say(self):
        if not getattr(self, "stores", None):
            return
        table = orm.birds
        columns = [table.c[n] for n in ("id", *summary(a_bird(), [], usual_tables()))]
        with self.stores[0].engine.connect() as connection:
            rows = {r.id: r._mapping for r in connection.execute(select(*columns))}
        for bird in self.of(Bird):
            own = [e for e in self.of(Entry) if e.bird == bird.id and not e.withdrawn]
            own.sort(key=lambda e: (e.day, e.number))
            said = summary(bird, own, usual_tables())
            assert {n: rows[bird.id][n] for n in said} == said


def orm_id(thing):
    return {Bird: orm.birds, Entry: orm.entries, Pair: orm.pairs}[type(thing)].c.id


def run(begin, clean_shot, orange_shot, tables):
    members = {
        "begin": staticmethod(begin),
        "evidence": {"c": clean_shot, "o": orange_shot},
        "tables": tables,
    }
    machine = type("Writers", (TwoWriters,), members)
    run_state_machine_as_test(
        machine,
        settings=settings(
            max_examples=RUNS,
            stateful_step_count=20,
            deadline=None,
            phases=[Phase.explicit, Phase.reuse, Phase.generate],  # shrinking takes minutes
            suppress_health_check=list(HealthCheck),
        ),
    )


def test_two_writers_on_sqlite_lose_nothing_and_reach_no_other_bird(
    quick, tmp_path, clean_shot, orange_shot, tables
):
    Store(tmp_path / "empty").close()

    def begin():
        place = Path(tempfile.mkdtemp(dir=FAST))
        shutil.copytree(tmp_path / "empty", place / "store")
        stores = [Store(place / "store"), Store(place / "store")]

        def close():
            assert check_store(stores[0]) == []
            for store in stores:
                store.close()
            shutil.rmtree(place)

        return stores, close

    run(begin, clean_shot, orange_shot, tables)


def test_two_writers_on_postgresql_lose_nothing_and_reach_no_other_bird(
    quick, tmp_path, postgres, clean_shot, orange_shot, tables
):
    url = postgres("writers")
    stores = [Store(tmp_path / "club", url), Store(tmp_path / "club", url)]

    def begin():
        with stores[0].engine.begin() as connection:
            connection.exec_driver_sql("TRUNCATE birds, entries, pairs, observations CASCADE")
        return stores, lambda: None

    run(begin, clean_shot, orange_shot, tables)
    for store in stores:
        store.close()
