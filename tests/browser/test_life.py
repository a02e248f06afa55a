"""Each flow of a bird's life in a real Chromium, over the invented club."""

import io
import os
import re
import zipfile
from pathlib import Path

import pytest
from barriers import violations_in_both_themes
from PIL import Image
from screen import LAPTOP, PHONE, serve, settle

from fieldmarks.birds.invented import fill_with_invented_club
from fieldmarks.birds.model import Bird, Entry, new_id
from fieldmarks.birds.observation import region_file_of
from fieldmarks.birds.store import Store
from fieldmarks.measure.region_file import to_annotations
from fieldmarks.rules import load_rules

PHOTOS = ("Marmalade", "Ember", "Toffee", "Quill")


@pytest.fixture(scope="module")
def tables():
    return load_rules()


@pytest.fixture(scope="module")
def club(tmp_path_factory, tables):
    """A store with the invented club, the app over it, and what is in it."""
    folder = tmp_path_factory.mktemp("club") / "store"
    with Store(folder) as store:
        made = fill_with_invented_club(store, tables, photos=PHOTOS)
        os.environ["FIELDMARKS_STORE"] = str(folder)
        with serve(Path(__file__).with_name("life_app.py")) as address:
            yield store, made, address
        del os.environ["FIELDMARKS_STORE"]


@pytest.fixture
def keeper(club, open_screen):
    return Visitor(open_screen(club[2], LAPTOP).page)


class Visitor:
    """Someone at the pages of a bird's life."""

    def __init__(self, page):
        self.page = page
        if page.url.endswith("/anew"):  # where the test before has left it
            page.get_by_role("link", name="Your birds").click()
        page.get_by_role("heading", name="Your birds").wait_for(timeout=90_000)
        self.settle()

    def settle(self):
        settle(self.page)

    def go(self, title, heading=None):
        self.page.get_by_role("link", name=title).first.click()
        self.page.get_by_role("heading", name=heading or title).wait_for()
        self.settle()

    def press(self, name, **how):
        self.page.get_by_role("button", name=name, **how).click()
        self.settle()

    def choose(self, label, option):
        box = self.page.get_by_role("combobox", name=re.compile(re.escape(label))).first
        box.click()
        box.fill(option)
        self.page.get_by_role("option", name=re.compile(re.escape(option))).first.click()
        self.settle()

    def type(self, label, text):
        field = self.page.get_by_label(label, exact=True).locator("visible=true").first
        field.fill(text)
        field.press("Enter")
        self.settle()

    def fill(self, label, text):
        """Fill a field, and wait until the page has taken it: drawn anew, it would miss a press."""
        field = self.page.get_by_label(label, exact=True).locator("visible=true").first
        field.fill(text)
        self.page.wait_for_timeout(150)
        field.blur()
        self.settle()

    def open_bird(self, name):
        self.type("Name or ring", name)
        self.press(re.compile(f"^{name}"))
        self.page.get_by_role("heading", name=re.compile(name)).first.wait_for()

    def see(self, text):
        """Wait until the page shows a text."""
        self.page.get_by_text(text).locator("visible=true").first.wait_for(timeout=20_000)

    def until(self, holds):
        """Wait until something holds in the store."""
        for _ in range(80):
            if holds():
                return
            self.page.wait_for_timeout(250)
        pytest.fail("the store did not come to what was pressed")

    @property
    def verdict(self):
        return self.page.locator(".fm-verdict").inner_text()

    @property
    def text(self):
        return self.page.locator("[data-testid=stMain]").inner_text()


def test_the_collection_is_filtered_and_taken_away(keeper, tmp_path):
    keeper.see("37 birds")
    keeper.choose("Show", "signs seen")
    keeper.see("2 birds in this list")
    assert keeper.page.get_by_role("button", name=re.compile("^Marmalade")).count() == 1
    keeper.choose("Show", "all")
    keeper.choose("Variety", "blue")
    keeper.see("1 bird in this list")
    with keeper.page.expect_download() as waiting:
        keeper.page.get_by_role("button", name="This list as CSV").click()
    lines = Path(waiting.value.path()).read_text(encoding="utf-8").splitlines()
    assert len(lines) == 2
    assert lines[1].startswith("Velvet,")


def test_a_bird_is_added_changed_and_found_again(keeper, club):
    keeper.page.get_by_text("Add a bird").click()
    keeper.fill("Name", "Newcomer <b>*x*</b>")
    keeper.fill("Ring number", "ZZ-1")
    keeper.press("Save the bird")
    keeper.see("Newcomer <b>*x*</b> (ZZ-1) is saved")
    bird = club[0].find("ZZ-1")
    assert (bird.name, bird.ring_kind) == ("Newcomer <b>*x*</b>", "not known")
    keeper.type("Name or ring", "ZZ-1")
    keeper.see("never measured")
    keeper.page.get_by_role("button", name=re.compile("^Newcomer")).click()
    keeper.settle()
    keeper.page.get_by_role("tab", name="Facts").click()
    keeper.fill("Notes", "likes millet")
    keeper.press("Save the bird")
    keeper.until(lambda: club[0].find("ZZ-1").notes == "likes millet")


