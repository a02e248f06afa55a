"""A club's people: each role against each thing that can be asked of a store."""

import copy
import dataclasses
import re
import shutil
from datetime import date
from pathlib import Path

import pytest
from made_birds import a_bird, an_entry, stored
from sqlalchemy import exists, func, literal_column, select, text, update

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds import orm
from fieldmarks.birds.collection import Filter, bird_page, collection_csv, list_birds, overview
from fieldmarks.birds.exchange import everything, export_store, import_store
from fieldmarks.birds.links import links_of, make_link, opened_by, withdraw_link
from fieldmarks.birds.model import Pair, new_id
from fieldmarks.birds.people import hand_over, let_in, people, put_out, who_is
from fieldmarks.birds.store import Store

TODAY = date(2026, 3, 1)
ROLES = ("keeper", "reader", "steward")
PAGE = Path(__file__).parents[2] / "docs" / "club.md"


class Club:
    """Two keepers, a reader and a steward; Ada and Ben have a bird with a look each."""

    def __init__(self, store, tables, shot):
        self.store = store
        with store.writing() as work:
            self.steward, self.ada, self.ben, self.reader = (
                let_in(work.connection, f"{name}@club.example", role)
                for name, role in (
                    ("steward", "steward"), ("ada", "keeper"), ("ben", "keeper"),
                    ("reader", "reader"),
                )
            )  # fmt: skip
        self.adas, self.bens = store.seen_by(self.ada), store.seen_by(self.ben)
        self.hers = self.adas.save(a_bird("Hers", ring="A1", notes="mine alone"))
        self.his = self.bens.save(a_bird("His", ring="B1", notes="mine alone"))
        self.her_mate = self.adas.save(a_bird("Her mate"))
        self.her_look = self.adas.save_entry(an_entry(self.hers), [shot], tables)
        self.his_look = self.bens.save_entry(an_entry(self.his), [shot], tables)
        self.his_word = make_link(self.bens, self.his)

    def copied(self, store):
        """The same club in a copy of its store."""
        own = copy.copy(self)
        own.store, own.adas, own.bens = store, store.seen_by(self.ada), store.seen_by(self.ben)
        return own

    def as_(self, role):
        return self.store.seen_by({"keeper": self.ada}.get(role) or getattr(self, role))


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def read_only_club(request, tmp_path_factory, tables, clean_shot):
    """A club that no test changes, on both databases."""
    url = request.getfixturevalue("postgres")("people") if request.param != "sqlite" else None
    with Store(tmp_path_factory.mktemp("people") / "store", url) as store:
        yield Club(store, tables, clean_shot)


@pytest.fixture(scope="module")
def first_members(tmp_path_factory, tables, clean_shot):
    with Store(tmp_path_factory.mktemp("first") / "store") as store:
        club = Club(store, tables, clean_shot)
    return club


@pytest.fixture
def members(tmp_path, first_members):
    shutil.copytree(first_members.store.folder, tmp_path / "store")
    with Store(tmp_path / "store") as store:
        yield first_members.copied(store)


def names(birds):
    return {b.name for b in birds}


def exported(club, store, place):
    target = place / "out.zip"
    export_store(store, target)
    with Store(place / "again") as again:
        import_store(again, target)
        return names(again.birds())


def overwrite(club, store, place, tables):
    """Bring in a file in which another's bird has been changed."""
    target = place / "his.zip"
    export_store(club.bens, target)
    with Store(place / "elsewhere") as other:
        import_store(other, target)
        other.save(dataclasses.replace(other.birds()[0], notes="changed"))
        export_store(other, place / "changed.zip")
    import_store(store, place / "changed.zip", "theirs")


def renamed(store, bird):
    return store.save(dataclasses.replace(store.bird(bird.id), notes="changed"))


def written(store, change):
    with store.writing() as work:
        return change(work.connection)


