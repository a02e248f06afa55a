"""A folder of 500 photos on one worker, on two, and on a Dask cluster of two.

Run: python benchmarks/batch.py [--photos 500] [--turns 2]

The photos are the demo birds under other names, with another time in their tags and every second
one upside down, so that no two files are the same. Runs alternate, each in a fresh process; a run's
time starts when the program has its imports, and holds the start of the workers.
"""

import argparse
import dataclasses
import hashlib
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from _tables import markdown, save
from PIL import Image

from fieldmarks.folder import Summary, assess_many, photos_in
from fieldmarks.measure.region import Ellipse, Line, Polygon, Rectangle, RegionSet, Shape
from fieldmarks.measure.region_file import read_region_file, write_region_file
from fieldmarks.pipeline import demo_birds, region_file_of
from fieldmarks.record import Question
from fieldmarks.rules import load_rules

UPSIDE_DOWN = 3  # EXIF orientation (CIPA DC-008, tag 274)
MARKS_AT = (0.1, 0.4, 1.0)  # shares of the run at which memory is read
WORKERS = ("1", "2", "dask")


def make_folder(folder: Path, count: int) -> None:
    """Write so many photos with their region files."""
    birds = list(demo_birds().values())
    for number in range(count):
        bird = birds[number % len(birds)]
        turned = number // len(birds) % 2 == 1
        tags = Image.Exif()
        tags[274] = UPSIDE_DOWN if turned else 1
        tags[306] = f"2026:01:01 {number // 3600:02d}:{number // 60 % 60:02d}:{number % 60:02d}"
        body = b"Exif\0\0" + tags.tobytes().removeprefix(b"Exif\0\0")
        segment = b"\xff\xe1" + (len(body) + 2).to_bytes(2, "big") + body
        data = bird.read_bytes()
        data = data[:2] + segment + data[2:]
        photo = folder / f"photo{number:04d}.jpg"
        photo.write_bytes(data)
        drawn = read_region_file(region_file_of(bird))
        regions = tuple(
            dataclasses.replace(r, shape=upside_down(r.shape, drawn) if turned else r.shape)
            for r in drawn.regions
        )
        digest = hashlib.sha256(data).hexdigest()
        moved = RegionSet(photo.name, drawn.width, drawn.height, regions, digest)
        write_region_file(moved, region_file_of(photo))


def upside_down(shape: Shape, photo: RegionSet) -> Shape:
    """A shape on the photo turned by half a turn."""
    width, height = photo.width, photo.height
    if isinstance(shape, Rectangle):
        x, y = width - shape.x - shape.width, height - shape.y - shape.height
        return dataclasses.replace(shape, x=x, y=y)
    if isinstance(shape, Ellipse):
        return dataclasses.replace(shape, cx=width - shape.cx, cy=height - shape.cy)
    if isinstance(shape, Line):
        start, end = ((width - x, height - y) for x, y in (shape.start, shape.end))
        return Line(start, end)
    return Polygon(tuple((width - x, height - y) for x, y in shape.points))


def run(folder: Path, out: Path, workers: str) -> None:
    """One run in this process; prints its figures as JSON."""
    photos, tables = photos_in(folder), load_rules()
    memory: list[tuple[int, int]] = []
    done = [0]
    busy = 0.0
    here = processor_time(os.getpid())

    def tick() -> None:
        done[0] += 1
        if done[0] in [round(share * len(photos)) for share in MARKS_AT]:
            own = children(os.getpid())
            memory.append((peak(os.getpid()), max(map(peak, own), default=0)))

    def work(number: int | None) -> Summary:
        return assess_many(photos, out, tables, Question(), after_each=tick, workers=number)

    start = time.perf_counter()
    if workers == "dask":
        import joblib
        from distributed import Client, LocalCluster

        with (
            LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster,
            Client(cluster),
            joblib.parallel_config(backend="dask"),
        ):
            summary = work(None)
            seconds = time.perf_counter() - start
            busy = max(map(processor_time, children(os.getpid())))
    else:
        summary = work(int(workers))
        seconds = time.perf_counter() - start
        busy = processor_time(os.getpid()) - here
        busy = max([busy, *map(processor_time, children(os.getpid()))])
    assert summary.done == len(photos), summary.problems[:3]
    figures = {"seconds": seconds, "memory": memory, "load": os.getloadavg()[0], "busy": busy}
    print(json.dumps(figures))


