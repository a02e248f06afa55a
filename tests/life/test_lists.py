"""A keeper's own list loses nothing without a word, and says no more of a bird than it did."""

import time
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
        assert [row.bird.name for row in rows] == ["Äda Žofie"]


def birds_of(data, tables, known=()):
    preview = preview_list(data if isinstance(data, bytes) else data.encode(), known, tables)
    assert preview.problems == ()
    return [bird for _, bird in preview.birds]


LIST = "name;ring;sex\nKiki;AB 1;hen\nŽofie;Ö 2;cock\n"


@pytest.mark.parametrize(
    "code", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"]
)
@pytest.mark.parametrize("first", ["", "sep=;\n", '"sep=;"\r\n'])
def test_a_list_is_read_in_every_code_that_spreadsheets_write(tables, code, first):
    text = (first + LIST).replace("Žofie", "Zofie" if code == "cp1252" else "Žofie")
    found = birds_of(text.encode(code), tables)
    assert [b.ring for b in found] == ["AB 1", "Ö 2"]
    assert [b.sex for b in found] == ["hen", "cock"]


def test_a_separator_that_the_first_line_names_is_taken(tables):
    (bird,) = birds_of("sep=|\nname|notes\nKiki|one; two, three\n", tables)
    assert (bird.name, bird.notes) == ("Kiki", "one; two, three")


@pytest.mark.parametrize(
    ("text", "row"),
    [
        ('name,ring,notes\nA,1,x\nB,2,"calm\nC,3,y\nD,4,z\n', 3),
        ('name,ring,notes\nA,1,x\nB,2,"calm\nC,3,y\nD,4,"loud"\n', 3),
        ('name,ring,notes\nA,1,x\nB,2,"calm\nC,3,y\nD,4,loud"\nE,5,\n', 3),
        ('name,ring,notes\n"A"x,1,\n', 2),
    ],
)
def test_a_quote_that_swallows_rows_is_refused_with_its_row(tables, text, row):
    with pytest.raises(FieldmarksError, match=f"row {row}: a quote"):
        preview_list(text.encode(), [], tables)


def test_a_cell_of_several_lines_is_no_swallowed_row(tables):
    (bird,) = birds_of(
        'name,ring,notes\nKiki,1,"calm, sings\nlikes ""apple"", and millet"\n', tables
    )
    assert bird.notes == 'calm, sings\nlikes "apple", and millet'


@pytest.mark.parametrize(
    ("days", "meant"),
    [
        (["04/30/2025", "05/04/2025"], [date(2025, 4, 30), date(2025, 5, 4)]),
        (["30/04/2025", "05/04/2025"], [date(2025, 4, 30), date(2025, 4, 5)]),
        (["30-4-2025", "5-4-2025"], [date(2025, 4, 30), date(2025, 4, 5)]),
        (["05.04.2025", "2025/4/30"], [date(2025, 4, 5), date(2025, 4, 30)]),
        (["04/04/2025", "2025-04-30 00:00:00"], [date(2025, 4, 4), date(2025, 4, 30)]),
    ],
)
def test_days_are_read_as_the_whole_list_writes_them(tables, days, meant):
    rows = "".join(f"B{n},{day}\n" for n, day in enumerate(days))
    assert [b.hatched for b in birds_of(f"name,hatched\n{rows}", tables)] == meant


@pytest.mark.parametrize(
    ("days", "rows"),
    [
        (["04/05/2025", "2025-04-30"], [2]),
        (["04/30/2025", "30/04/2025"], [2, 3]),
        (["31/04/2025", "13/04/2025"], [2]),
        (["5/4/25", "April 5"], [2, 3]),
        (["0001-01-01", "2999-01-01"], [2, 3]),
    ],
)
def test_a_day_that_may_be_two_or_none_is_a_problem_of_its_row(tables, days, rows):
    lines = "".join(f"B{n},{day}\n" for n, day in enumerate(days))
    preview = preview_list(f"name,hatched\n{lines}".encode(), [], tables)
    assert [(p.row, p.column) for p in preview.problems] == [(r, "hatched") for r in rows]
    assert all(p.mend for p in preview.problems)


