"""A dossier tells whether anyone changed it, and whose it is."""

import dataclasses
import json
from datetime import date

import pytest
from made_birds import a_bird, an_entry
from test_exchange import changed, relist

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds import service as desk
from fieldmarks.birds.dossier import verify_dossier, write_dossier
from fieldmarks.birds.signature import own_key


@pytest.fixture
def sealed(tmp_path, tables, clean_shot, monkeypatch):
    monkeypatch.setenv("FIELDMARKS_KEY", str(tmp_path / "key.pem"))
    path = tmp_path / "d.zip"
    told = [dataclasses.replace(clean_shot, measured_by="Ada", day=date(2026, 3, 1))]
    seal = write_dossier(path, a_bird("Pip", ring="AB1"), told, tables, key=own_key())
    return path, seal


def test_an_unchanged_dossier_shows_its_seal_and_key(sealed, tables):
    path, seal = sealed
    found = verify_dossier(path, tables)
    assert found.same
    assert (found.seal, found.key) == (seal.seal, seal.key)
    assert "is not known until you compare the seal or the key" in found.sentence
    for told in ({"seal": seal.seal}, {"key": seal.key}, {"seal": seal.seal.upper()}):
        found = verify_dossier(path, tables, **told)
        assert found.same
        assert "not known" not in found.sentence


def other_ring(files, manifest):
    contents = json.loads(files["dossier.json"])
    contents["bird"]["ring"] = "ZZ9"
    files["dossier.json"] = json.dumps(contents).encode()


def other_measurer(files, manifest):
    contents = json.loads(files["dossier.json"])
    contents["items"][0]["measurer"] = "Someone else"
    files["dossier.json"] = json.dumps(contents).encode()


def other_pdf(files, manifest):
    files["dossier.pdf"] = files["dossier.pdf"].replace(b"%PDF-", b"%PDF- ")


CHANGES = [other_ring, other_measurer, other_pdf]


@pytest.mark.parametrize("change", CHANGES)
def test_a_resealed_dossier_with_another_ring_measurer_or_pdf_is_told(
    sealed, tmp_path, tables, change
):
    def reseal(files, manifest):
        change(files, manifest)
        relist(files, manifest)

    bad = changed(sealed[0], tmp_path / "bad.zip", reseal)
    found = verify_dossier(bad, tables)
    assert not found.same
    assert found.key == ""
    (wrong,) = (c for c in found.checks if c.outcome == "different")
    assert wrong.detail == "a file was changed after it was signed"


@pytest.mark.parametrize("change", CHANGES)
def test_one_signed_again_by_another_is_told_by_the_key_and_unsigned_by_the_seal(
    sealed, tmp_path, tables, change
):
    from fieldmarks.birds.archive import digest
    from fieldmarks.birds.dossier import _listed
    from fieldmarks.birds.signature import sign

    path, seal = sealed

    def sign_again(files, manifest):
        change(files, manifest)
        prints = {n: digest(d) for n, d in files.items()}
        mine = sign(_listed(prints), tmp_path / "other.pem")
        files["signature.json"] = mine.model_dump_json().encode()
        relist(files, manifest)

    forged = changed(path, tmp_path / "forged.zip", sign_again)
    found = verify_dossier(forged, tables)
    assert found.same, "by itself it is a dossier of someone else"
    assert found.key != seal.key
    assert not verify_dossier(forged, tables, key=seal.key).same

    def unsign(files, manifest):
        change(files, manifest)
        files.pop("signature.json")
        relist(files, manifest)

    bare = changed(path, tmp_path / "bare.zip", unsign)
    assert not verify_dossier(bare, tables, key=seal.key).same
    assert verify_dossier(bare, tables, seal=seal.seal).same == (change is other_pdf)
    assert any("not signed" in c.detail for c in verify_dossier(bare, tables).checks)


def test_the_key_is_made_once_for_the_keeper_alone_and_a_wrong_file_is_refused(sealed, tmp_path):
    from fieldmarks.birds.signature import sign

    file = own_key()
    assert file.stat().st_mode & 0o777 == 0o600
    first, second = sign(b"x", file), sign(b"x", file)
    assert first == second
    assert first.fits(b"x")
    assert not first.fits(b"y")
    file.write_bytes(b"nothing")
    with pytest.raises(FieldmarksError, match="no key to sign with"):
        sign(b"x", file)
    assert file.read_bytes() == b"nothing"


def test_the_signature_is_the_one_of_the_standard():
    """RFC 8032, section 7.1, TEST 2: the library used gives the published signature."""
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    secret = "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb"
    signed = (
        "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da"
        "085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00"
    )
    key = Ed25519PrivateKey.from_private_bytes(bytes.fromhex(secret))
    assert key.sign(bytes.fromhex("72")).hex() == signed


def test_a_dossier_of_orange_and_clean_photos_is_signed_when_made_from_the_store(
    app_store, tables, clean_shot, tmp_path
):
    bird = app_store.save(a_bird("Pip"))
    entry = app_store.save_entry(an_entry(bird), [clean_shot], tables)
    seal = desk.make_dossier(app_store, bird, [entry], tables, tmp_path / "d.zip")
    assert verify_dossier(tmp_path / "d.zip", tables, seal.seal, seal.key).same