ALL, HERS = {"Hers", "His", "Her mate"}, {"Hers", "Her mate"}
# What is asked -> (how, what a keeper, a reader and the steward get; None: it is refused).
SEEN = {
    "list of birds": (
        lambda c, s, p: names(r.bird for r in list_birds(s, Filter(), TODAY).rows),
        HERS, ALL, ALL),
    "counts over the list": (lambda c, s, p: overview(s, TODAY)["all"], 2, 3, 3),
    "list as CSV": (
        lambda c, s, p: {n for n in ALL if f"\n{n}," in collection_csv(s, Filter(), TODAY)},
        HERS, ALL, ALL),
    "packed file with everything": (exported, HERS, ALL, ALL),
    "own bird's page": (lambda c, s, p: len(bird_page(s, c.hers.id).entries), 1, 1, 1),
    "another's bird's page": (lambda c, s, p: len(bird_page(s, c.his.id).entries), None, 1, 1),
    "another's bird by its ring": (lambda c, s, p: s.find("B1").name, None, "His", "His"),
    "another's looks": (lambda c, s, p: len(s.entries(c.his.id)), 0, 1, 1),
    "another's record": (
        lambda c, s, p: s.record(c.his_look.observations[0]).measurement.photo,
        None, "bird.png", "bird.png"),
    "another's links": (lambda c, s, p: len(links_of(s, c.his)), 0, 1, 1),
    "people of the club": (lambda c, s, p: len(written(s, people)), 1, None, 4),
}  # fmt: skip
DONE = {
    "change an own bird": (lambda c, s, p, t: renamed(s, c.hers), True, False, True),
    "change another's bird": (lambda c, s, p, t: renamed(s, c.his), False, False, True),
    "save over another's bird by its id": (
        lambda c, s, p, t: s.save(dataclasses.replace(c.his, revision=0)), False, False, False),
    "take another's bird off the list": (
        lambda c, s, p, t: s.withdraw(c.his, "gone"), False, False, True),
    "add a bird": (lambda c, s, p, t: s.save(a_bird("New")), True, False, True),
    "add a look to another's bird": (
        lambda c, s, p, t: s.save(an_entry(c.his)), False, False, True),
    "withdraw another's look": (
        lambda c, s, p, t: s.withdraw(c.his_look, "wrong"), False, False, True),
    "pair two own birds": (
        lambda c, s, p, t: s.save(Pair(new_id(), c.hers.id, c.her_mate.id)), True, False, True),
    "pair with another's bird": (
        lambda c, s, p, t: s.save(Pair(new_id(), c.hers.id, c.his.id)), False, False, False),
    "make another's bird a parent": (
        lambda c, s, p, t: s.save(dataclasses.replace(c.hers, father=c.his.id)),
        False, False, False),
    "bring in a file that changes another's bird": (
        lambda c, s, p, t: overwrite(c, s, p, t), False, False, True),
    "link to an own bird": (lambda c, s, p, t: make_link(s, c.hers), True, False, True),
    "link to another's bird": (lambda c, s, p, t: make_link(s, c.his), False, False, True),
    "shape of the club's ring numbers": (
        lambda c, s, p, t: s.set_setting("ring_pattern", "[AB]1"), False, False, True),
    "let somebody in": (
        lambda c, s, p, t: written(s, lambda w: let_in(w, "new@club.example", "reader")),
        False, False, True),
    "become the steward": (
        lambda c, s, p, t: written(s, lambda w: let_in(w, s.person.email, "steward")),
        False, False, True),
    "hand a bird over": (
        lambda c, s, p, t: written(s, lambda w: hand_over(w, [c.his.id], c.ada)),
        False, False, True),
}  # fmt: skip


@pytest.mark.parametrize("role", ROLES)
@pytest.mark.parametrize("asked", SEEN)
def test_each_role_sees_what_the_table_says(read_only_club, tmp_path, role, asked):
    how, *expected = SEEN[asked]
    members = read_only_club
    wanted, seen = expected[ROLES.index(role)], members.as_(role)
    if wanted is None:
        with pytest.raises(FieldmarksError):
            how(members, seen, tmp_path)
    else:
        assert how(members, seen, tmp_path) == wanted


@pytest.mark.parametrize("role", ROLES)
@pytest.mark.parametrize("done", DONE)
def test_each_role_changes_what_the_table_says_and_nothing_else(
    members, tmp_path, tables, role, done
):
    how, *expected = DONE[done]
    seen, before = members.as_(role), everything_of(members.store)
    if expected[ROLES.index(role)]:
        how(members, seen, tmp_path, tables)
        assert everything_of(members.store) != before or done == "become the steward"
        return
    try:
        how(members, seen, tmp_path, tables)
    except FieldmarksError:
        pass
    else:
        assert done == "hand a bird over", "nothing said that it was refused"
    assert everything_of(members.store) == before


def everything_of(store):
    kept = everything(store), stored(store), owners(store), written(store, people)
    return kept, links(store), store.setting("ring_pattern")


def owners(store):
    with store.engine.connect() as connection:
        return dict(connection.execute(select(orm.birds.c.id, orm.birds.c.owner)).all())


def links(store):
    with store.engine.connect() as connection:
        return len(connection.execute(select(orm.links.c.id)).all())


