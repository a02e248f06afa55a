"""A keeper's own list loses nothing without a word, and says no more of a bird than it did."""

from datetime import date

import pytest
from made_birds import a_bird

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds.collection import Filter, list_birds
from fieldmarks.birds.listfile import accept_list, preview_list
from fieldmarks.birds.service import save_bird


def test_two_columns_that_mean_one_thing_do_not_empty_each_other(tables):
    text = "name;source;breeder;hatched;born\nKiki;Shop A, bill 17;;2024-03-01;\n"
    preview = preview_list(text.encode(), [], tables)
    assert preview.problems == ()
    ((_, bird),) = preview.birds
    assert (bird.source, bird.hatched) == ("Shop A, bill 17", date(2024, 3, 1))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("name;source;breeder\nKiki;A;B\n", "'B' beside 'A': both mean one thing"),
        ("name;notes\nKiki;a;b;c\n", "4 cells, but 2 columns have a name"),
    ],
)
def test_what_a_list_would_lose_is_a_problem_of_its_row(tables, text, said):
    preview = preview_list(text.encode(), [], tables)
    assert preview.birds == ()
    assert [p.row for p in preview.problems] == [2]
    assert said in str(preview.problems[0])


def test_empty_cells_beyond_the_heading_are_no_problem(tables):
    preview = preview_list(b"name;notes;;\nKiki;sings;;;\n", [], tables)
    assert preview.problems == ()
    assert len(preview.birds) == 1


def test_the_same_list_twice_does_not_double_birds_without_a_ring(store, tables):
    text = b"name,hatched\nKiki,2024-03-01\nMo,\n"
    accept_list(store, preview_list(text, [], tables))
    again = preview_list(text, store.birds(), tables)
    assert again.birds == ()
    assert all("already in the store" in str(p) for p in again.problems)


def test_a_ring_is_not_called_closed_where_nobody_said_so(store, tables):
    """A closed ring is a claim that the bird was bred by hand."""
    ((_, listed),) = preview_list(b"name,ring\nKiki,AB 1\n", [], tables).birds
    assert listed.ring_kind == "not known"
    assert save_bird(store, a_bird(ring="AB 2", ring_kind="none")).ring_kind == "not known"
    assert save_bird(store, a_bird(ring="AB 3", ring_kind="closed")).ring_kind == "closed"


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"name": "  "}, "no name"),
        ({"hatched": date(2999, 1, 1)}, "yet to come"),
        ({"ring": "AB 1"}, "Pip has this ring already"),
        ({"ring": "AB 1", "ring_year": 2024}, "Pip has this ring already"),
    ],
)
def test_what_cannot_be_of_a_bird_is_refused_wherever_it_is_typed(store, wrong, said):
    first = save_bird(store, a_bird(ring="AB 1"))
    with pytest.raises(FieldmarksError, match=said):
        save_bird(store, a_bird(**{"name": "Other"} | wrong))
    assert save_bird(store, first).ring == "AB 1", "it may be saved again itself"


def test_one_number_on_rings_of_two_years_is_allowed(store):
    save_bird(store, a_bird(ring="12", ring_year=2023))
    assert save_bird(store, a_bird("Other", ring="12", ring_year=2024)).ring == "12"


def test_a_bird_is_found_by_any_letter_of_any_alphabet(store):
    bird = store.save(a_bird("Äda Žofie", ring="Ö-12"))
    for words in ("Äda Žofie", "äda žofie", "ÄDA ŽOFIE", "ö-12", "Ö-12"):
        assert store.find(words) == bird
    for words in ("äda", "ŽOF", "Ö-1"):
        rows = list_birds(store, Filter(words=words), date(2026, 1, 1)).rows
        assert [row.name for row in rows] == ["Äda Žofie"]
