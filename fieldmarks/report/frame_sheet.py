"""The printable frame: one A4 page with two frames, true to scale.

The keeper prints it, checks its ruler, cuts out the window and puts a bought grey card behind it.
"""

from datetime import UTC, datetime
from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt
from fpdf import FPDF

from fieldmarks.measure.card_frame import FAMILY, HEIGHT, MARKER, MARKERS, WIDTH, WINDOW

PLACES = ((45.0, 22.0), (45.0, 150.0))  # mm, upper left corners of the frames on the page
RULER = 100  # mm
STEPS = (
    "1. Print at 100 %, not fitted to the page. The ruler below must be 100 mm long.",
    "2. Cut the frame out along its outer line, and the window in its middle.",
    "3. Put a grey card behind the window. Glue nothing over the black squares.",
    "4. Hold it beside the bird, as far from the camera, in the same light. No hand over it.",
)


@lru_cache(maxsize=8)
def cells(marker: int) -> npt.NDArray[np.bool_]:
    """Cells of a marker with its black rim, (6, 6), True where it is black."""
    family = cv2.aruco.getPredefinedDictionary(FAMILY)
    return np.asarray(cv2.aruco.generateImageMarker(family, marker, 6) < 128)


def sheet_pdf() -> bytes:
    """The sheet as a PDF, drawn with lines and boxes only, so that every printer keeps its size."""
    pdf = FPDF(format="A4", unit="mm")
    pdf.set_margin(0)
    pdf.set_auto_page_break(False)
    pdf.set_title("Frame for a grey card")
    pdf.set_creation_date(datetime(2000, 1, 1, tzinfo=UTC))  # the same bytes every time
    pdf.add_page()
    pdf.set_font("helvetica", "B", 11)
    pdf.text(20, 14, "Frame for a grey card: two pieces")
    for place in PLACES:
        _draw_frame(pdf, *place)
    _draw_ruler(pdf, 55.0, 264.0)
    pdf.set_font("helvetica", "", 8)
    for number, step in enumerate(STEPS):
        pdf.text(20, 277 + 4.2 * number, step)
    return bytes(pdf.output())


def _draw_frame(pdf: FPDF, x: float, y: float) -> None:
    pdf.set_draw_color(0)
    pdf.set_line_width(0.1)
    pdf.rect(x, y, WIDTH, HEIGHT)
    pdf.set_dash_pattern(dash=2, gap=1)
    wx, wy, width, height = WINDOW
    pdf.rect(x + wx, y + wy, width, height)
    pdf.set_dash_pattern()
    pdf.set_fill_color(0)
    side = MARKER / 6
    for marker, (mx, my) in MARKERS.items():
        for row, column in np.argwhere(cells(marker)):
            # A hair of overlap, so that no white line shows between black cells.
            pdf.rect(x + mx + column * side, y + my + row * side, side + 0.02, side + 0.02, "F")
    pdf.set_font("helvetica", "", 7)
    pdf.text(x + wx + 9, y + wy + height / 2, "window: cut out")


def _draw_ruler(pdf: FPDF, x: float, y: float) -> None:
    pdf.set_line_width(0.2)
    pdf.set_font("helvetica", "", 7)
    pdf.line(x, y, x + RULER, y)
    for millimetre in range(RULER + 1):
        tall = 4.0 if millimetre % 10 == 0 else 2.8 if millimetre % 5 == 0 else 1.8
        pdf.line(x + millimetre, y, x + millimetre, y - tall)
        if millimetre % 10 == 0:
            pdf.text(x + millimetre - 1.2, y + 3, str(millimetre))
