"""One photo with ten regions: the whole run against decoding the same file, in one process.

Run: python benchmarks/speed.py

"Whole run" is open, card, ten regions, relations and findings, after imports and tables are
loaded. The sides alternate, so that a machine whose speed drifts favours none, and ratios are given
by the clock and by processor time, which other programs on the machine disturb less. Memory is what
one run adds to a process that has its imports, at its highest, over the bytes of the decoded
picture.
"""

import io
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
from _tables import markdown, save
from PIL import Image

from fieldmarks.measure import region
from fieldmarks.measure.colour import encode_srgb, lab_to_linear
from fieldmarks.measure.photo import decode_photo
from fieldmarks.measure.region import Ellipse, Rectangle, Region, RegionSet
from fieldmarks.pipeline import make_record
from fieldmarks.rules import load_rules

MARKS = ("face", "collar", "bib", "nape", "back", "rump", "beak_base", "beak_tip", "crown", "wing")
RUNS = 15
SIZES = {2: (1600, 1200), 12: (4000, 3000), 48: (8000, 6000)}


def scene(width: int, height: int) -> tuple[bytes, RegionSet]:
    """A grainy JPEG with a card and ten round marks of the same size in pixels at every size.

    Every fourth mark has two colours, as have a quarter of the marks on the demo birds.
    """
    rng = np.random.default_rng(0)
    small = rng.uniform(0.05, 0.6, (height // 40, width // 40, 3))
    linear = cv2.resize(small, (width, height), interpolation=cv2.INTER_CUBIC)
    regions = [Region("card", "card", Rectangle(30, 30, 240, 240))]
    linear[30:270, 30:270] = 0.18
    for number, mark in enumerate(MARKS):
        x, y = 320 + 250 * (number % 5), 400 + 300 * (number // 5)
        colour = lab_to_linear(rng.uniform([30, -30, -30], [75, 30, 40]))
        cv2.circle(linear, (x, y), 110, colour.tolist(), -1)
        if number % 4 == 0:
            other = lab_to_linear(rng.uniform([30, -30, -30], [75, 30, 40]))
            cv2.ellipse(linear, (x, y), (110, 110), 0, 90, 270, other.tolist(), -1)
        regions.append(Region(mark, mark, Ellipse(x, y, 100, 100)))
    linear += rng.normal(0, 0.01, linear.shape)
    buffer = io.BytesIO()
    picture = np.round(encode_srgb(linear) * 255).astype(np.uint8)
    Image.fromarray(picture).save(buffer, "JPEG", quality=90)
    return buffer.getvalue(), RegionSet("photo.jpg", width, height, tuple(regions))


def forget_outlines() -> None:
    """Empty what :mod:`fieldmarks.measure.region` remembers of the outlines it has seen."""
    for remembered in vars(region).values():
        if hasattr(remembered, "cache_clear"):
            remembered.cache_clear()


def clock(work: Callable[[], object]) -> tuple[float, float]:
    """Seconds of one call, by the clock and of processor time."""
    start, busy = time.perf_counter(), time.process_time()
    work()
    return time.perf_counter() - start, time.process_time() - busy


def compare(megapixels: int) -> dict[str, float]:
    """Median seconds of the whole run and of three ways to decode or convert the same file."""
    data, regions = scene(*SIZES[megapixels])
    tables = load_rules()
    encoded = np.frombuffer(data, np.uint8)

    def whole() -> None:
        forget_outlines()  # another photo would bring its own
        make_record(decode_photo(data, "photo.jpg"), regions, tables)

    def measured_only() -> None:
        forget_outlines()
        make_record(photo, regions, tables)

    photo = decode_photo(data, "photo.jpg")
    work = {
        "whole run": whole,
        "without decoding": measured_only,
        "Pillow": lambda: Image.open(io.BytesIO(data)).load(),
        "OpenCV": lambda: cv2.imdecode(encoded, cv2.IMREAD_COLOR),
    }
    seconds: dict[str, list[tuple[float, float]]] = {name: [] for name in work}
    for turn in range(RUNS + 1):
        for name, job in work.items():
            once = clock(job)
            if turn:  # the first round warms up
                seconds[name].append(once)
    taken = {name: np.array(times) for name, times in seconds.items()}
    out = {name: float(np.median(times[:, 0])) for name, times in taken.items()}
    for side in ("Pillow", "OpenCV"):
        by_clock, busy = np.median(taken["whole run"] / taken[side], axis=0)
        out[f"over {side}"], out[f"over {side}, busy"] = float(by_clock), float(busy)
    return out


def convert_whole(megapixels: int) -> float:
    """The plain way: decode and convert the whole picture to CIELAB with scikit-image."""
    from skimage.color import rgb2lab

    data, _ = scene(*SIZES[megapixels])
    return clock(lambda: rgb2lab(np.asarray(Image.open(io.BytesIO(data)))))[0]


def peak_memory(megapixels: int) -> float:
    """Peak memory of a fresh process above its imports, over the decoded picture's bytes."""
    command = [sys.executable, "-W", "ignore", __file__, "--memory", str(megapixels)]
    return float(subprocess.run(command, capture_output=True, text=True, check=True).stdout)


def _memory_here(megapixels: int) -> None:
    """Print the ratio for this process: highest resident memory during one run (Linux)."""
    data, regions = scene(*SIZES[megapixels])
    small, few = scene(*SIZES[2])
    tables = load_rules()
    make_record(decode_photo(small, "photo.jpg"), few, tables)  # imports and caches
    before = _memory("VmRSS")
    Path("/proc/self/clear_refs").write_text("5")  # start the high-water mark afresh
    make_record(decode_photo(data, "photo.jpg"), regions, tables)
    width, height = SIZES[megapixels]
    print((_memory("VmHWM") - before) / (width * height * 3))


def _memory(field: str) -> int:
    """Bytes of a field of this process's memory status (proc(5))."""
    status = Path("/proc/self/status").read_text()
    line = next(row for row in status.splitlines() if row.startswith(field))
    return int(line.split()[1]) * 1024


def main() -> None:
    if sys.argv[1:2] == ["--memory"]:
        _memory_here(int(sys.argv[2]))
        return
    rows = []
    for megapixels in SIZES:
        found = compare(megapixels)
        rows.append(
            (
                megapixels,
                f"{1e3 * found['Pillow']:.0f}",
                f"{1e3 * found['OpenCV']:.0f}",
                f"{1e3 * found['whole run']:.0f}",
                f"{1e3 * found['without decoding']:.0f}",
                f"{found['over Pillow']:.2f}",
                f"{found['over OpenCV']:.2f}",
                f"{found['over Pillow, busy']:.2f}",
                f"{found['over OpenCV, busy']:.2f}",
            )
        )
    plain = convert_whole(12)
    pillow = compare(12)["Pillow"]
    save(
        "speed",
        "Speed and memory: one photo, ten regions of 31 000 pixels each, three of two colours",
        "Milliseconds are medians of this one run on this one machine; the ratios are medians of "
        "pairs, by the clock and then by processor time.",
        markdown(
            (
                *("Mpx", "Pillow", "OpenCV", "whole run", "less decoding", "/ Pillow", "/ OpenCV"),
                *("/ Pillow, processor", "/ OpenCV, processor"),
            ),
            rows,
        ),
        f"Converting the whole 12-megapixel picture with scikit-image takes {plain / pillow:.0f} "
        "times as long as decoding it with Pillow.",
        f"Peak memory at 12 megapixels: {peak_memory(12):.1f} times the decoded picture.",
    )


if __name__ == "__main__":
    main()
