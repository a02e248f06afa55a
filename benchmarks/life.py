"""A bird's life tried again by a keeper and by someone who means harm, on this version and another.

    python benchmarks/life.py [SOURCE_OF_ANOTHER_VERSION]

Each line is tried through the commands or the app, in stores of its own; what came of it is told in
the program's own words where it spoke. Needs PostgreSQL (as the tests do) and root, so that a store
can be tried by someone who may not write to it. Writes ``results/life.md``.
"""

import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import sqlalchemy
from _tables import markdown, save
from network import ROOT, program

sys.path.append(str(ROOT / "tests" / "life"))
import conftest
from made_birds import CLEAN, ORANGE, paint, regions_for

from fieldmarks.measure.region import RegionSet
from fieldmarks.measure.region_file import write_region_file

# Root without the right to pass over the permissions of files.
OBEYING = ("setpriv", "--bounding-set=-dac_override", "--inh-caps=-dac_override")


@dataclass
class Keeper:
    """Someone who uses one version of the program, in a folder of its own."""

    source: Path
    folder: Path
    database: Callable[[str], str]

    @property
    def is_now(self) -> bool:
        """Whether it is the version beside this file."""
        return self.source == ROOT

    def run(
        self, *words: object, store: str = "s", url: str = "", before: tuple[str, ...] = ()
    ) -> str:
        """The last line that a command of ``fieldmarks bird`` says."""
        where = ["--store", str(self.folder / store), *(["--database", url] if url else [])]
        done = subprocess.run(
            [*before, *program(self.source), "bird", *where, *map(str, words)], text=True,
            capture_output=True, timeout=300, env=self.settings(store),
        )  # fmt: skip
        said = [line for line in (done.stdout + done.stderr).splitlines() if line.strip()]
        said = [line for line in said if not line.startswith("Think about") and "  * " not in line]
        if any("Traceback" in line or "[SQL" in line for line in said):
            return "raw: " + said[-1][:160]
        return said[-1].replace(str(self.folder), "FOLDER") if said else "(nothing said)"

    def settings(self, store: str = "s") -> dict[str, str]:
        """Environment in which nothing of another keeper is reached."""
        return os.environ | {
            "PYTHONPATH": str(self.source), "FIELDMARKS_STORE": str(self.folder / store),
            "FIELDMARKS_KEY": str(self.folder / "key.pem"), "PYTHONDONTWRITEBYTECODE": "1",
            "HOME": str(self.folder),
        }  # fmt: skip

    def app(self, steps: str) -> str:
        """What a script of the app's page prints last; both versions know the same labels."""
        names = ("app.birds", "birds.store", "birds.model")
        if not self.is_now:
            names = ("screen.life", "life.store", "life.bird")
        head = APP.format(
            pages=names[0], store=names[1], model=names[2], folder=str(self.folder / "s")
        )
        script = self.folder / "steps.py"  # a file: the source of the pages is asked for
        script.write_text(head + steps)
        done = subprocess.run(
            [sys.executable, script], text=True, capture_output=True, timeout=300,
            env=self.settings(), cwd=self.folder,
        )  # fmt: skip
        return (done.stdout.strip() or done.stderr.strip() or "nothing").splitlines()[-1]

    def photo(self, name: str, colours: dict[str, tuple[float, float, float]]) -> Path:
        """A painted photo with its region file."""
        path = self.folder / f"{name}.png"
        path.write_bytes(paint(colours, len(name)))
        regions = RegionSet(path.name, 280, 200, regions_for(colours))
        write_region_file(regions, path.with_suffix(".regions.json"))
        return path


APP = """
import dataclasses, sys
from datetime import date
from pathlib import Path
from streamlit.testing.v1 import AppTest
from fieldmarks.{pages} import birds_page, mating_page
from fieldmarks.{store} import Store
from fieldmarks.{model} import Bird, Pair, new_id
store = Store(Path({folder!r}))
def matings():
    from fieldmarks.{pages} import mating_page
    mating_page()
def pip():
    import streamlit as st
    from fieldmarks.{pages} import birds_page
    from fieldmarks.{pages}.shared import store
    st.session_state.life_bird = next(b.id for b in store().birds() if b.name == "Pip")
    birds_page()
def named(widgets, label):
    return next(w for w in widgets if w.label == label)
def app(page):
    return AppTest.from_function(page, default_timeout=120).run()
"""


