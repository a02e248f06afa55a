"""The commands on light, as a keeper types them."""

import re
from dataclasses import replace

import numpy as np
from PIL import Image
from test_frame import framed
from test_phone_profile import chart_tiles, phone_photo, tile
from typer.testing import CliRunner

from fieldmarks.cli.light import app
from fieldmarks.measure.region import RegionSet
from fieldmarks.measure.region_file import read_region_file, write_region_file
from fieldmarks.pipeline import demo_birds

run = CliRunner()


def save(photo, path):
    codes = photo.codes((0, 0, photo.width, photo.height))
    Image.fromarray(np.ascontiguousarray(codes)).save(path)
    return path


def test_the_frame_is_printed(tmp_path):
    assert run.invoke(app, ["print-frame", str(tmp_path / "f.pdf")]).exit_code == 0
    assert (tmp_path / "f.pdf").read_bytes().startswith(b"%PDF")


def test_a_frame_is_found_and_added_once(tmp_path):
    path = save(framed(300, 0.1)[0], tmp_path / "framed.png")
    for _ in range(2):
        result = run.invoke(app, ["find-card", str(path), "--add"])
        assert result.exit_code == 0
        assert "mm per" in result.output
    regions = read_region_file(tmp_path / "framed.regions.json")
    assert sorted(r.mark for r in regions.regions) == ["card", "scale"]


def test_a_frame_does_not_lend_its_photo_to_the_regions_of_another(tmp_path):
    """Written with this photo's fingerprint they would pass for its own from then on."""
    path, beside = save(framed(300, 0.1)[0], tmp_path / "framed.png"), "framed.regions.json"
    write_region_file(RegionSet("framed.png", 9, 9), tmp_path / beside)
    before = (tmp_path / beside).read_bytes()
    for command in (["find-card", str(path), "--add"], ["check-photo", str(path)]):
        assert "on a photo of 9 x 9 pixels" in str(run.invoke(app, command).exception)
    assert (tmp_path / beside).read_bytes() == before


def test_a_card_is_proposed_where_there_is_no_frame():
    bird = demo_birds()["personatus_clean"]
    result = run.invoke(app, ["find-card", str(bird)])
    assert "No printed frame" in result.output
    assert "Could be a card (1" in result.output


def test_a_demo_photo_is_checked_and_the_charts_are_listed():
    bird = demo_birds()["personatus_clean"]
    fit = run.invoke(app, ["check-photo", str(bird)]).output
    assert "JPEG quality" in fit
    assert fit.endswith("Fit: nothing speaks against it.\n")
    for name, said in (
        ("personatus_card_in_shadow", "Not fit: the card cannot be used"),
        ("fischeri_no_card", "No grey card is marked"),
    ):
        output = run.invoke(app, ["check-photo", str(demo_birds()[name])]).output
        assert said in output.splitlines()[-1]
    assert "chart24:" in run.invoke(app, ["charts"]).output


def test_a_phone_is_learned_and_kept_and_listed_with_its_error(tmp_path, monkeypatch):
    from fieldmarks.measure import phone_profile

    monkeypatch.setattr(phone_profile, "profile_folder", lambda: tmp_path / "phones")
    assert "None is kept yet" in run.invoke(app, ["phones"]).output
    photo, _ = phone_photo()
    path = save(photo, tmp_path / "chart.png")
    regions = RegionSet("chart.png", photo.width, photo.height, (tile(24), *chart_tiles()))
    write_region_file(replace(regions, sha256="0" * 64), tmp_path / "chart.regions.json")
    wrong = run.invoke(app, ["keep-phone", "mine", str(path)])
    assert "it was not drawn on this chart.png" in str(wrong.exception)
    write_region_file(regions, tmp_path / "chart.regions.json")
    kept = run.invoke(app, ["keep-phone", "mine", str(path)])
    assert kept.exit_code == 0, kept.output
    assert (tmp_path / "phones" / "mine.phone.json").exists()
    listed = run.invoke(app, ["phones"]).output
    error = re.search(r"to a mean of ([0-9.]+), 95 % to ([0-9.]+)", kept.output)
    assert re.fullmatch(r"mine: .*, error {} \(95 % {}\)\n".format(*error.groups()), listed)
