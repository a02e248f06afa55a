"""Printed frames found, frames that are not there, and the error of a length.

Run: python benchmarks/frames.py [--frames N] [--empty M] [--seed S] [FOLDER]

Frames of our own sheet are laid, turned and tilted, into pictures of random texture, blurred, given
grain and shadow and saved as JPEG. The length judged is a line of 60 mm in the frame's plane, drawn
with the true corners. Pictures without a frame are textures, checkerboards, bars, boxes and random
square codes of a like look; with FOLDER also crops of the pictures in it.
"""

import argparse
from pathlib import Path

import cv2
import numpy as np
from _tables import markdown, save
from frame_picture import sheet_picture
from simulator.phone import add_noise, jpeg_bytes, to_8bit

from fieldmarks.measure.card_frame import HEIGHT, WIDTH, PrintedFrame, find_frame
from fieldmarks.measure.colour import encode_srgb
from fieldmarks.measure.photo import Photo, decode_photo, open_photo

SIZE = (900, 1200)
CENTRE = np.array([WIDTH / 2, HEIGHT / 2])
BANDS = ((80, 120), (120, 160), (160, 240), (240, 480), (480, 640))


def background(rng: np.random.Generator) -> np.ndarray:
    """A linear colour picture without a frame: blobs, boxes, bars, squares and text-like marks."""
    height, width = SIZE
    small = rng.uniform(0.02, 0.7, (height // 60, width // 60, 3)).astype(np.float32)
    picture = cv2.resize(small, (width, height), interpolation=cv2.INTER_CUBIC)
    for _ in range(rng.integers(5, 40)):
        x, y = rng.integers(0, width), rng.integers(0, height)
        w, h = rng.integers(5, 260, 2)
        colour = tuple(float(v) for v in rng.uniform(0.01, 0.9, 3))
        kind = rng.integers(4)
        if kind == 0:
            cv2.rectangle(picture, (x, y), (x + w, y + h), colour, -1)
        elif kind == 1:
            cv2.ellipse(picture, (x, y), (int(w), int(h)), rng.uniform(0, 180), 0, 360, colour, -1)
        elif kind == 2:
            cells = rng.integers(3, 10)
            board = rng.random((cells, cells)) > 0.5
            board = np.pad(board, 1)  # a black rim, as square codes have
            code = np.where(board, 0.85, 0.04).astype(np.float32)
            code = cv2.resize(code, (int(w) + 8, int(w) + 8), interpolation=cv2.INTER_NEAREST)
            part = picture[y : y + code.shape[0], x : x + code.shape[1]]
            part[:] = code[: part.shape[0], : part.shape[1], None]
        else:
            for k in range(rng.integers(2, 12)):
                cv2.line(picture, (x + 6 * k, y), (x + 6 * k, y + int(h)), colour, 2)
    grain = rng.normal(0, 0.04, (height // 2, width // 2, 1)).astype(np.float32)
    grain = cv2.resize(grain, (width, height), interpolation=cv2.INTER_LINEAR)[..., None]
    return np.clip(picture * (1 + grain), 0.005, 1)


def photograph(linear: np.ndarray, rng: np.random.Generator) -> Photo:
    """Blur, grain, cast and JPEG."""
    blurred = cv2.GaussianBlur(linear, (0, 0), rng.uniform(0.4, 1.1))
    cast = rng.uniform(0.8, 1.15, 3).astype(np.float32) * rng.uniform(0.5, 1.0)
    noisy = add_noise(blurred * cast, int(rng.integers(2**31)), shot=rng.uniform(1e-4, 8e-4))
    data = jpeg_bytes(to_8bit(encode_srgb(noisy)), int(rng.integers(60, 96)))
    return decode_photo(data, "frame.jpg")


def with_frame(wide: float, rng: np.random.Generator) -> tuple[Photo, np.ndarray]:
    """A photo with a frame of a given width in pixels, and its true plane (mm to pixels)."""
    height, width = SIZE
    picture = background(rng)
    scale = wide / WIDTH
    angle = rng.uniform(-0.5, 0.5)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    box = np.array([[0, 0], [WIDTH, 0], [WIDTH, HEIGHT], [0, HEIGHT]]) - CENTRE
    # A sheet held by hand: up to 25 degrees off square, seen from about a metre.
    tilt = np.radians(rng.uniform(-25, 25, 2))
    depth = 1 + (box[:, 0] * np.sin(tilt[0]) + box[:, 1] * np.sin(tilt[1])) / 1000
    flat = box * np.cos(tilt) / depth[:, None] * scale
    corners = flat @ turn.T
    room = np.abs(corners).max(axis=0) + 4
    corners = corners + rng.uniform(room, np.maximum([width, height] - room, room))
    plane = cv2.getPerspectiveTransform(
        (box + CENTRE).astype(np.float32), corners.astype(np.float32)
    )
    fine = 3 * max(scale, 1.0)
    sheet = sheet_picture(fine)
    to_mm = np.diag([1 / fine, 1 / fine, 1.0])
    # Drawn at three times the size and reduced, so that edges are as soft as a lens makes them.
    big = np.diag([3.0, 3.0, 1.0]) @ plane @ to_mm
    drawn = cv2.warpPerspective(sheet, big, (3 * width, 3 * height), flags=cv2.INTER_LINEAR)
    cover = cv2.warpPerspective(np.ones_like(sheet), big, (3 * width, 3 * height))
    drawn, cover = (
        cv2.resize(p, (width, height), interpolation=cv2.INTER_AREA)[..., None]
        for p in (drawn, cover)
    )
    x = np.linspace(-1, 1, width, dtype=np.float32)[None, :, None]
    light = 1 + rng.uniform(-0.3, 0.3) * x
    return photograph((picture * (1 - cover) + drawn) * light, rng), plane


def length_error(frame: PrintedFrame, plane: np.ndarray, rng: np.random.Generator) -> float:
    """Relative error of a 60 mm line through the middle of the sheet, in a random direction."""
    angle = rng.uniform(0, np.pi)
    half = 30 * np.array([np.cos(angle), np.sin(angle)])
    ends = np.stack([CENTRE - half, CENTRE + half])
    pixels = cv2.perspectiveTransform(ends.reshape(-1, 1, 2), plane)[:, 0]
    return float(np.linalg.norm(pixels[1] - pixels[0])) * frame.mm_per_pixel / 60 - 1


def crops(folder: Path, rng: np.random.Generator) -> list[np.ndarray]:
    """Random crops of the pictures in a folder, none of which shows a frame."""
    photos = [open_photo(p) for p in sorted(folder.glob("*.jpg"))]
    out = []
    for photo in photos:
        for _ in range(10):
            side = int(rng.integers(300, min(photo.width, photo.height)))
            x = int(rng.integers(0, photo.width - side + 1))
            y = int(rng.integers(0, photo.height - side + 1))
            part = photo.linear((x, y, x + side, y + side))
            out.append(cv2.resize(part, SIZE[::-1], interpolation=cv2.INTER_AREA))
    return out


def main() -> None:
    options = argparse.ArgumentParser()
    options.add_argument("--frames", type=int, default=500)
    options.add_argument("--empty", type=int, default=500)
    options.add_argument("--seed", type=int, default=0)
    options.add_argument("folder", nargs="?", type=Path)
    chosen = options.parse_args()
    rng = np.random.default_rng(chosen.seed)
    found: dict[tuple[int, int], list] = {band: [] for band in BANDS}
    for number in range(chosen.frames):
        band = BANDS[number % len(BANDS)]
        photo, plane = with_frame(rng.uniform(*band), rng)
        frame = find_frame(photo)
        error = None if frame is None else length_error(frame, plane, rng)
        found[band].append((frame, error))
    rows = []
    for (low, high), results in found.items():
        errors = np.array([e for _, e in results if e is not None])
        stated = np.array([f.scale_error for f, _ in results if f is not None])
        rows.append(
            (f"{low} to {high}", len(results), f"{len(errors) / len(results):.1%}",
             f"{np.abs(errors).mean():.1%}" if len(errors) else "",
             f"{np.percentile(np.abs(errors), 95):.1%}" if len(errors) else "",
             f"{(np.abs(errors) <= 2 * stated).mean():.0%}" if len(errors) else "",
             f"{np.median(stated):.1%}" if len(errors) else "")
        )  # fmt: skip
    wide = [r for band, results in found.items() if band[0] >= 120 for r in results]
    share = sum(f is not None for f, _ in wide) / len(wide)
    pictures = crops(chosen.folder, rng)[: chosen.empty] if chosen.folder else []
    own = len(pictures)
    wrong = sum(find_frame(photograph(p, rng)) is not None for p in pictures)
    for _ in range(chosen.empty - own):
        wrong += find_frame(photograph(background(rng), rng)) is not None
    save(
        "frames",
        "Printed frames: found, falsely found, and the error of a length",
        f"{chosen.frames} frames and {chosen.empty} pictures without one ({own} of them crops of "
        f"our own painted birds), {SIZE[1]} x {SIZE[0]} pixels, seed {chosen.seed}. Tilt up to 25 "
        "degrees, blur 0.4 to 1.1 pixels, JPEG quality 60 to 95.",
        markdown(
            ("width, pixels", "frames", "found", "length error", "95 %", "inside k = 2", "u"), rows
        ),
        f"Frames at least 120 pixels wide found: {share:.1%} of {len(wide)}. False finds: {wrong} "
        f"in {chosen.empty}.",
    )


if __name__ == "__main__":
    main()