def equal_pairs(keeper: Keeper) -> str:
    return keeper.app("""
cock, hen = (store.save(Bird(new_id(), n, sex=s)) for n, s in (("A", "cock"), ("B", "hen")))
one, two = (store.save(Pair(new_id(), cock.id, hen.id, "breeding", None)) for _ in "ab")
for place in range(2):
    page = app(matings)
    page = named(page.selectbox, "Pair").select_index(place).run()
    named(page.text_input, "Ring or name of the young").set_value(f"Y{place}")
    named(page.button, "Save the young").click().run()
got = [[y.label for y in store.pair(p.id).young] for p in (one, two)]
print("the chosen one got the young" if got == [["Y0"], ["Y1"]] else f"first got {got[0]}, "
      f"second {got[1]}")
""")


def two_tabs(keeper: Keeper) -> str:
    return keeper.app("""
bird = store.save(Bird(new_id(), "Pip", notes="old"))
page = app(pip)
named(page.text_area, "Notes").set_value("typed here")
store.save(dataclasses.replace(bird, notes="typed elsewhere"))
page = named(page.button, "Save the bird").click().run()
said = [str(e.value) for e in (*page.success, *page.warning, *page.error)]
print(f"kept: {store.bird(bird.id).notes!r}; said: {said[0] if said else 'nothing'}")
""")


def parents_meet(keeper: Keeper) -> str:
    return keeper.app("""
bird = store.save(Bird(new_id(), "Pip"))
cock, other = (store.save(Bird(new_id(), n, sex="cock")) for n in "AB")
page = app(pip)
box = named(page.selectbox, "Father")
page = box.select_index([o[:1] for o in box.options].index("A")).run()
store.save(dataclasses.replace(store.bird(bird.id), father=other.id))
page = named(page.button, "Save the parents").click().run()
kept = store.bird(bird.id).father
print("the father set elsewhere " + ("is kept" if kept == other.id else "was written over unasked"))
""")


def order_of_photos(keeper: Keeper) -> str:
    clean, orange = keeper.photo("clean", CLEAN), keeper.photo("orange", ORANGE)
    found = []
    for place, photos in enumerate(((clean, orange), (orange, clean))):
        store = f"order{place}"
        keeper.run("add", "Pip", "--species", "personatus", store=store)
        yes = ["--yes"] if keeper.is_now else []
        keeper.run("look", "Pip", *photos, "--stage", "later moult", *yes, store=store)
        listed = keeper.run("list", "--as", "csv", store=store).split(",")
        found += [cell for cell in listed if cell in OUTCOMES]
    return " / ".join(found)


OUTCOMES = ("claim contradicted", "one species left", "signs", "several species left", "none fits")


def one_photo_for_three(keeper: Keeper) -> str:
    clean = keeper.photo("clean", CLEAN)
    said = ""
    for name in ("One", "Two", "Three"):
        keeper.run("add", name, "--species", "personatus")
        said = keeper.run("look", name, clean, "--stage", "later moult")
    return said


def one_day_is_no_moult(keeper: Keeper) -> str:
    clean, orange = keeper.photo("clean", CLEAN), keeper.photo("orange", ORANGE)
    yes = ["--yes"] if keeper.is_now else []
    keeper.run("add", "Pip", "--species", "personatus")
    for photo in (clean, orange):
        keeper.run("look", "Pip", photo, "--stage", "later moult", "--day", "2026-03-01", *yes)
    done = subprocess.run(
        [*program(keeper.source), "bird", "--store", str(keeper.folder / "s"), "moults", "Pip"],
        text=True, capture_output=True, env=keeper.settings(),
    )  # fmt: skip
    lines = [line for line in done.stdout.splitlines() if "orange" in line.lower()]
    return next((line.strip() for line in lines if "came after" in line), lines[-1].strip())