def test_a_bird_added_by_mistake_goes_off_the_list_and_comes_back(keeper, club):
    bird = club[0].save(Bird(new_id(), "Slip", ring="ZZ-9"))
    keeper.open_bird("Slip")
    keeper.page.get_by_role("tab", name="Facts").click()
    keeper.page.get_by_text("Added by mistake?").click()
    keeper.fill("Take it off the list, because ...", "entered twice")
    keeper.press("Take it off the list")
    keeper.see("Slip (ZZ-9) is off the list")
    assert bird.id not in {b.id for b in club[0].birds()}
    keeper.page.get_by_text("Taken off the list: 1 bird").click()
    keeper.see("entered twice")
    keeper.press("Put Slip (ZZ-9) back")
    keeper.until(lambda: club[0].find("ZZ-9").withdrawn == "")


def test_moults_show_lines_with_bars_and_what_became_of_a_sign(keeper):
    keeper.open_bird("Ember")
    keeper.see("gone after the moult. This doubt is cleared")
    drawings = keeper.page.locator(".fm-lines svg")
    drawings.first.wait_for()
    assert drawings.count() == 5
    assert "plus or minus" in drawings.first.locator("desc").text_content()
    assert drawings.first.locator("circle").count() >= 2
    keeper.see("more than the")
    keeper.see("would have been seen")
    keeper.see("by chance alone")
    keeper.page.get_by_role("tab", name="Photos").click()
    keeper.settle()
    images = keeper.page.locator("figure img[alt]")
    images.first.wait_for()
    assert images.count() >= 2


def test_a_look_is_struck_out_and_stays_on_record(keeper, club, tables):
    store, made, _ = club
    source = store.entries(made.birds["Quill"].id)[0]
    shots = [store.measured_photo(source, source.observations[0])]
    bird = made.birds["Lantern"]
    entry = store.save_entry(Entry(new_id(), bird.id, source.day, "later moult"), shots, tables)
    keeper.open_bird("Lantern")
    keeper.page.get_by_role("tab", name="Moults").click()
    keeper.page.locator("summary", has_text=f"entry {entry.number}").click()
    keeper.fill("Strike it out, because ...", "that is Quill")
    keeper.press("Strike it out")
    keeper.until(lambda: store.entries(bird.id) == [])
    struck = next(e for e in store.read(Entry) if e.bird == bird.id)
    assert struck.withdrawn == "that is Quill"


def test_a_photo_on_the_workbench_is_kept_for_a_bird(keeper, club):
    store, made, _ = club
    keeper.go("Keep this look")
    keeper.choose("Whose photo is it?", "Tansy")
    keeper.choose("Where is it in its moults?", "later moult")
    keeper.press("Keep it in the moult record")
    keeper.page.get_by_text("Kept as entry").first.wait_for(timeout=30_000)
    (entry,) = store.entries(made.birds["Tansy"].id)
    assert entry.observations[0].file == "personatus_orange_collar.jpg"
    assert entry.observations[0].claimed == "personatus"
    assert store.photo(entry.observations[0])


def test_a_pair_of_relatives_with_signs_is_advised_against(keeper, club):
    keeper.go("A pair?")
    keeper.choose("First bird", "Marmalade")
    keeper.choose("Second bird", "Toffee")
    keeper.see("advise against")
    for words in ("Kinship 0.25", "keep it as a pet", "The choice is yours."):
        keeper.see(words)
    assert keeper.page.get_by_text("Before a test mating").count() == 0
    keeper.page.get_by_text("test mating", exact=True).click()
    keeper.see("Before a test mating")
    keeper.see("Have a good home ready")
    before = len(club[0].pairs())
    keeper.press("Record this pair")
    keeper.until(lambda: len(club[0].pairs()) == before + 1)


def test_a_test_mating_counts_its_young(keeper, club):
    keeper.go("Pairs and young")
    keeper.choose("Pair", "Velvet")
    keeper.see("6 clean young and none with signs")
    keeper.see("How strong that is")
    said = keeper.text
    # (1/2)^6 = 1.6 %, (3/4)^6 = 17.8 %: worked by hand.
    assert "1.6%" in said
    assert "17.8%" in said
    assert "5 more" in said
    keeper.fill("Ring or name of the young", "TH-26-1")
    keeper.page.get_by_text("sign", exact=True).last.click()
    keeper.press("Save the young")
    keeper.see("wrong pairing")
    assert club[0].pair(club[1].tested.id).young[-1].finding == "sign"


