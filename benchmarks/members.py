"""Twenty members of a club at once, each with a 12-megapixel photo of another bird.

    python benchmarks/members.py [members]

Starts the club's server (PostgreSQL, app, nginx with TLS) with a sign-in provider. Every member
signs in, opens the app, and all choose their photo at one moment; then each gives the outlines of
the marks (as a browser does that has them from before) and keeps the look for their bird. What each
was shown and what the store then holds is compared with what this program finds alone. The members
are plain clients of the app's line, not browsers, which would take the cores from the server.
"""

import dataclasses
import hashlib
import io
import logging
import os
import sys
import threading
import time
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from statistics import median
from urllib.parse import urljoin

import httpx
import numpy as np
import oidc_provider_mock as mock
from _member import Member
from _tables import markdown, save
from PIL import Image

import server
from fieldmarks.app.marker.wire import region_to_wire
from fieldmarks.birds.model import Bird, new_id
from fieldmarks.birds.people import let_in
from fieldmarks.birds.service import question_for
from fieldmarks.birds.store import Store
from fieldmarks.measure.photo import decode_photo
from fieldmarks.measure.region import RegionSet, vertices
from fieldmarks.measure.region_file import read_region_file
from fieldmarks.pipeline import demo_birds, make_record, region_file_of
from fieldmarks.record import Question
from fieldmarks.report.verdict import verdict_of
from fieldmarks.rules import load_rules

WIDTH, HEIGHT = 4000, 3000
SHUT_S = 150  # Streamlit keeps a session for two minutes, for a page that comes back
# The same on the commit before photos were opened in turn and only a few held decoded (load 11.3).
BEFORE = (
    "Before photos were opened in turn and let go: findings after 80.2 s (median; 95 % 84.3), kept "
    "after 111.9 s (119.3); memory at most 3115 MB, 2173 MB with 20 photos open."
)
STAGE = "later moult"
SECRETS = """[auth]
redirect_uri = "https://localhost:{port}/oauth2callback"
cookie_secret = "an-invented-secret-of-this-benchmark-0123456789"
client_id = "club"
client_secret = "anything"
server_metadata_url = "{provider}/.well-known/openid-configuration"
"""


@dataclass
class Seat:
    """A member, their bird and photo, what is right, and what came."""

    name: str
    bird: Bird
    data: bytes
    regions: RegionSet
    headline: str = ""
    sentence: str = ""
    member: Member | None = None
    shown: float = 0.0
    found: float = 0.0
    kept: float = 0.0
    fault: str = ""

    @property
    def file(self) -> str:
        """What their photo is called."""
        return f"{self.name}.jpg"


def scaled(regions: RegionSet, factor: float) -> RegionSet:
    """Outlines for a photo that is so many times as large."""
    from fieldmarks.measure.region import Line, Polygon

    def grown(region: object) -> object:
        points = [(x * factor, y * factor) for x, y in vertices(region.shape)]  # type: ignore[attr-defined]
        line = isinstance(region.shape, Line)  # type: ignore[attr-defined]
        shape = Line(points[0], points[1]) if line else Polygon(tuple(points))
        return dataclasses.replace(region, shape=shape)  # type: ignore[type-var]

    return regions.with_regions(grown(r) for r in regions.regions)  # type: ignore[misc]