def test_the_stewards_page_says_who_may_what_as_it_is_tested():
    rows = re.findall(r"^\| (.+?) \| (.+?) \| (.+?) \| (.+?) \|$", PAGE.read_text("utf-8"), re.M)
    told = {name: answers for name, *answers in rows}
    for asked, (_, *expected) in SEEN.items():
        for given, wanted in zip(told[asked], expected, strict=True):
            assert (given == "no") == (wanted in (None, 0)), asked
    for done, (_, *expected) in DONE.items():
        assert told[done] == ["yes" if may else "no" for may in expected], done


def test_what_cannot_be_narrowed_is_refused(read_only_club):
    with read_only_club.adas.engine.connect() as connection:
        for statement in (
            text("SELECT * FROM birds"),
            select(orm.birds.c.id).union(select(orm.birds.c.id)),
            select(literal_column("(SELECT name FROM birds)")),
            select(orm.people.c.id, text("(SELECT name FROM birds)")),
            select(text("name")).select_from(text("birds")),
            select(text("SELECT name FROM birds").columns(orm.birds.c.name).subquery()),
            select(func.json_each("[]").table_valued("value")),
        ):
            with pytest.raises(TypeError, match="cannot be narrowed"):
                connection.execute(statement)


def his_name(club):
    """Ways to ask for names of birds from inside another question."""
    b, e, other = orm.birds, orm.entries, orm.birds.alias("other")
    his = select(b.c.id).where(b.c.name == "His")
    inner = select(b.c.name).subquery()
    named = select(b.c.name).cte("named")
    mine = orm.people.c.id == club.ada.id
    return {
        "in a condition": select(orm.people.c.email).where(mine, exists(his)),
        "of another's looks": select(b.c.name).where(
            exists(select(e.c.id).where(e.c.bird == club.his.id))),
        "as a column": select(select(b.c.name).where(b.c.id == club.his.id).scalar_subquery()),
        "as what is asked": select(inner),
        "two deep": select(select(inner).subquery()),
        "with a name for it": select(named),
        "a table by another name": select(other.c.name),
        "a join": select(b.c.name).select_from(b.join(e, e.c.bird == b.c.id)),
        "an outer join": select(other.c.name).select_from(
            b.outerjoin(other, other.c.name == "His")),
        "counted": select(func.count()).select_from(his.subquery()),
        "in the order": select(b.c.name).order_by(exists(his).desc()),
    }  # fmt: skip


WAYS = (
    "in a condition", "of another's looks", "as a column", "as what is asked", "two deep",
    "with a name for it", "a table by another name", "a join", "an outer join", "counted",
    "in the order",
)  # fmt: skip


@pytest.mark.parametrize("way", WAYS)
def test_a_question_inside_another_shows_no_more_than_one_alone(read_only_club, way):
    statement = his_name(read_only_club)[way]
    for store, sees in ((read_only_club.adas, False), (read_only_club.store, True)):
        with store.engine.connect() as connection:
            found = connection.execute(statement).all()
        told = {value for row in found for value in row}
        if way == "counted":
            assert told == {int(sees)}
        elif way in ("in a condition", "of another's looks"):
            assert bool(found) is sees
        elif way == "in the order":
            assert told == (ALL if sees else HERS)
        else:
            assert ("His" in told) is sees


def test_a_change_cannot_be_made_to_tell_of_anothers_bird(members):
    """Whether a change took place would say what is in a row that nobody may see."""
    b = orm.birds
    his = select(b.c.id).where(b.c.name == "His")
    for store, touched in ((members.adas, 0), (members.store, 1)):
        with store.writing() as work:
            change = update(b).where(b.c.id == members.hers.id, exists(his)).values(look_due=None)
            assert work.connection.execute(change).rowcount == touched


def test_a_look_in_a_file_cannot_take_the_place_of_anothers_record(members, tmp_path):
    """The id of another's look in a file of one's own must not replace that look's record."""
    target = tmp_path / "mine.zip"
    with Store(tmp_path / "forged") as forged:
        export_store(members.bens, target)
        import_store(forged, target)
        (his,) = forged.birds()
        forged.save(dataclasses.replace(his, ring="C1"))
        with forged.engine.begin() as connection:
            for table, old in ((orm.birds, his.id), (orm.entries, members.his_look.id)):
                new = new_id()
                for t in (orm.birds, orm.entries):
                    for key, data in connection.execute(select(t.c.id, t.c.data)).all():
                        change = t.update().where(t.c.id == key)
                        connection.execute(change.values(data=data.replace(old, new)))
                if table is orm.birds:
                    connection.exec_driver_sql("PRAGMA defer_foreign_keys = ON")
                    link = orm.entries.update().values(bird=new)
                    connection.execute(link)
                else:
                    connection.exec_driver_sql("PRAGMA defer_foreign_keys = ON")
                    connection.execute(orm.observations.update().values(entry=new))
                connection.execute(table.update().where(table.c.id == old).values(id=new))
        export_store(forged, target)
    before = stored(members.store)
    with pytest.raises(FieldmarksError):
        import_store(members.adas, target)
    assert stored(members.store) == before


