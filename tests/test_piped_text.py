"""Text in a pipe, a file or a narrow window keeps every name and every word."""

import io
from datetime import date

import pytest
from rich.console import Console

from fieldmarks.birds.collection import CollectionPage, CollectionRow
from fieldmarks.birds.model import Bird
from fieldmarks.cli.bird_looks import print_list
from fieldmarks.cli.text import print_record
from fieldmarks.judge.findings import Status
from fieldmarks.pipeline import demo_birds, demo_question, record_of_file
from fieldmarks.rules import load_rules


@pytest.fixture(scope="module")
def judged():
    tables = load_rules()
    photo = demo_birds()["personatus_orange_collar"]
    record, _ = record_of_file(photo, tables, demo_question(photo)[0])
    return record, tables


def printed(judged, width, window):
    out = io.StringIO()
    print_record(*judged, Console(file=out, width=width, force_terminal=window, color_system=None))
    return out.getvalue()


@pytest.mark.parametrize(("width", "window"), [(60, False), (120, False), (80, True)])
def test_no_mark_loses_its_name_and_nothing_is_cut(judged, width, window):
    record, tables = judged
    text = printed(judged, width, window)
    assert "…" not in text
    table = text.split("Marks against each species")[1]
    lines = [line.strip() for line in table.splitlines()]
    for reading in record.measurement.readings:
        name = tables.marks[reading.mark].name
        found = (f for s in record.assessment.sheets for f in s.findings if f.mark == reading.mark)
        if any(f.status is not Status.SAYS_NOTHING for f in found):
            assert any(line.startswith(name) for line in lines), name


def test_in_a_pipe_every_finding_stands_on_the_line_of_its_mark(judged):
    record, _ = judged
    lines = printed(judged, 60, False).split("Marks against each species")[1].splitlines()
    for mark in ("collar", "face"):  # their names are the same words
        line = next(x for x in lines if x.strip().startswith(f"{mark} "))
        for sheet in record.assessment.sheets:
            (found,) = [f for f in sheet.findings if f.mark == mark]
            assert found.status.value in line


def test_a_list_of_birds_with_long_names_is_not_cut_in_a_pipe():
    day = date(2026, 1, 1)
    name = "Kiki " * 8 + "the last"
    bird = Bird("i", name, "AB-24-0017 " * 4, species="personatus", hatched=day)
    row = CollectionRow(bird, day, "fits", 0, 0, None)
    out = io.StringIO()
    print_list(CollectionPage((row,), 1), day, Console(file=out, width=60))
    assert name in out.getvalue()
