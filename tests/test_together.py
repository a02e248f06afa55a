"""Several photos of one bird on one day: one verdict.

Readings are made up and birds painted: they prove that the program adds photos up as it says, not
what feathers look like.
"""

import functools
import json
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_up import assess, lab, reading, relation
from test_assessment import CLEAN, TABLES
from test_command_line import run
from test_record import save_bird
from together import LIGHTS, SIDES, Bird, verdict_of

import fieldmarks as fm
from fieldmarks._util.errors import FieldmarksError
from fieldmarks.judge.assess import assess_photos
from fieldmarks.judge.evidence import repeated
from fieldmarks.judge.findings import Status
from fieldmarks.judge.rendering import lab_to_linear, render
from fieldmarks.judge.signs import SignStatus
from fieldmarks.judge.together import PhotoReadings, Question
from fieldmarks.pipeline import demo_birds, demo_question, examine, record_of_file
from fieldmarks.record import record_schema, record_to_json

# Exposure, red and blue cast, contrast, saturation and veil of three photos.
RENDERED = {
    "a.jpg": (0.08, 0.04, -0.05, 0.03, 0.05, -0.5),
    "b.jpg": (-0.1, -0.05, 0.06, 0.1, -0.05, -1.0),
    "c.jpg": (0.05, 0.0, 0.05, 0.15, 0.1, -1.2),
}
BAD = {
    "warm cast": (0.05, 0.35, -0.5, 0.1, 0.0, -1.0),
    "card too dark": (0.9, 0.1, 0.1, 0.1, 0.0, -1.0),
    "card too light": (-0.9, -0.1, 0.1, 0.1, 0.0, -1.0),
}


def photo(name, marks, terms=None, relations=(), **how):
    """Readings of a photo that shows some marks under its own rendering."""
    terms = np.array(RENDERED[name] if terms is None else terms)
    shown = {mark: render(lab_to_linear(lab(colour)), terms)[0] for mark, colour in marks.items()}
    read = (reading(m, tuple(np.clip(c, [0, -99, -99], [99, 99, 99])), **how)
            for m, c in shown.items())  # fmt: skip
    return PhotoReadings(tuple(read), tuple(relations), name, name)


def together(*photos, **asked):
    return assess_photos(photos, TABLES, Question(**asked))


def finding(result, species, mark):
    return next(f for f in result.sheet(species).findings if f.mark == mark)


def sign(result, key):
    return next(s for sheet in result.sheets for s in sheet.signs if s.key == key)


@pytest.mark.parametrize("species", CLEAN)
def test_three_sides_that_each_lack_marks_give_the_verdict_of_the_whole_bird(species):
    marks = list(CLEAN[species].items())
    whole = together(photo("a.jpg", dict(marks)))
    sides = [photo(name, dict(marks[i::3])) for i, name in enumerate(RENDERED)]
    assert verdict_of(together(*sides)) == verdict_of(whole)
    assert any(verdict_of(together(side)) != verdict_of(whole) for side in sides)


@pytest.mark.parametrize("bad", [*BAD, "one wrong outline"])
@pytest.mark.parametrize("species", ["personatus", "nigrigenis", "roseicollis"])
def test_one_bad_photo_of_three_does_not_turn_the_verdict(species, bad):
    marks = CLEAN[species]
    good = [photo(name, marks) for name in ("a.jpg", "b.jpg")]
    if bad in BAD:
        spoilt = photo("c.jpg", marks, BAD[bad])
    else:
        spoilt = photo("c.jpg", {**marks, "face": marks["back"], "rump": marks["face"]})
    wanted = verdict_of(together(good[0]))
    assert wanted == ("one species left", (species,))
    assert verdict_of(together(*good, spoilt)) == wanted
    for other in {"fischeri", "personatus"} - {species}:
        result = together(*good, spoilt, claimed=other)
        assert verdict_of(result) == ("claim contradicted", (species,))