def impossible_young(keeper: Keeper) -> str:
    keeper.run("add", "A", "--species", "personatus", "--sex", "cock")
    keeper.run("add", "B", "--species", "personatus", "--sex", "hen")
    pair = keeper.run("start-test", "A", "B", "--started", "2026-02-01")
    found = subprocess.run(
        [*program(keeper.source), "bird", "--store", str(keeper.folder / "s"), "pairs"],
        text=True, capture_output=True, env=keeper.settings(),
    ).stdout  # fmt: skip
    pair = re.search(r"\b[0-9a-f]{8}", found)[0]  # type: ignore[index]
    days = ("2020-01-01", (date.today() + timedelta(days=90)).isoformat(), date.today().isoformat())
    for place, day in enumerate(days):
        keeper.run("add-young", pair, f"Y{place}", "clean", "--hatched", day)
    return keeper.run("add-young", pair, "", "clean") + " | " + clean_count(keeper, pair)


def clean_count(keeper: Keeper, pair: str) -> str:
    done = subprocess.run(
        [*program(keeper.source), "bird", "--store", str(keeper.folder / "s"), "test-result", pair],
        text=True, capture_output=True, env=keeper.settings(),
    )  # fmt: skip
    return done.stdout.splitlines()[0] if done.stdout else done.stderr.strip()


def hen_as_father(keeper: Keeper) -> str:
    keeper.run("add", "Hen", "--sex", "hen")
    return keeper.run("add", "Kid", "--father", "Hen")


def parent_taken_off(keeper: Keeper) -> str:
    keeper.run("add", "Cock", "--sex", "cock")
    keeper.run("add", "Kid", "--father", "Cock")
    said = keeper.run("change", "Kid", "--father", "")
    listed = keeper.run("list", "--as", "csv")
    return f"{said} (father now: {'Cock' if listed.count('Cock') else 'none'})"


def hatched_in_year_one(keeper: Keeper) -> str:
    return keeper.run("add", "Kid", "--hatched", "0001-01-01")


def photos_of_a_club(keeper: Keeper) -> str:
    url = keeper.database("photos")
    folders = ("ada", "bo") if not keeper.is_now else ("ada", "ada")
    for name, store in zip(("One", "Two"), folders, strict=True):
        photo = keeper.photo(name, {**CLEAN, "face": (16 + (name == "Two"), 0, 0)})
        keeper.run("add", name, "--species", "personatus", store=store, url=url)
        keeper.run("look", name, photo, "--stage", "later moult", store=store, url=url)
    other = ""
    if keeper.is_now:  # a member who names another folder
        other = keeper.run("export", keeper.folder / "x.zip", store="bo", url=url) + " | "
    return other + keeper.run("export", keeper.folder / "all.zip", store="ada", url=url)[:160]


def may_only_read(keeper: Keeper) -> str:
    url = keeper.database("reader")
    keeper.run("add", "Pip", url=url)
    engine = sqlalchemy.create_engine(url.replace("postgresql:", "postgresql+psycopg:"))
    role = f"reader_{'now' if keeper.is_now else 'old'}"
    with engine.begin() as connection:
        connection.exec_driver_sql(f"CREATE ROLE {role} LOGIN")
        connection.exec_driver_sql(f"GRANT SELECT ON ALL TABLES IN SCHEMA public TO {role}")
    engine.dispose()
    reader = url.replace("postgres@", f"{role}@")
    read = keeper.run("list", url=reader)
    return f"list: {read.strip()} | add: {keeper.run('add', 'Mo', url=reader)}"


def store_that_cannot_be_written(keeper: Keeper) -> str:
    keeper.run("add", "Pip")
    for path in (keeper.folder, *(keeper.folder / "s").rglob("*"), keeper.folder / "s"):
        path.chmod(0o555)
    read = keeper.run("list", before=OBEYING)
    return f"list: {read.strip()} | add: {keeper.run('add', 'Mo', before=OBEYING)}"


def ring_shape_after_backup(keeper: Keeper) -> str:
    keeper.run("ring-shape", "AA-99")
    keeper.run("export", keeper.folder / "all.zip")
    keeper.run("bring-in", keeper.folder / "all.zip", store="new")
    return keeper.run("ring-shape", store="new")


