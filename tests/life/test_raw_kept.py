"""Camera raw files in a store. The file is made here, no camera wrote it."""

import pytest
from made_birds import a_bird, an_entry
from test_raw import SIDE, negative

from fieldmarks._util.errors import PhotoError
from fieldmarks.birds.exchange import export_store, import_store
from fieldmarks.birds.observation import MeasuredPhoto
from fieldmarks.birds.store import Store
from fieldmarks.measure.photo import decode_photo
from fieldmarks.measure.region import Rectangle, Region, RegionSet
from fieldmarks.pipeline import make_record
from fieldmarks.record import Question

pytest.importorskip("rawpy")


def test_a_raw_photo_is_kept_and_goes_out_only_with_its_place(tmp_path, tables):
    data = negative()
    photo = decode_photo(data, "bird.dng")
    drawn = (
        Region("card", "card", Rectangle(8, 8, SIDE - 16, SIDE - 16)),
        Region("collar", "collar", Rectangle(8, SIDE + 8, SIDE - 16, SIDE - 16)),
    )
    regions = RegionSet("bird.dng", photo.width, photo.height, drawn, photo.sha256)
    shot = MeasuredPhoto(data, make_record(photo, regions, tables, Question()))
    store = Store(tmp_path / "mine")
    bird = store.save(a_bird())
    kept = store.save_entry(an_entry(bird), [shot], tables)
    assert store.photo(kept.observations[0]) == data
    with pytest.raises(PhotoError, match="the place cannot be taken out"):
        export_store(store, tmp_path / "out.zip")
    assert not (tmp_path / "out.zip").exists()
    export_store(store, tmp_path / "out.zip", with_place=True)
    other = Store(tmp_path / "other")
    import_store(other, tmp_path / "out.zip")
    assert other.photo(other.entries(bird.id)[0].observations[0]) == data