@pytest.mark.parametrize("species", ["personatus", "nigrigenis", "lilianae", "roseicollis"])
def test_a_bad_photo_by_itself_would_have_turned_it(species):
    marks = CLEAN[species]
    spoilt = photo("c.jpg", {**marks, "face": marks["back"], "rump": marks["face"]})
    assert verdict_of(together(spoilt)) != ("one species left", (species,))


@pytest.mark.parametrize("bad", ["card too dark", "card too light"])
@pytest.mark.parametrize("species", ["personatus", "nigrigenis", "lilianae", "roseicollis"])
def test_a_photo_with_a_wrong_card_says_so_and_keeps_the_verdict(species, bad):
    result = together(photo("c.jpg", CLEAN[species], BAD[bad]))
    assert verdict_of(result) == ("one species left", (species,))
    assert "the card was not believed" in result.conclusion.sentence


MIXED_UP = [
    photo("a.jpg", {"face": "jet black", "collar": "bright yellow", "rump": "grey"}),
    photo("b.jpg", {"face": "orange", "iris": "dark eye"}, relations=[relation("ring", 0.2)]),
    photo("c.jpg", {"collar": "orange", "back": "green"}, calibrated=False),
]


@settings(max_examples=8, deadline=None)
@given(st.permutations([*MIXED_UP, MIXED_UP[0]]))
def test_the_order_of_the_photos_never_matters(photos):
    mixed = [replace(p, readings=p.readings[::-1]) for p in photos if p is not MIXED_UP[0]]
    mixed += [p for p in photos if p is MIXED_UP[0]]
    assert together(*mixed) == as_given()


@functools.cache
def as_given():
    return together(*MIXED_UP)


def test_the_same_photo_given_twice_makes_nothing_surer():
    one = photo("a.jpg", CLEAN["fischeri"])
    copy = replace(one, photo="copy of a.jpg")
    assert together(one, copy, one) == together(one)
    other = replace(copy, readings=copy.readings[1:])
    with pytest.raises(FieldmarksError, match=r"copy of a\.jpg.*same photo as a\.jpg.*one region"):
        together(one, other)
    with pytest.raises(FieldmarksError, match="no photo"):
        together()


def test_twenty_photos_of_a_mark_count_for_less_than_two():
    """The bird is the same on all: the design effect of alike readings (Kish 1965)."""
    counts = [n * repeated(n) for n in range(1, 21)]
    assert counts[0] == 1
    assert counts == sorted(counts)
    assert counts[-1] < 2

    def odds(count):
        many = [replace(photo("a.jpg", {"collar": "bright yellow"}), photo=f"{n}", sha256=f"{n}")
                for n in range(count)]  # fmt: skip
        rows = {s.species: s.behind for s in together(*many).conclusion.standing}
        return math.log(rows["roseicollis",] / rows["personatus",])

    one, two, twenty = odds(1), odds(2), odds(20)
    assert 0 < one < two < twenty < 2 * one


def test_a_mark_that_fits_on_one_photo_and_not_on_another_is_said():
    plain, odd = {"collar": "bright yellow", "face": "jet black"}, {"collar": "salmon red"}
    result = together(photo("a.jpg", plain), photo("b.jpg", odd), claimed="personatus")
    (said,) = [d for d in result.disagreements if (d.species, d.mark) == ("personatus", "collar")]
    statuses = dict(said.photos)
    assert statuses["a.jpg"] in (Status.FITS, Status.PROBABLY_FITS)
    assert statuses["b.jpg"] == Status.DOES_NOT_FIT
    assert "a.jpg" in said.sentence
    assert "b.jpg" in said.sentence
    assert not together(photo("a.jpg", plain), photo("b.jpg", plain)).disagreements
    assert not assess([reading("collar", "orange")], [], TABLES).disagreements


def test_most_photos_say_whether_a_sign_is_there():
    body = {k: v for k, v in CLEAN["personatus"].items() if k not in ("collar", "bib")}
    plain, orange = ({**body, "collar": c} for c in ("bright yellow", "orange"))

    def status(*collars):
        shown = [photo(name, marks) for name, marks in zip(RENDERED, collars, strict=True)]
        result = together(*shown, claimed="personatus")
        key = next(s.key for s in result.signs if "orange in the collar" in s.text.lower())
        return sign(result, key).status

    assert status(plain, plain, plain) is SignStatus.NOT_SEEN
    assert status(orange, plain, plain) is SignStatus.DOUBTFUL
    assert status(orange, orange, plain) is SignStatus.SEEN


