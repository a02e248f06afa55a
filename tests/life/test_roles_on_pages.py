"""What each role finds on each page: what it may not do is not offered, and the page says why."""

from types import SimpleNamespace

import pytest
from app_page import AppTest
from made_birds import a_bird, an_entry

from fieldmarks.app import sign_in
from fieldmarks.birds.model import Pair, Young, new_id
from fieldmarks.birds.people import let_in
from fieldmarks.birds.store import Store

ROLES = ("keeper", "reader", "steward")


def page_of_birds():
    from fieldmarks.app.birds.birds import birds_page

    birds_page()


def page_of_pairing():
    from fieldmarks.app.birds.pairs import pairing_page

    pairing_page()


def page_of_matings():
    from fieldmarks.app.birds.pairs import mating_page

    mating_page()


def page_of_club():
    from fieldmarks.app.club import club_page

    club_page()


@pytest.fixture(scope="module")
def club(tmp_path_factory, tables, clean_shot):
    """Ada (keeper) has two birds, a look and a pair; Ben has one bird; a reader and a steward."""
    with Store(tmp_path_factory.mktemp("roles") / "store") as store:
        with store.writing() as work:
            people = {
                name: let_in(work.connection, f"{name}@club.example", role)
                for name, role in (("steward", "steward"), ("keeper", "keeper"), ("ben", "keeper"),
                                   ("reader", "reader"))
            }  # fmt: skip
        hers = store.seen_by(people["keeper"])
        cock = hers.save(a_bird("Hers", ring="A1", sex="cock", notes="mine alone"))
        hen = hers.save(a_bird("Her hen", sex="hen"))
        hers.save_entry(an_entry(cock), [clean_shot], tables)
        hers.save(Pair(new_id(), cock.id, hen.id, young=(Young("E1"),)))
        his = store.seen_by(people["ben"]).save(a_bird("His", ring="B1"))
        yield store, cock, hen, his


@pytest.fixture
def opened(club, monkeypatch):
    import streamlit as st

    st.cache_resource.clear()
    monkeypatch.setenv("FIELDMARKS_STORE", str(club[0].folder))

    def page(drawn, role, **state):
        told = {"iss": "x", "sub": role, "email": f"{role}@club.example", "email_verified": True}
        door = SimpleNamespace(way="provider", claims=lambda _cookies: told)
        monkeypatch.setattr(sign_in, "door", door)
        shown = AppTest.from_function(drawn, default_timeout=60)
        for key, value in state.items():
            shown.session_state[key] = value
        shown.run()
        assert not shown.exception
        return shown

    yield page
    st.cache_resource.clear()


def offered(page):
    """Everything that can be pressed or unfolded."""
    return {b.label for b in page.button} | {e.label for e in page.expander}


def said(page):
    return " ".join(i.value for i in (*page.info, *page.caption, *page.error))


LIST = {"Add a bird": "ks", "Take in a list you already have (CSV)": "ks", "Bring it in": "",
        "Backup and moving to another computer": "krs", "Pack everything into one file": "krs",
        "Save the pattern": "s", "Save the bird": "ks"}  # fmt: skip
BIRD = {"Save the bird": "ks", "Take it off the list": "ks", "Set the parents": "ks",
        "Strike it out": "ks", "Make a link": "ks"}  # fmt: skip
PAIRING = {"Record this pair": "ks"}
MATINGS = {"Note it": "ks", "Save the young": "ks", "Recorded by mistake?": "ks"}


@pytest.mark.parametrize("role", ROLES)
def test_each_role_is_offered_what_it_may_do_and_no_more(club, opened, role):
    _, cock, hen, _ = club
    pages = {
        "list": (opened(page_of_birds, role), LIST),
        "bird": (opened(page_of_birds, role, life_bird=cock.id), BIRD),
        "pairing": (opened(page_of_pairing, role, pair_first=cock.id, pair_second=hen.id), PAIRING),
        "matings": (opened(page_of_matings, role), MATINGS),
    }
    for name, (page, table) in pages.items():
        for what, who in table.items():
            assert (what in offered(page)) == (role[0] in who), (name, what, role)
        if role == "reader":
            assert "you may read here" in said(page).lower(), name


@pytest.mark.parametrize("role", ROLES)
def test_each_role_sees_the_birds_it_may(opened, role):
    page = opened(page_of_birds, role)
    assert {"Her hen", "Hers \\(A1\\)"} <= offered(page)
    assert ("His \\(B1\\)" in offered(page)) == (role != "keeper")


@pytest.mark.parametrize("role", ROLES)
def test_another_members_bird_opens_for_those_alone_who_may_see_it(club, opened, role):
    page = opened(page_of_birds, role, life_bird=club[3].id)
    assert any(t.value.startswith("His") for t in page.title) == (role != "keeper")
    if role == "keeper":
        assert "no such bird" in said(page)


def test_a_reader_reads_a_birds_facts_without_the_form(club, opened):
    page = opened(page_of_birds, "reader", life_bird=club[1].id)
    assert any("mine alone" in part.value for part in page.get("html"))
    assert not [t for t in page.text_input if t.label == "Name"]
    papers = [b.label for b in page.get("download_button")]
    assert "Cage card (PDF)" in papers


@pytest.mark.parametrize("role", ROLES)
def test_the_clubs_page_tells_its_people_to_the_steward_alone(opened, role):
    page = opened(page_of_club, role)
    listed = {p for t in page.table for p in t.value["person"]}
    others = {e for e in listed if not e.startswith(role)}
    assert bool(others) == (role == "steward")


def press(page, label):
    """Press the button of that name."""
    (button,) = [b for b in page.button if b.label == label]
    button.click()
    page.run()
    assert not page.exception


def test_a_steward_lets_in_hands_over_and_puts_out(opened):
    page = opened(page_of_club, "steward")
    page.text_input[0].set_value("New@club.example")
    press(page, "Let in, or change the role")
    assert "may in as keeper" in " ".join(s.value for s in page.success)
    assert "new@club" in str(page.table[0].value)
    (person,) = [s for s in page.selectbox if s.label == "Person"]
    person.select("new@club.example")
    press(page, "Let in no longer")
    assert "may in no longer" in " ".join(s.value for s in page.success)
    assert "new@club" not in str(page.table[0].value)
    page.text_input[0].set_value("no address")
    press(page, "Let in, or change the role")
    assert "Correct it" in said(page)


def test_a_link_is_made_shown_once_and_withdrawn(club, opened):
    page = opened(page_of_birds, "keeper", life_bird=club[1].id)
    press(page, "Make a link")
    (link,) = page.code
    assert sign_in.SHARED in link.value
    (withdraw,) = [b.label for b in page.button if b.label.startswith("Withdraw the sheet")]
    press(page, withdraw)
    assert not page.code
    assert any("the sheet, made" in c.value and "withdrawn" in c.value for c in page.caption)
