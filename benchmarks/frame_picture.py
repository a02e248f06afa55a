"""The printed frame as a picture, for tests and benchmarks."""

import numpy as np
import numpy.typing as npt

from fieldmarks.measure.card_frame import HEIGHT, MARKER, MARKERS, WIDTH, WINDOW
from fieldmarks.report.frame_sheet import cells


def sheet_picture(pixels_per_mm: float, card: float = 0.18) -> npt.NDArray[np.float32]:
    """One frame with a card in its window as linear grey; (h, w)."""
    size = (round(HEIGHT * pixels_per_mm), round(WIDTH * pixels_per_mm))
    picture = np.full(size, 0.85, np.float32)

    def fill(x: float, y: float, width: float, height: float, value: float) -> None:
        x0, y0, x1, y1 = (round(v * pixels_per_mm) for v in (x, y, x + width, y + height))
        picture[y0:y1, x0:x1] = value

    fill(*WINDOW, card)
    side = MARKER / 6
    for marker, (mx, my) in MARKERS.items():
        for row, column in np.argwhere(cells(marker)):
            fill(mx + column * side, my + row * side, side, side, 0.04)
    return picture