def test_a_mark_with_too_few_pixels_on_one_photo_is_read_on_the_other():
    good, far = (photo(name, {"collar": "bright yellow"}) for name in ("a.jpg", "b.jpg"))
    few = replace(far.readings[0].pixels, total=9, used=9)
    far = replace(far, readings=(replace(far.readings[0], pixels=few),))
    both = finding(together(good, far), "personatus", "collar")
    assert both == finding(together(good), "personatus", "collar")
    assert "come closer" in finding(together(far), "personatus", "collar").reason


def test_cards_on_some_photos_are_not_called_no_card():
    marks = CLEAN["personatus"]
    some = together(photo("a.jpg", marks), photo("b.jpg", marks, calibrated=False))
    assert "Not every photo has a grey card" in some.conclusion.sentence
    none = together(photo("b.jpg", marks, calibrated=False))
    assert "No grey card is in the photo" in none.conclusion.sentence


# --- from the photo on ---


def test_one_photo_is_the_case_of_one():
    for name in ("fischeri_no_card", "personatus_card_in_shadow", "personatus_orange_collar"):
        path = demo_birds()[name]
        record, _ = record_of_file(path, TABLES, demo_question(path)[0])
        asked = record.question
        measured = record.measurement
        alone = assess(measured.readings, measured.relations, TABLES, claimed=asked.claimed)
        assert examine([record, record], TABLES).assessment == record.assessment == alone


def test_a_painted_bird_from_three_sides_shows_the_sign_of_the_whole_bird():
    bird = Bird("nigrigenis_blue_rump")
    whole = bird.verdict([bird.photograph("front")])
    sides = {side: bird.photograph(side, marks) for side, marks in SIDES.items()}
    assert set(sides) == set(LIGHTS)
    result = bird.verdict(list(sides.values()))
    assert verdict_of(result) == verdict_of(whole) == ("signs", ("nigrigenis",))
    assert all(verdict_of(bird.verdict([p])) != verdict_of(whole) for p in sides.values())
    spoilt = bird.photograph("back", SIDES["front"], bad="warm cast")
    assert verdict_of(bird.verdict([*sides.values(), spoilt])) == verdict_of(whole)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("day")
    save_bird(place, "front")
    save_bird(place, "side", face=(64, 37, 62))
    return place


@pytest.fixture(scope="module")
def examination(folder):
    return fm.assess([folder / "side.jpg", str(folder / "front.jpg")], sold_as="Masked")


def test_the_front_door_takes_a_list_of_photos(folder, examination):
    assert [r.photo for r in examination.records] == ["front.jpg", "side.jpg"]
    assert set(examination.readings["side.jpg"]) == {"face", "collar"}
    assert examination.question.claimed == "personatus"
    apart = [d for d in examination.assessment.disagreements if d.species == "personatus"]
    assert [d.mark for d in apart] == ["face", "personatus_orange_head"]
    assert len(examination.to_frame("readings")) == 4
    assert set(examination.to_frame()["photo"]) == {"front.jpg, side.jpg"}
    assert "front.jpg, side.jpg" in repr(examination)
    assert examination._repr_html_().count("<table>") == 2
    given = [folder / "front.regions.json", folder / "side.regions.json"]
    photos = [folder / "front.jpg", folder / "side.jpg"]
    assert fm.assess(photos, regions=given, sold_as="Masked") == examination
    with pytest.raises(FieldmarksError, match="photos were given: 2, and regions for 1"):
        fm.assess(photos, regions=given[:1])


