"""Signing in: with a passphrase and with a real provider; and the app tried from outside."""

import re
import stat
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import outside
import pytest
from _member import Member
from barriers import violations
from screen import serve

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.app.passphrase import COST, FREE_TRIES, LONGEST_WAIT, Passphrase, set_passphrase
from fieldmarks.birds.buying import shop_sheet_page
from fieldmarks.birds.links import make_link
from fieldmarks.birds.model import Bird, new_id
from fieldmarks.birds.people import let_in, people
from fieldmarks.birds.store import Store
from fieldmarks.rules import load_rules

ROOT = Path(__file__).parents[2]
WORDS = outside.WORDS
EXPECTED = {
    "no session": "39 requests: 403 and the page to sign in",
    "copy of a cookie after signing out": "403 and 403; 200 before",
    "stolen link after it was withdrawn": "404, as one that never was; 200 before",
    "post and line from another site": "post 421, line 403",
    "1 GB upload": r"(403 after \d MB; ){5}403 after \d MB; memory \+\d+ MB",
    "path tricks": r"9 paths: 40[034](, 40[034])*; no file",
    "200 tries to sign in": r"\d{1,2} looked at, 1\d\d told to wait, .* at once 429, .* wait 303",
}


@pytest.fixture(scope="module")
def guarded_by_passphrase(tmp_path_factory):
    with outside.with_passphrase(tmp_path_factory.mktemp("outside")) as tried:
        yield tried


@pytest.mark.parametrize("attempt", outside.ATTEMPTS)
def test_from_outside(guarded_by_passphrase, attempt):
    happened = outside.ATTEMPTS[attempt](guarded_by_passphrase)
    assert re.fullmatch(EXPECTED[attempt], happened), happened


def test_a_passphrase_is_kept_as_its_hash_for_its_owner_alone(tmp_path):
    """The hash against the test vector's own function: hashlib's scrypt is OpenSSL's (RFC 7914)."""
    file = tmp_path / "new" / "passphrase.json"
    set_passphrase(WORDS, file)
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert WORDS not in file.read_text()
    assert Passphrase(file).tried(WORDS)
    assert not Passphrase(file).tried(WORDS + " ")
    with pytest.raises(FieldmarksError, match="12 letters or more"):
        set_passphrase("short", file)
    assert Passphrase(file).tried(WORDS)


def test_each_wrong_try_after_the_first_few_waits_twice_as_long(tmp_path, monkeypatch):
    monkeypatch.setitem(COST, "n", 16)  # the waits do not rest on what a hash costs
    set_passphrase(WORDS, tmp_path / "p.json")
    now = [0.0]
    kept = Passphrase(tmp_path / "p.json", lambda: now[0])
    waits = []
    for _ in range(FREE_TRIES + 8):
        kept.tried("wrong")
        waits.append(kept.wait())
        assert not (kept.wait() and kept.tried(WORDS))  # the right one is not even looked at
        now[0] += kept.wait()
    assert waits == [0] * (FREE_TRIES - 1) + [1, 2, 4, 8, 16, 32] + [LONGEST_WAIT] * 3
    assert kept.tried(WORDS)
    assert not kept.tried("wrong")
    assert kept.wait() == 0


@pytest.mark.parametrize("words", ["", "{}", '{"salt": "x", "hash": "y"}'])
def test_a_damaged_passphrase_file_lets_nobody_in(tmp_path, words):
    (tmp_path / "p.json").write_text(words)
    with pytest.raises(FieldmarksError, match="no passphrase can be read"):
        Passphrase(tmp_path / "p.json")


SECRETS = """[auth]
redirect_uri = "http://localhost:{{port}}/oauth2callback"  # Streamlit fills in the port
cookie_secret = "{secret}"
client_id = "club"
client_secret = "anything"
server_metadata_url = "{provider}/.well-known/openid-configuration"
"""
SECRET = "an-invented-secret-of-this-test-0123456789"


@pytest.mark.parametrize(
    ("secrets", "said"),
    [
        ("", "nobody outside this computer may in before there is a sign-in"),
        ("[auth]\nclient_id = 'club'\n", "it lacks redirect_uri, cookie_secret, client_secret"),
        (SECRETS.format(secret="short", provider="http://x"), "cookie_secret can be guessed"),
    ],
)
def test_the_home_network_is_not_served_before_there_is_a_sign_in(
    keeper, tmp_path, monkeypatch, secrets, said
):
    from streamlit import config
    from streamlit.runtime.secrets import secrets_singleton

    file = tmp_path / "secrets.toml"
    file.write_text(secrets)
    monkeypatch.setenv("FIELDMARKS_PASSPHRASE_FILE", str(tmp_path / "none.json"))
    before = config.get_option("secrets.files")
    config.set_option("secrets.files", [str(file)])  # else those where this process was started
    secrets_singleton._reset()
    try:
        told = keeper.runs("show", "--home-network", "--port", "1", code=2)
    finally:
        config.set_option("secrets.files", before)
        secrets_singleton._reset()
    assert said in told
    assert len(told.strip().splitlines()) <= 2
    assert "Traceback" not in told