def test_a_club_without_people_is_one_keepers_store(tmp_path):
    with Store(tmp_path / "store") as store:
        bird = store.save(a_bird())
        assert store.bird(bird.id) == bird
        assert owners(store) == {bird.id: None}


CLAIMS = {"iss": "https://id.example", "sub": "7", "email": "Ada@club.example",
          "email_verified": True}  # fmt: skip


def test_who_signs_in_first_with_a_checked_address_is_that_person_from_then_on(members):
    ada = written(members.store, lambda c: who_is(c, CLAIMS))
    assert (ada.id, ada.role) == (members.ada.id, "keeper")
    moved = CLAIMS | {"email": "other@club.example"}
    assert written(members.store, lambda c: who_is(c, moved)).id == ada.id
    with pytest.raises(FieldmarksError, match="has not let you in"):  # the address has a new owner
        written(members.store, lambda c: who_is(c, CLAIMS | {"sub": "8"}))


@pytest.mark.parametrize(
    "changed",
    [
        {"email_verified": False}, {"email_verified": "true"}, {"email_verified": None},
        {"email": "stranger@club.example"}, {"email": ""},
    ],
)  # fmt: skip
def test_nobody_else_gets_in(members, changed):
    with pytest.raises(FieldmarksError, match="has not let you in"):
        written(members.store, lambda c: who_is(c, CLAIMS | changed))


def test_a_club_always_has_a_steward_and_nobody_goes_with_birds_left(members):
    with pytest.raises(FieldmarksError, match="needs a steward"):
        written(members.store, lambda c: put_out(c, members.steward))
    with pytest.raises(FieldmarksError, match="needs a steward"):
        written(members.store, lambda c: let_in(c, members.steward.email, "reader"))
    with pytest.raises(FieldmarksError, match="2 birds are theirs"):
        written(members.store, lambda c: put_out(c, members.ada))
    written(members.store, lambda c: put_out(c, members.reader))
    assert len(written(members.store, people)) == 3


def test_birds_go_to_another_keeper_only_with_their_family(members):
    young = members.adas.save(a_bird("Young", father=members.hers.id))
    with pytest.raises(FieldmarksError, match="not all have one owner"):
        written(members.store, lambda c: hand_over(c, [young.id], members.ben))
    assert names(members.bens.birds()) == {"His"}
    both = [members.hers.id, young.id]
    written(members.store, lambda c: hand_over(c, both, members.ben))
    assert names(members.bens.birds()) == {"His", "Hers", "Young"}
    assert len(members.bens.entries(members.hers.id)) == 1
    assert names(members.adas.birds()) == {"Her mate"}


def test_a_link_opens_the_bird_until_it_is_withdrawn(members):
    bird, entries, as_dossier = opened_by(members.store, members.his_word)
    assert (bird.name, len(entries), as_dossier) == ("His", 1, False)
    (link,) = links_of(members.bens, members.his)
    withdraw_link(members.adas, link.id)  # not hers
    assert opened_by(members.store, members.his_word)
    withdraw_link(members.bens, link.id)
    for word in (members.his_word, "", "x" * 43, "../birds", link.id):
        with pytest.raises(FieldmarksError, match="no such link"):
            opened_by(members.store, word)


def test_the_store_holds_no_word_of_a_link(members):
    with members.store.engine.connect() as connection:
        (row,) = connection.execute(select(orm.links)).all()
    assert members.his_word not in str(row)
    assert len(row.secret) == 64


def test_a_link_to_a_dossier_opens_its_looks_alone(members):
    again = members.bens.save(an_entry(members.his, date(2026, 4, 1)))
    word = make_link(members.bens, members.his, [again, members.her_look])
    _, entries, as_dossier = opened_by(members.store, word)
    assert ([e.id for e in entries], as_dossier) == ([again.id], True)
    members.bens.withdraw(again, "wrong bird")
    with pytest.raises(FieldmarksError, match="no such link"):
        opened_by(members.store, word)
