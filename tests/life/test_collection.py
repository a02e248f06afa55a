"""The whole collection: filters, CSV out, and a keeper's own list in."""

import csv
import io
from datetime import date

import pytest
from made_birds import a_bird, an_entry

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds.collection import Filter, bird_page, collection_csv, list_birds, overview
from fieldmarks.birds.due import summary
from fieldmarks.birds.invented import TODAY
from fieldmarks.birds.listfile import accept_list, preview_list
from fieldmarks.birds.observation import observation_of
from fieldmarks.birds.ring import check_ring, fits_pattern
from fieldmarks.birds.store import Store


def test_filters_find_the_same_birds_as_going_through_them_one_by_one(club):
    store, _ = club
    birds = store.birds()

    def names(**wanted):
        return {r.bird.name for r in list_birds(store, Filter(**wanted), TODAY, count=100).rows}

    here = {b.name for b in birds if b.status == "here"}
    assert names() == here
    assert names(with_gone=True) == {b.name for b in birds}
    assert names(species="fischeri") == {"Saffron", "Gusset"} | (
        {b.name for b in birds if b.species == "fischeri"} & here
    )
    assert names(variety="blue") == {"Velvet"}
    assert names(words="TH-23-2") == {b.name for b in birds if "TH-23-2" in b.ring} & here
    assert names(words="marma") == {"Marmalade"}
    assert names(words="%") == set()
    assert {"Marmalade", "Toffee"} <= names(show="signs seen")
    due = {
        b.name
        for b in birds
        if (entries := store.entries(b.id)) and entries[-1].stage == "young plumage"
        and b.name in here and (TODAY - b.hatched).days > 310
    }  # fmt: skip
    assert due <= names(show="due for a look")
    assert overview(store, TODAY)["all"] == len(here)


def test_no_invented_bird_is_taken_for_another_species(club):
    store, _ = club
    outcomes = {e.observations[0].outcome for b in store.birds() for e in store.entries(b.id)}
    assert outcomes
    assert "claim contradicted" not in outcomes


def test_pages_follow_each_other_without_gap_or_repeat(club):
    store, _ = club
    pages = [list_birds(store, Filter(), TODAY, start, 10) for start in (0, 10, 20, 30)]
    names = [r.bird.name for p in pages for r in p.rows]
    assert len(names) == len(set(names)) == pages[0].total
    assert names == sorted(names)


def test_a_birds_page_holds_entries_parents_young_and_pairs(club):
    store, made = club
    page = bird_page(store, made.birds["Marmalade"].id)
    assert page.entries == tuple(store.entries(page.bird.id))
    assert {b.name for b in page.young} >= {"Toffee", "Umber"}
    assert made.bred in page.pairs
    assert page.family[made.birds["Quill"].id].name == "Quill"


def test_csv_out_holds_every_bird_and_comes_back_in(club, tables, tmp_path):
    store, _ = club
    text = collection_csv(store, Filter(with_gone=True), TODAY)
    lines = list(csv.DictReader(io.StringIO(text)))
    assert len(lines) == 40
    preview = preview_list(text.encode(), [], tables)
    assert preview.problems == ()
    assert preview.unknown == ()
    with Store(tmp_path / "s") as other:
        assert accept_list(other, preview) == 40
        assert collection_csv(other, Filter(with_gone=True), TODAY).count("\r\n") == 41
        there = {b.name: b for b in other.birds()}
        for bird in store.birds():
            copy = there[bird.name]
            assert (copy.ring, copy.hatched, copy.sex, copy.species, copy.variety) == (
                bird.ring, bird.hatched, bird.sex, bird.species, bird.variety,
            )  # fmt: skip
            if bird.father:
                assert other.bird(copy.father).name == store.bird(bird.father).name


def test_a_cell_that_a_spreadsheet_would_run_is_disarmed(tmp_path):
    with Store(tmp_path / "s") as store:
        store.save(a_bird("=SUM(A1)"))
        assert "\r\n'=SUM(A1)," in collection_csv(store, Filter(), TODAY)


LIST = """Name;Ring number;Born;Species;Colour;Sex;Father;Weight
Pip;AB1;2024-04-30;personatus;green;m;;48
Pep;AB2;30.04.2024;Fischer's lovebird;;f;;
Pup;AB3;2025-13-01;budgie;purple;rooster;Nobody;
Pap;AB1;2025-05-01;personatus;green;m;Pip;
Pop;AB5;2025-05-01;Agapornis personatus;blue;;AB1;
"""