@pytest.mark.parametrize(
    ("text", "sex"),
    [
        ("Name;Ringnummer;Geschlüpft;Geschlecht;Vater;Mutter\nKiki;A 1;2024-03-01;w;;\n", "hen"),
        ("Nom;Bague;Date de naissance;Sexe;Père;Mère\nKiki;A 1;2024-03-01;mâle;;\n", "cock"),
        ("NOMBRE;N.º;ANILLA;NACIMIENTO;SEXO\nKiki;7;A 1;2024-03-01;Hembra\n", "hen"),
        ("Naam;Ringnr;Geboortedatum;Geslacht\nKiki;A 1;2024-03-01;pop\n", "hen"),
        ("nome;anello;data di nascita;sesso\nKiki;A 1;2024-03-01;1,0\n", "cock"),
        ("Espece;Bague;Eclosion;Sexe\nFischer;A 1;2024-03-01;femelle\n", "hen"),
    ],
)
def test_headings_and_words_of_other_languages_are_read(tables, text, sex):
    (bird,) = birds_of(text, tables)
    assert (bird.ring, bird.hatched, bird.sex) == ("A 1", date(2024, 3, 1), sex)


def test_headings_nobody_knows_are_told_with_what_stands_there(tables):
    with pytest.raises(FieldmarksError, match=r"row 1: it names neither.*'lintu'.*'rengas'"):
        preview_list(b"lintu;rengas\nKiki;A 1\n", [], tables)


@pytest.mark.parametrize("data", [b"PK\x03\x04" + bytes(60), b"name\x00,ring\n", b"\xff\xfe\x00"])
def test_a_workbook_or_other_file_is_refused_in_one_line(tables, data):
    with pytest.raises(FieldmarksError, match="no text that can be read"):
        preview_list(data, [], tables)


def test_rings_that_differ_in_case_are_one_bird(store, tables):
    save_bird(store, a_bird("Pip", ring="ab-24  0017"))
    with pytest.raises(FieldmarksError, match="Pip has this ring already"):
        save_bird(store, a_bird("Other", ring="AB-24 0017"))
    text = "name,ring\nMo,AB-24 0017\nBo,xy 1\nZo,XY 1\n"
    preview = preview_list(text.encode(), store.birds(), tables)
    assert [(p.row, p.column) for p in preview.problems] == [(2, "ring"), (4, "ring")]
    ((_, child),) = preview_list(b"name,father\nKid,Ab-24 0017\n", store.birds(), tables).birds
    assert child.father == store.find("Pip").id


def test_parents_of_a_list_that_cannot_be_are_problems_of_its_row(tables):
    text = "name,sex,hatched,father,mother\nHen,hen,2024-01-01,,\nKid,,2023-01-01,Hen,Hen\n"
    preview = preview_list(text.encode(), [], tables)
    said = [str(p) for p in preview.problems]
    assert all(line.startswith("row 3, parents: ") for line in said)
    assert any("Hen is a hen, so it cannot be the father" in line for line in said)
    assert any("its father and its mother" in line for line in said)


@pytest.mark.parametrize("rows", [5_000])
def test_a_long_list_is_looked_through_quickly(tables, rows):
    """50,000 rows in 20 seconds with the import, on two shared cores; here a tenth is looked at."""
    lines = "".join(
        f"B{n},AB {n},2024-0{n % 9 + 1}-11,Fischer,{'cock' if n % 2 else 'hen'},"
        f"{f'AB {n // 50 * 2 + 1}' if n > 200 else ''}\n"
        for n in range(rows)
    )
    start = time.process_time()
    preview = preview_list(f"name,ring,hatched,species,sex,notes\n{lines}".encode(), [], tables)
    assert len(preview.birds) == rows
    assert time.process_time() - start < 2