@pytest.mark.parametrize("script", ["app.py", "fieldmarks/app/main.py"])
def test_the_page_run_without_its_gate_draws_nothing_for_other_devices(script):
    """As 'streamlit run' does it, which listens to everyone unless it is told not to."""
    # An address of this computer that is not among those the page knows as such.
    with serve(ROOT / script, address="127.0.0.2") as address:
        page = Member(address, "", None)
        said = page.text().replace("\\", "")
        assert "Others could reach this app, and nothing guards it" in said
        assert page.kinds() == {"html", "alert"}  # the look of the app, and this; no more
        page.close()


@pytest.fixture(scope="module")
def provider():
    """A real OpenID Connect provider, started here; gives its address."""
    import oidc_provider_mock as mock

    users = [
        mock.User(sub=n, claims={"email": f"{n}@club.example", "email_verified": n != "eve"})
        for n in ("ada", "ben", "rea", "stew", "eve", "stranger")
    ]  # fmt: skip
    with mock.run_server_in_thread(user_claims=users) as server:
        yield f"http://localhost:{server.server_port}"


@pytest.fixture(scope="module")
def club(provider, tmp_path_factory):
    """The app of a club: Ada and Ben keep a bird each, Rea reads, Stew is the steward."""
    place = tmp_path_factory.mktemp("club")
    (place / ".streamlit").mkdir()
    (place / ".streamlit" / "secrets.toml").write_text(
        SECRETS.format(secret=SECRET, provider=provider)
    )
    with Store(place / "store") as store:
        with store.writing() as work:
            known = {
                name: let_in(work.connection, f"{name}@club.example", role)
                for name, role in (
                    ("stew", "steward"), ("ada", "keeper"), ("ben", "keeper"), ("rea", "reader"),
                    ("eve", "keeper"),
                )
            }  # fmt: skip
        for name in ("ada", "ben"):
            store.seen_by(known[name]).save(Bird(new_id(), f"Bird of {name}", "X" + name))
    with outside.app({}, place / "store") as running:
        yield running


def signed_in(club, name):
    """A client that has signed in at the provider, as a browser does it."""
    import httpx

    client = httpx.Client(base_url=f"http://localhost:{club.port}", follow_redirects=True)
    form = client.get("/sign-in")
    asked = parse_qs(urlsplit(str(form.url)).query)
    assert asked["response_type"] == ["code"]
    assert {"state", "nonce"} <= set(asked)
    client.post(str(form.url), data={"sub": name})
    return client


def test_a_member_signs_in_at_the_provider_and_a_copied_cookie_ends_with_the_session(club):
    client = signed_in(club, "ada")
    assert client.get("/_stcore/host-config").status_code == 200
    cookie = "; ".join(f"{c.name}={c.value}" for c in client.cookies.jar)
    assert club.ask("/_stcore/host-config", cookie=cookie)[0] == 200
    client.get("/auth/logout", follow_redirects=False)
    assert club.ask("/_stcore/host-config", cookie=cookie)[0] == 403
    assert club.ask(outside.STREAM, outside.UPGRADE, cookie=cookie)[0] == 403


def test_a_cookie_that_somebody_else_signed_opens_nothing(club):
    from streamlit.web.server.starlette.starlette_app_utils import create_signed_value

    claims = b'{"iss":"x","sub":"stew","iat":99999999999,"is_logged_in":true}'
    forged = create_signed_value("another secret", "_streamlit_user", claims).decode()
    assert club.ask("/_stcore/host-config", cookie=f"_streamlit_user={forged}")[0] == 403


# What each member finds: birds on the list, whether the steward's page is there.
MEMBERS = {
    "ada": ({"Bird of ada"}, False),
    "ben": ({"Bird of ben"}, False),
    "rea": ({"Bird of ada", "Bird of ben"}, False),
    "stew": ({"Bird of ada", "Bird of ben"}, True),
}
BIRDS = ("Bird of ada", "Bird of ben")


def page_of(club, client, path):
    """A page that this client opens: what is sent to it, without a browser to draw it."""
    cookie = "; ".join(f"{c.name}={c.value}" for c in client.cookies.jar)
    return Member(f"http://localhost:{club.port}", cookie, None, path)