def seats(count: int) -> list[Seat]:
    """Members with photos: the demo birds at 12 megapixels, each with a grain of its own."""
    tables, made = load_rules(), []
    demos = list(demo_birds().items())
    for i in range(count):
        name, path = demos[i % len(demos)]
        with Image.open(path) as opened:
            factor = WIDTH / opened.width
            size = (WIDTH, round(opened.height * factor))
            picture = np.asarray(opened.convert("RGB").resize(size, Image.Resampling.BICUBIC))
        grain = np.random.default_rng(i).normal(0, 4, (*picture.shape[:2], 1))
        noisy = np.clip(picture + grain, 0, 255).astype(np.uint8)
        out = io.BytesIO()
        Image.fromarray(noisy).save(out, "JPEG", quality=92)
        regions = scaled(read_region_file(region_file_of(path)), factor)
        species = name.split("_")[0]
        bird = Bird(new_id(), f"Bird {i}", f"R{i:02d}", species=species, hatched=date(2020, 1, 1))
        seat = Seat(f"member{i:02d}", bird, out.getvalue(), regions)
        photo = decode_photo(seat.data, seat.file)
        drawn = RegionSet(photo.name, photo.width, photo.height, regions.regions, photo.sha256)
        seat.headline = verdict_of(make_record(photo, drawn, tables, Question()), tables).headline
        question = question_for(bird, date.today(), STAGE, tables)
        seat.sentence = make_record(photo, drawn, tables, question).conclusion.sentence
        made.append(seat)
    return made


def signed_in(club: server.Club, name: str) -> str:
    """The cookies of a member who has signed in at the provider."""
    at = f"https://localhost:{club.port}"
    with httpx.Client(verify=club.trusted, follow_redirects=True, base_url=at) as browser:
        form = browser.get("/sign-in")
        browser.post(urljoin(at, str(form.url)), data={"sub": name})
        return "; ".join(f"{c.name}={c.value}" for c in browser.cookies.jar)


def use(seat: Seat, begin: threading.Barrier) -> None:
    """A member from choosing the photo to the kept look."""
    assert seat.member is not None
    member = seat.member
    try:
        begin.wait()
        start = time.perf_counter()
        member.upload("photo_file", seat.file, seat.data)
        seat.shown = time.perf_counter() - start
        told = member.told_to("fieldmarks_marker")
        if told["name"] != seat.file:
            seat.fault = f"was shown {told['name']}"
        event = {"kind": "recalled", "serial": 1, "photo": told["photo"]}
        member.trigger(
            "fieldmarks_marker",
            event | {"regions": [region_to_wire(r) for r in seat.regions.regions]},
        )
        seat.found = time.perf_counter() - start
        if seat.headline not in member.text():
            seat.fault = "was told of another bird"
        member.values[member.ids("section")] = ("string_value", "Keep")
        member.run()
        member.values[member.ids("keep_bird")] = ("string_value", seat.bird.label)
        member.run()
        stage = member.ids(f"stage_workbench_{seat.bird.id}")
        member.values[stage] = ("string_value", STAGE)
        member.run()
        member.press(member.button("Keep it in the moult record"))
        if "Yes, it is" in str(member.elements):
            member.press(member.ids(f"sure_{seat.bird.id}"))
        if "Kept as entry" not in member.text():
            seat.fault = f"not kept: {member.text()[-300:]}"
        seat.kept = time.perf_counter() - start
    except Exception as error:
        seat.fault = f"{type(error).__name__}: {error}"


def used(club: server.Club) -> tuple[float, float, float]:
    """Resident memory of the app now and at most, in MB, and its processor's seconds (proc(5))."""
    now = most = seconds = 0.0
    waiting = [club.process.pid]
    while waiting:
        pid = waiting.pop()
        place = Path(f"/proc/{pid}")
        waiting += map(int, (place / "task" / str(pid) / "children").read_text().split())
        if b"streamlit" in (place / "cmdline").read_bytes():
            status = (place / "status").read_text()
            now += int(status.split("VmRSS:")[1].split()[0]) / 1024
            most += int(status.split("VmHWM:")[1].split()[0]) / 1024
            spent = (place / "stat").read_text().rsplit(")", 1)[1].split()[11:13]
            seconds += sum(map(int, spent)) / os.sysconf("SC_CLK_TCK")
    return now, most, seconds