def test_a_dispute_is_compared_handed_over_and_verified(keeper, tmp_path):
    keeper.go("Two opinions?")
    keeper.choose("Which bird?", "Marmalade")
    keeper.see("depend on who measured;")
    assert int(re.search(r"(\d+) depend on who measured", keeper.verdict)[1]) > 0
    keeper.page.get_by_text(re.compile(r"Ada \(invented\) / Bo \(invented\)")).first.wait_for()
    keeper.see("Limits of agreement, Ada (invented) less Bo (invented)")
    keeper.press("Make the dossier")
    keeper.page.get_by_text("Seal:").first.wait_for(timeout=60_000)
    keeper.see("Tell the other side seal and key")
    seal = re.search(r"Seal: ([0-9a-f]{64})", keeper.text)[1]
    with keeper.page.expect_download() as waiting:
        keeper.page.get_by_role("button", name="Save the dossier").click()
    good = tmp_path / "good.zip"
    waiting.value.save_as(good)
    keeper.page.get_by_role("tab", name="Verify a dossier").click()
    upload = keeper.page.locator("[role=tabpanel]:visible input[type=file]")
    upload.set_input_files(good)
    keeper.page.get_by_text("SAME:").wait_for(timeout=60_000)
    keeper.page.get_by_text(f"Seal: {seal}").locator("visible=true").first.wait_for()
    bad = tmp_path / "bad.zip"
    with zipfile.ZipFile(good) as old, zipfile.ZipFile(bad, "w") as new:
        for name in old.namelist():
            data = old.read(name)
            if name.startswith("photos/"):
                with Image.open(io.BytesIO(data)) as image:
                    out = io.BytesIO()
                    image.rotate(180).save(out, "JPEG")
                data = out.getvalue()
            new.writestr(name, data)
    upload.set_input_files(bad)
    keeper.page.get_by_text("DIFFERENT:").wait_for(timeout=60_000)
    keeper.page.get_by_text("photo is the one that was measured").first.wait_for()


def test_a_list_is_previewed_and_imported_only_when_accepted(keeper, club, tmp_path):
    path = tmp_path / "mine.csv"
    path.write_text("name,ring,hatched\nListed One,LL-1,2024-05-01\nListed Two,LL-2,soon\n")
    keeper.page.get_by_text("Take in a list you already have").click()
    keeper.page.locator("[data-testid=stExpander]", has_text="Take in a list").locator(
        "input[type=file]"
    ).set_input_files(path)
    keeper.page.get_by_text("row 3, hatched").wait_for(timeout=20_000)
    assert keeper.page.get_by_role("button", name="Import them").is_disabled()
    assert not [b for b in club[0].birds() if b.name.startswith("Listed")]
    keeper.page.get_by_text("Leave the rows with problems out").click()
    keeper.settle()
    keeper.press("Import them")
    keeper.see("1 bird imported")
    assert [b.name for b in club[0].birds() if b.name.startswith("Listed")] == ["Listed One"]


def test_a_backup_is_saved_and_brought_in_without_doubling(keeper, club, tmp_path):
    keeper.page.get_by_text("Backup and moving").click()
    with keeper.page.expect_download(timeout=60_000) as waiting:
        keeper.press("Pack everything into one file")
        keeper.page.get_by_role("button", name="Save the packed file").click()
    path = tmp_path / "backup.zip"
    waiting.value.save_as(path)
    with zipfile.ZipFile(path) as packed:
        birds = [n for n in packed.namelist() if n.startswith("birds/")]
    assert len(birds) == len(club[0].birds())
    keeper.page.locator("[data-testid=stExpander]", has_text="Backup and moving").locator(
        "input[type=file]"
    ).set_input_files(path)
    keeper.press("Bring it in")
    keeper.page.get_by_text("were already there").first.wait_for(timeout=30_000)
    assert len(birds) == len(club[0].birds())


def test_the_pages_can_be_used_by_everyone(keeper):
    for title in ("Your birds", "Pairs and young", "Before you buy"):
        keeper.go(title)
        assert faults(keeper.page) == []
    keeper.go("Your birds")
    keeper.open_bird("Ember")
    for tab in ("Photos", "Family", "Share and print"):
        keeper.page.get_by_role("tab", name=tab).click()
        keeper.settle()
        assert faults(keeper.page) == []


def faults(page):
    """What axe-core finds in our own parts of a page: WCAG 2.x A and AA.

    Streamlit's own parts are not ours to mend.
    """
    return violations_in_both_themes(page, "[data-testid=stHtml]", runOnly=["wcag2a", "wcag2aa"])


def test_on_a_phone_nothing_runs_off_the_side(club, open_screen):
    visitor = Visitor(open_screen(club[2], PHONE, touch=True, device_scale_factor=2).page)
    visitor.type("Name or ring", "Ember")
    visitor.page.get_by_role("button", name=re.compile("^Ember")).click()
    visitor.settle()
    visitor.page.locator(".fm-lines svg").first.wait_for()
    width = visitor.page.evaluate("document.documentElement.scrollWidth")
    assert width <= PHONE[0]
    for drawing in visitor.page.locator(".fm-lines svg").all():
        assert drawing.bounding_box()["width"] <= PHONE[0]


def test_region_files_kept_in_the_store_are_web_annotations(club):
    store, made, _ = club
    look = store.entries(made.birds["Quill"].id)[0].observations[0]
    import json

    assert json.loads(region_file_of(store.record(look))) == to_annotations(
        store.record(look).measurement.regions
    )