def children(process: int) -> list[int]:
    """Numbers of the processes below one that hold much memory (Linux)."""
    found = []
    for status in Path("/proc").glob("[0-9]*/stat"):
        try:
            parent = int(status.read_text().rsplit(")", 1)[1].split()[1])
        except OSError:
            continue
        if parent == process:
            found += [int(status.parent.name), *children(int(status.parent.name))]
    return found


def processor_time(process: int) -> float:
    """Seconds of processor time that a process has used, its imports included (proc(5))."""
    try:
        fields = Path(f"/proc/{process}/stat").read_text().rsplit(")", 1)[1].split()
    except OSError:
        return 0.0
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def peak(process: int) -> int:
    """Highest resident memory of a process so far, MB (proc(5))."""
    try:
        status = Path(f"/proc/{process}/status").read_text()
    except OSError:
        return 0
    line = next((row for row in status.splitlines() if row.startswith("VmHWM")), "VmHWM: 0 kB")
    return int(line.split()[1]) // 1024


def fingerprint(out: Path) -> str:
    """One digest over the names and bytes of all files."""
    digest = hashlib.sha256()
    for path in sorted(out.iterdir()):
        digest.update(path.name.encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()


def main() -> None:
    options = argparse.ArgumentParser()
    options.add_argument("--photos", type=int, default=500)
    options.add_argument("--turns", type=int, default=2)
    options.add_argument("--run", nargs=3)
    given = options.parse_args()
    if given.run:
        run(Path(given.run[0]), Path(given.run[1]), given.run[2])
        return
    found: dict[str, list[dict]] = {workers: [] for workers in WORKERS}
    prints: dict[str, str] = {}
    with tempfile.TemporaryDirectory() as place:
        photos = Path(place) / "photos"
        photos.mkdir()
        make_folder(photos, given.photos)
        for turn in range(given.turns):
            for workers in WORKERS if turn == 0 else WORKERS[:2]:
                out = Path(place) / f"out{turn}{workers}"
                command = [sys.executable, "-W", "ignore", __file__, "--run", photos, out, workers]
                done = subprocess.run(command, capture_output=True, text=True, check=True)
                found[workers].append(json.loads(done.stdout.splitlines()[-1]))
                prints[f"{turn}{workers}"] = fingerprint(out)
                print(workers, found[workers][-1], file=sys.stderr)
    assert len(set(prints.values())) == 1, "the files differ"
    pairs = list(zip(found["1"], found["2"], strict=True))
    ratios = [one["seconds"] / two["seconds"] for one, two in pairs]
    busy = [one["busy"] / two["busy"] for one, two in pairs]
    counts = [round(share * given.photos) for share in MARKS_AT]
    rows = []
    for workers, runs in found.items():
        first = runs[0]["memory"]
        parent = " / ".join(str(p) for p, _ in first)
        below = " / ".join(str(w) for _, w in first) if workers != "1" else "none"
        seconds = statistics.median(r["seconds"] for r in runs)
        label = "Dask, 2" if workers == "dask" else workers
        rows.append((label, f"{1e3 * seconds / given.photos:.0f}", parent, below))
    at = " / ".join(map(str, counts))
    save(
        "batch",
        f"A folder of {given.photos} photos of 7 and 12 megapixels",
        f"Two workers on two cores: {' and '.join(f'{r:.2f}' for r in ratios)} times as fast as "
        f"one by the clock, in {len(ratios)} pairs of runs that took turns, start of the workers "
        f"included. By processor time, which other programs on the machine disturb less, the "
        f"busier worker does it in {' and '.join(f'1/{r:.2f}' for r in busy)} of the time. All "
        f"{len(prints)} runs, Dask's too, wrote the same files to the last byte.",
        markdown(
            (
                "workers",
                "ms per photo",
                f"parent, peak MB after {at}",
                f"largest worker, after {at}",
            ),
            rows,
        ),
        "Milliseconds are of this one machine; load at the end "
        "of each run: "
        + ", ".join(f"{w}: {r['load']:.1f}" for w, runs in found.items() for r in runs)
        + ". With one worker the parent does the work itself.",
    )


if __name__ == "__main__":
    main()