def mixed_up(store: Store, sat: list[Seat]) -> list[str]:
    """What the store holds otherwise than it should."""
    found = []
    for seat in sat:
        kept = [o for e in store.entries(seat.bird.id) for o in e.observations]
        wanted = [(hashlib.sha256(seat.data).hexdigest(), seat.sentence)]
        if [(o.photo, o.sentence) for o in kept] != wanted:
            found.append(f"{seat.name}: {[(o.photo[:8], o.sentence) for o in kept]} / {wanted}")
    return found


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    sat = seats(count)
    users = [
        mock.User(sub=s.name, claims={"email": f"{s.name}@club.example", "email_verified": True})
        for s in sat
    ]
    logging.getLogger("werkzeug").setLevel(logging.ERROR)  # the provider tells of every request
    port = server.free_port()
    command = [sys.executable, *server.START, "--steward", "steward@club.example"]
    with server.a_folder() as place, mock.run_server_in_thread(user_claims=users) as provider:
        folder = place / "club"
        (folder / ".streamlit").mkdir(parents=True)
        told = SECRETS.format(port=port, provider=f"http://localhost:{provider.server_port}")
        (folder / ".streamlit" / "secrets.toml").write_text(told)
        with (
            server.started(command, folder, port) as club,
            Store(folder / "birds", f"postgresql://birds@/birds?host={folder}/postgres") as store,
        ):
            for seat in sat:
                with store.writing() as work:
                    person = let_in(work.connection, f"{seat.name}@club.example", "keeper")
                seat.bird = store.seen_by(person).save(seat.bird)
                cookie = signed_in(club, seat.name)
                seat.member = Member(f"https://localhost:{port}", cookie, club.trusted)
            before, _, idle = used(club)
            begin = threading.Barrier(count)
            threads = [threading.Thread(target=use, args=(seat, begin)) for seat in sat]
            for thread in threads:
                thread.start()
            for thread in threads:
                thread.join()
            after, most, spent = used(club)
            faults = [f"{s.name}: {s.fault}" for s in sat if s.fault] + mixed_up(store, sat)
            for seat in sat:
                seat.member.close()  # type: ignore[union-attr]
            time.sleep(SHUT_S)
            # Streamlit looks for sessions to forget when a page comes or goes.
            Member(f"https://localhost:{port}", signed_in(club, sat[0].name), club.trusted).close()
            time.sleep(5)
            closed = used(club)[0]
    rows = [
        [what, f"{median(times):.1f}", f"{np.percentile(times, 95):.1f}", f"{max(times):.1f}"]
        for what, times in (
            ("photo sent and shown", [s.shown for s in sat]),
            ("findings", [s.found for s in sat]),
            ("kept for the bird", [s.kept for s in sat]),
        )
    ]
    size = sum(len(s.data) for s in sat) / count / 1e6
    save(
        "members",
        f"{count} members at once",
        f"Made by `benchmarks/members.py`: {count} members of a club on one server of "
        f"{os.cpu_count()} cores (PostgreSQL, app and nginx with TLS on the same machine, load "
        f"{os.getloadavg()[0]:.1f}, other work among it), each with another photo of {WIDTH} x "
        f"{HEIGHT} pixels, {size:.1f} MB, all chosen at one moment. The members are no browsers.",
        markdown(("seconds since choosing the photo", "median", "95 %", "longest"), rows),
        f"Memory of the app: {before:.0f} MB with {count} pages open, at most {most:.0f} MB, "
        f"{after:.0f} MB with {count} photos open, {closed:.0f} MB {SHUT_S} s after all were shut. "
        f"Its processors' time: {(spent - idle) / count:.1f} s a member.",
        f"Mixed up: {len(faults)} of {count}. Every member was shown their own photo and its "
        "verdict, and the store holds for every bird its own photo and what is found on it alone."
        if not faults
        else "\n".join(f"- {fault}" for fault in faults),
        BEFORE,
    )
    if faults:
        sys.exit("something was mixed up or failed")


if __name__ == "__main__":
    main()