@pytest.mark.parametrize("name", MEMBERS)
def test_what_is_sent_to_each_member_is_their_own(club, name):
    birds, steward = MEMBERS[name]
    client = signed_in(club, name)
    page = page_of(club, client, "birds")
    sent = str(page.elements)
    assert "Your birds" in sent
    assert {b for b in BIRDS if b in sent} == birds
    assert page.pages.count("Sign out") == 1
    assert page.pages.count("The club") == int(steward)
    # A download is made outside the page's own run.
    listed = page.download("This list as CSV").decode()
    assert {b for b in BIRDS if b in listed} == birds
    page.run(page="club")
    assert ("hands birds over" in str(page.elements)) is steward
    page.close()


def faults(page, within=None):
    """What axe-core finds against WCAG 2.x A and AA; Streamlit's own parts are not ours to mend."""
    rules = ["wcag2a", "wcag2aa", "wcag21aa", "wcag22aa"]
    page.locator(within or "body").first.wait_for(state="attached")
    return [v["id"] for v in violations(page, within, runOnly=rules)]


def listed_as_csv(page):
    with page.expect_download() as loaded:
        page.get_by_role("button", name="This list as CSV").click()
    text = Path(loaded.value.path()).read_text(encoding="utf-8")
    return {b for b in BIRDS if b in text}


def test_two_members_on_two_browsers_each_find_their_own(club, open_screen):
    from playwright.sync_api import expect

    at = f"http://localhost:{club.port}"
    pages = {}
    for name in ("ada", "ben"):
        page = pages[name] = open_screen(f"{at}/birds").page
        expect(page.get_by_role("heading", name="Sign in")).to_be_visible()
        if name == "ada":  # the same page for all
            assert faults(page) == []
        page.get_by_role("link", name="Sign in with your account").click()
        page.get_by_role("button", name=name, exact=True).first.click()
        page.wait_for_url(f"{at}/**", wait_until="commit")
        page.goto(f"{at}/birds")
    for name, page in pages.items():
        birds, _ = MEMBERS[name]
        expect(page.get_by_role("heading", name="Your birds")).to_be_visible(timeout=60_000)
        for bird in BIRDS:
            shown = page.get_by_role("button", name=bird)
            expect(shown).to_have_count(int(bird in birds), timeout=30_000)
        expect(page.get_by_role("link", name="Sign out")).to_have_count(1)
        expect(page.get_by_role("link", name="The club")).to_have_count(0)
    ada, ben = pages.values()
    assert listed_as_csv(ada) == {"Bird of ada"}
    # Signing out in one browser shuts a second page of it, and nobody else's.
    second = ada.context.new_page()
    second.goto(f"{at}/opinions")
    second.get_by_role("link", name="Sign out").click()
    second.wait_for_url("**/oauth2/end_session**")
    ada.get_by_role("button", name="Bird of ada").click()
    expect(ada.get_by_text("you are signed out", exact=False)).to_be_visible(timeout=30_000)
    assert ada.request.get(f"{at}/_stcore/host-config").status == 403
    assert ben.request.get(f"{at}/_stcore/host-config").status == 200
    assert listed_as_csv(ben) == {"Bird of ben"}
    ben.get_by_role("button", name="Bird of ben").click()
    expect(ben.get_by_role("heading", name="Bird of ben")).to_be_visible()
    # The other pages of the sign-in and of the steward, in the browser that is free again.
    with Store(club.folder) as store:
        word = make_link(store, store.find("Xada"))
    second.goto(f"{at}/shared/{word}")  # what a link opens
    expect(second.get_by_role("heading", name="Bird of ada")).to_be_visible()
    assert faults(second) == []
    second.set_content(shop_sheet_page(load_rules()))  # the sheet for the shop
    assert faults(second) == []
    jar = signed_in(club, "stew").cookies.jar
    second.context.add_cookies([{"name": c.name, "value": c.value, "url": at} for c in jar])
    second.goto(f"{at}/club")
    expect(second.get_by_role("heading", name="The club")).to_be_visible(timeout=60_000)
    assert faults(second, "[data-testid=stHtml]") == []


@pytest.mark.parametrize("name", ["stranger", "eve"])
def test_whom_the_steward_or_the_provider_does_not_vouch_for_sees_no_bird(club, name):
    page = page_of(club, signed_in(club, name), "birds")
    assert "this club has not let you in" in page.text()
    assert "Bird of" not in str(page.elements)
    assert page.kinds() == {"html", "alert"}  # the look of the app, and this
    page.close()
    with Store(club.folder) as store, store.engine.connect() as connection:
        assert all(p.subject is None for p in people(connection) if name in p.email)