def test_every_problem_of_a_list_is_shown_by_row_and_nothing_is_imported(store, tables):
    preview = preview_list(LIST.encode("cp1252"), [], tables)
    found = {(p.row, p.column) for p in preview.problems}
    assert found >= {(4, "hatched"), (4, "species"), (4, "variety"), (4, "sex"), (5, "ring")}
    assert preview.unknown == ("weight",)
    assert all(p.mend for p in preview.problems)
    with pytest.raises(FieldmarksError, match="nothing was imported"):
        accept_list(store, preview)
    assert store.birds() == []


def test_an_accepted_list_is_imported_with_parents(store, tables):
    good = "\n".join(line for i, line in enumerate(LIST.split("\n")) if i not in (3, 4))
    preview = preview_list(good.encode(), [], tables)
    assert preview.problems == ()
    assert accept_list(store, preview) == 3
    pop, pip, pep = store.find("Pop"), store.find("AB1"), store.find("AB2")
    assert pop.father == pip.id
    assert (pip.sex, pep.sex, pop.sex) == ("cock", "hen", "unknown")
    assert pep.species == "fischeri"
    assert pep.hatched == date(2024, 4, 30)


def test_rows_with_problems_are_left_out_only_when_the_keeper_agrees(store, tables):
    preview = preview_list(LIST.encode(), [], tables)
    assert accept_list(store, preview, leave_out_bad=True) == len(preview.birds)
    assert {b.name for b in store.birds()} == {b.name for _, b in preview.birds}


def test_a_ring_that_is_already_in_the_store_is_a_problem(store, tables):
    store.save(a_bird("Pip", ring="AB1"))
    preview = preview_list(LIST.encode(), store.birds(), tables)
    assert (2, "ring") in {(p.row, p.column) for p in preview.problems}


def test_parents_that_come_after_their_young_and_circles_are_handled(store, tables):
    later = "name,father\nChild,Dad\nDad,\n"
    accept_list(store, preview_list(later.encode(), [], tables))
    assert store.bird(store.find("Child").father).name == "Dad"
    circle = "name,father\nA1,B1\nB1,A1\n"
    with pytest.raises(FieldmarksError, match="circle"):
        accept_list(store, preview_list(circle.encode(), [], tables))
    assert {b.name for b in store.birds()} == {"Child", "Dad"}


@pytest.mark.parametrize("text", ["", "weight,height\n1,2\n", '"', "\x00"])
def test_a_file_that_is_no_list_is_refused_in_one_line(tables, text):
    with pytest.raises(FieldmarksError):
        preview_list(text.encode(), [], tables)


@pytest.mark.parametrize(
    ("ring", "pattern", "fits"),
    [
        ("AB-24-0017", "AA-99-9999", True),
        ("AB-24-017", "AA-99-9999", False),
        ("ab-24-0017", "AA-99-9999", False),
        ("anything at all", "", True),
        ("X.1", "A.9", True),
        ("XY1", "A.9", False),
    ],
)
def test_rings_are_checked_only_against_the_keepers_own_pattern(ring, pattern, fits):
    assert fits_pattern(ring, pattern) is fits
    if fits:
        check_ring(ring, pattern)
    else:
        with pytest.raises(FieldmarksError, match="shape"):
            check_ring(ring, pattern)


def test_rows_of_a_list_are_checked_by_the_pattern(tables):
    preview = preview_list(b"name,ring\nPip,XY7\nPep,XY\n", [], tables, "AA9")
    assert {(p.row, p.column) for p in preview.problems} == {(3, "ring")}


def test_a_sign_seen_earlier_is_not_hidden_by_a_later_photo(tables, orange_shot, clean_shot):
    bird = a_bird(hatched=date(2023, 1, 1))
    first = an_entry(bird, date(2026, 3, 1), observations=(observation_of(orange_shot, tables),))
    later = an_entry(bird, date(2026, 3, 9), observations=(observation_of(clean_shot, tables),))
    assert summary(bird, [first], tables)["signs_seen"] > 0
    after = summary(bird, [first, later], tables)
    assert after["signs_seen"] + after["doubts"] > 0
    assert summary(bird, [later], tables)["signs_seen"] == 0