def test_an_examination_is_one_file_that_is_read_back(examination, tmp_path):
    import jsonschema

    from fieldmarks.record import Examination, write_record

    path = write_record(examination, tmp_path)
    assert fm.Examination.from_file(path) == examination
    text = json.loads(path.read_text())
    assert text["layout"] == 1
    hashes = [r["measurement"]["sha256"] for r in text["records"]]
    assert hashes == examination.sha256.split(", ")
    jsonschema.validate(text, record_schema(Examination))
    with pytest.raises(FieldmarksError, match="not a record"):
        fm.Record.from_file(path)
    for wrong, said in (
        (json.dumps({**text, "layout": 2}), "not a record"),
        (json.dumps({**text, "records": text["records"][:1] * 2}), "one of them twice"),
        (record_to_json(examination.records[0]), "not a record"),
    ):
        path.write_text(wrong)
        with pytest.raises(FieldmarksError, match=said):
            fm.Examination.from_file(path)


def test_photos_that_were_not_asked_the_same_are_refused(examination):
    first, second = examination.records
    other = replace(second, question=replace(second.question, age="young"))
    with pytest.raises(FieldmarksError, match=r"side\.jpg.*another bird than front\.jpg"):
        examine([first, other], TABLES)
    named = replace(second, measurement=replace(second.measurement, photo="front.jpg"))
    with pytest.raises(FieldmarksError, match=r"front\.jpg.*two different photos"):
        examine([first, named], TABLES)


def test_the_command_says_which_photo_gave_what_and_one_conclusion(folder, examination):
    front, side = folder / "front.jpg", folder / "side.jpg"
    done = run("assess", front, side, front, "--sold-as", "Masked", "--into", folder / "out")
    assert done.returncode == 0, done.stderr
    assert "front.jpg was given twice; it counts once." in done.stderr
    for words in (
        "Colours read: front.jpg",
        "Colours read: side.jpg",
        "Where the photos disagree",
        examination.conclusion.sentence[:60],
    ):
        assert done.stdout.count(words) == 1
    names = {p.name for p in (folder / "out").iterdir()}
    kinds = ("record.json", "readings.csv", "findings.csv", "marked.jpg")
    each = {f"{stem}.{kind}" for stem in ("front", "side") for kind in kinds}
    all_of_them = {"front.together.json", "front.together.readings.csv"}
    assert names == each | all_of_them | {"front.together.findings.csv"}
    assert fm.Examination.from_file(folder / "out/front.together.json") == examination


def test_a_photo_that_cannot_be_used_ends_the_command_in_one_line(folder, tmp_path):
    lone = save_bird(tmp_path, "lone", face=(40, 0, 0))
    (tmp_path / "lone.regions.json").unlink()
    for bad, name in ((lone, "lone.regions.json"), (folder / "gone.jpg", "gone.jpg")):
        done = run("assess", folder / "front.jpg", bad, "--into", tmp_path / "out")
        assert done.returncode == 2
        assert name in done.stderr
        assert len(done.stderr.strip().splitlines()) == 1
        assert done.stdout == ""
    assert not (tmp_path / "out").exists()


def test_a_folder_judges_the_photos_of_a_named_bird_and_day_together(tmp_path):
    for name, face in (("a", (20, 1, 1)), ("b", (64, 37, 62)), ("c", (20, 1, 1))):
        save_bird(tmp_path, name, face=face)
    listed = tmp_path / "birds.csv"
    listed.write_text("photo;bird;day\na.jpg;Pip;2026-05-01\nb.jpg;Pip;2026-05-01\nc.jpg;Pip;\n")
    done = run("assess-folder", tmp_path, "--sold-as", "Masked", "--into", tmp_path / "out")
    assert done.returncode == 0, done.stderr
    found = fm.Examination.from_file(tmp_path / "out" / "Pip 2026-05-01.together.json")
    photos = [tmp_path / "a.jpg", tmp_path / "b.jpg"]
    assert found == fm.assess(photos, sold_as="Masked")
    (row,) = (tmp_path / "out" / "together.csv").read_text().strip().splitlines()[1:]
    assert "a.jpg, b.jpg" in row
    listed.write_text("photo,bird\na.jpg,\n")
    refused = run("assess-folder", tmp_path, "--into", tmp_path / "out2")
    assert refused.returncode == 2
    assert "birds.csv: row 2: photo or bird is missing" in refused.stderr
    assert not (tmp_path / "out2").exists()