def two_stores_with_one_ring(keeper: Keeper) -> str:
    for store in ("s", "other"):
        keeper.run("add", "Pip", "--ring", "AB1", "--ring-year", "2024", store=store)
    keeper.run("export", keeper.folder / "all.zip", store="other")
    said = keeper.run("bring-in", keeper.folder / "all.zip")
    return f"{said} | {keeper.run('check-store')}"


LISTS = {
    "UTF-16": "name,ring\nPip,A1\n".encode("utf-16"),
    "sep=;": b"sep=;\nname;ring\nPip;A1\n",
    "unclosed quote": b'name,ring\n"Pip,A1\nMo,A2\nZu,A3\n',
    "US dates": b"name,ring,hatched\nPip,A1,04/30/2025\nMo,A2,05/01/2025\n",
    "German headings": b"Name;Ringnummer;Schlupfdatum\nPip;A1;30.04.2025\n",
    "one ring, two cases": b"name,ring\nPip,ab1\nMo,AB1\n",
}


def lists(keeper: Keeper) -> str:
    said = []
    for name, data in LISTS.items():
        file = keeper.folder / "list.csv"
        file.write_bytes(data)
        told = keeper.run("read-list", file, "--accept", store=name.replace(" ", "_"))
        said.append(f"{name}: {told}")
    return " | ".join(said)


TRIED: tuple[tuple[str, str, Callable[[Keeper], str]], ...] = (
    ("1", "a young for the second of two equal pairs, in the app", equal_pairs),
    ("2", "facts open in two tabs, both saved", two_tabs),
    ("2", "a father chosen in one tab, another one set elsewhere", parents_meet),
    ("3", "outcome of two photos, in either order", order_of_photos),
    ("4", "a club whose members name two folders, then a backup", photos_of_a_club),
    ("4", "a member of the database who may only read", may_only_read),
    ("5", "young hatched before the pair, in the future, today; one without a label",
     impossible_young),
    ("6", "two looks of one day, one with an orange collar", one_day_is_no_moult),
    ("7", "one photo kept for three birds", one_photo_for_three),
    ("8", "a hen as father", hen_as_father),
    ("8", "a parent taken off", parent_taken_off),
    ("8", "hatched in year 1", hatched_in_year_one),
    ("9", "shape of the rings after a backup", ring_shape_after_backup),
    ("9", "two stores with one ring", two_stores_with_one_ring),
    ("11", "lists as others write them", lists),
    ("12", "a store that may only be read", store_that_cannot_be_written),
)  # fmt: skip


def tried(source: Path, attempt: Callable[[Keeper], str], database: Callable[[str], str]) -> str:
    folder = Path(tempfile.mkdtemp(prefix="life-"))
    try:
        said = attempt(Keeper(source, folder, database))
    except (subprocess.SubprocessError, LookupError, TypeError) as error:
        said = f"could not be tried ({type(error).__name__}: {error})"
    finally:
        for path in (folder, *folder.iterdir()):
            path.chmod(0o755)
        shutil.rmtree(folder)
    return said.replace(str(folder), "FOLDER")


class _Places:
    """What the tests' own server asks of pytest."""

    def mktemp(self, name: str) -> Path:
        return Path(tempfile.mkdtemp(prefix=name))


def main() -> None:
    sources = [ROOT, *map(Path, sys.argv[1:2])]
    server = conftest.postgres.__wrapped__(_Places())
    fresh = next(server)
    rows = []
    try:
        for point, what, attempt in TRIED:
            row = [point, what]
            for source in reversed(sources):
                kind = "now" if source == ROOT else "old"
                row.append(tried(source, attempt, lambda n, kind=kind: fresh(f"{n}_{kind}")))
            rows.append([cell.replace("|", "/") for cell in row])
            print(*row, sep=" || ", flush=True)
    finally:
        next(server, None)
    save(
        "life",
        "A bird's life, tried again",
        "Made by `benchmarks/life.py` through the commands and the app's pages; the birds are made "
        "up. Where a step could not be done, the name of the fault stands. What the network does "
        "is in `network.md`, what two writers do in `store_writers.md`.",
        markdown(["", "tried", *(["version 0.2.0"] if len(sources) > 1 else []), "now"], rows),
    )


if __name__ == "__main__":
    main()
