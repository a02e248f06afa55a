"""Photos in an S3-compatible store: a server of moto's, which answers as Amazon's own does."""

import hashlib

import pytest
from made_birds import a_bird, an_entry

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds.exchange import export_store, import_store
from fieldmarks.birds.observation import MeasuredPhoto
from fieldmarks.birds.photos import PhotoBucket, PhotoFolder, photo_name
from fieldmarks.birds.store import Store
from fieldmarks.birds.upkeep import check_store, mend_store


@pytest.fixture(scope="module")
def service():
    """moto's server on a free port of this computer; gives boto3's client of it."""
    import boto3
    from moto.server import ThreadedMotoServer

    server = ThreadedMotoServer(ip_address="127.0.0.1", port=0)
    server.start()
    host, port = server.get_host_and_port()
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("AWS_ENDPOINT_URL", f"http://{host}:{port}")
        patch.setenv("AWS_ACCESS_KEY_ID", "invented")
        patch.setenv("AWS_SECRET_ACCESS_KEY", "invented")
        patch.setenv("AWS_DEFAULT_REGION", "us-east-1")
        yield boto3.client("s3")
    server.stop()


@pytest.fixture
def bucket(service, request):
    name = f"club-{hashlib.sha256(request.node.name.encode()).hexdigest()[:12]}"
    service.create_bucket(Bucket=name)
    return name


@pytest.fixture(params=["folder", "bucket"])
def storage(request, tmp_path):
    if request.param == "folder":
        return PhotoFolder(tmp_path)
    return PhotoBucket(f"s3://{request.getfixturevalue('bucket')}/photos")


def named(data):
    digest = hashlib.sha256(data).hexdigest()
    return f"{digest[:2]}/{digest}.jpg"


def test_folder_and_bucket_keep_photos_alike(storage):
    one, two = b"one" * 1000, b"two" * 1000
    assert storage.put(named(one), one)
    assert not storage.put(named(one), one)
    storage.put(named(two), two)
    assert storage.get(named(one)) == one
    assert sorted(storage.names()) == sorted([named(one), named(two)])
    storage.remove(named(one))
    storage.remove(named(one))  # a second time does no harm
    assert list(storage.names()) == [named(two)]
    with pytest.raises(FieldmarksError, match="missing"):
        storage.get(named(one))


def test_a_photo_that_was_changed_is_told_and_mended_by_the_right_one(storage):
    right = b"right" * 1000
    storage.put(named(right), b"wrong" * 1000)
    with pytest.raises(FieldmarksError, match="changed after it was saved"):
        storage.get(named(right))
    assert storage.put(named(right), right)
    assert storage.get(named(right)) == right


@pytest.fixture
def store(tmp_path, bucket, monkeypatch):
    monkeypatch.setenv("FIELDMARKS_PHOTOS", f"s3://{bucket}/birds")
    with Store(tmp_path / "store") as opened:
        yield opened


def keys(service, bucket):
    return [o["Key"] for o in service.list_objects_v2(Bucket=bucket).get("Contents", [])]


def test_a_look_is_kept_in_the_bucket_and_moves_with_a_backup(
    store, service, bucket, tables, clean_shot, tmp_path, monkeypatch
):
    bird = store.save(a_bird())
    entry = store.save_entry(an_entry(bird), [clean_shot], tables)
    (observation,) = entry.observations
    assert keys(service, bucket) == [f"birds/{photo_name(observation)}"]
    assert not (store.folder / "photos").exists()
    assert store.photo(observation) == clean_shot.photo
    assert check_store(store) == []
    export_store(store, tmp_path / "all.zip", with_place=True)
    monkeypatch.delenv("FIELDMARKS_PHOTOS")
    with Store(tmp_path / "folder") as other:
        import_store(other, tmp_path / "all.zip")
        assert other.photo(observation) == clean_shot.photo


def test_a_save_without_its_photo_is_refused_and_leaves_the_kept_one_whole(
    store, tables, clean_shot
):
    bird = store.save(a_bird())
    entry = store.save_entry(an_entry(bird), [clean_shot], tables)
    without = MeasuredPhoto(b"", clean_shot.record)
    with pytest.raises(FieldmarksError, match="made from another photo"):
        store.save_entry(an_entry(bird), [without], tables)
    (kept,) = store.entries(bird.id)
    assert kept.id == entry.id
    assert store.photo(kept.observations[0]) == clean_shot.photo


def test_a_photo_goes_only_when_no_look_of_anybody_needs_it(
    store, service, bucket, tables, clean_shot, monkeypatch
):
    """A second member's save of the same photo fails; the first one's look keeps its photo."""
    one, two = store.save(a_bird("One")), store.save(a_bird("Two"))
    store.save_entry(an_entry(one), [clean_shot], tables)
    monkeypatch.setattr("fieldmarks.birds.writing.Writing.put_record", lambda *_: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        store.save_entry(an_entry(two), [clean_shot], tables)
    assert len(keys(service, bucket)) == 1
    left = b"left over" * 1000
    store.photos.put(named(left), left)
    assert len(check_store(store)) == 1
    assert mend_store(store) == 1
    assert len(keys(service, bucket)) == 1
    assert check_store(store) == []


def test_a_save_that_fails_leaves_no_photo_in_the_bucket(
    store, service, bucket, tables, clean_shot, monkeypatch
):
    bird = store.save(a_bird())
    monkeypatch.setattr("fieldmarks.birds.writing.Writing.put_record", lambda *_: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        store.save_entry(an_entry(bird), [clean_shot], tables)
    assert keys(service, bucket) == []


def test_what_others_keep_in_the_bucket_is_left_alone(store, service, bucket):
    service.put_object(Bucket=bucket, Key="birds/ab/theirs.part", Body=b"not ours")
    assert check_store(store) == []
    assert mend_store(store) == 0
    assert keys(service, bucket) == ["birds/ab/theirs.part"]


def test_photos_of_one_database_never_lie_in_two_places(store, tmp_path, monkeypatch):
    for place in ("s3://elsewhere/birds", ""):
        monkeypatch.setenv("FIELDMARKS_PHOTOS", place)
        with (
            Store(tmp_path / "store") as again,
            pytest.raises(FieldmarksError, match="photos of this database lie in s3://club-"),
        ):
            _ = again.photos


def test_photos_come_over_from_a_folder(tmp_path, bucket, tables, clean_shot, monkeypatch):
    with Store(tmp_path / "store") as before:
        bird = before.save(a_bird())
        (observation,) = before.save_entry(an_entry(bird), [clean_shot], tables).observations
    monkeypatch.setenv("FIELDMARKS_PHOTOS", f"s3://{bucket}/birds")
    with Store(tmp_path / "store") as store:
        assert mend_store(store, tmp_path / "store") == 1
        assert store.photo(observation) == clean_shot.photo


def test_a_bucket_that_does_not_answer_is_told_in_one_line(service, store):
    with pytest.raises(FieldmarksError, match="does not answer") as told:
        PhotoBucket("s3://no-such-bucket-here/x").put(named(b"x"), b"x")
    assert "\n" not in str(told.value)


@pytest.mark.parametrize("url", ["http://x/y", "s3://", "/folder", "file:///x"])
def test_only_a_bucket_can_be_named(url, tmp_path, monkeypatch):
    monkeypatch.setenv("FIELDMARKS_PHOTOS", url)
    with pytest.raises(FieldmarksError, match="photos cannot be kept there"):
        Store(tmp_path / "store")
