"""A QR code (ISO/IEC 18004) as a drawing, made by OpenCV."""

import cv2
import numpy as np

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.report.svg import svg

QUIET = 4  # modules left free on each side, as the standard asks for
LONGEST = 500


def qr_svg(text: str, title: str) -> str:
    """A QR code, black on white whatever the theme; it stands a damage of 15 % (level M).

    Args:
        text: Printable ASCII, such as an address.
        title: For a screen reader.

    Raises:
        FieldmarksError: The text is too long or holds other letters.
    """
    if not (0 < len(text) <= LONGEST and text.isascii() and text.isprintable()):
        raise FieldmarksError("this cannot be a QR code", where=text[:60], mend="Correct it")
    how = cv2.QRCodeEncoder.Params()
    how.correction_level = cv2.QRCODE_ENCODER_CORRECT_LEVEL_M
    dark = np.argwhere(np.asarray(cv2.QRCodeEncoder.create(how).encode(text)) < 128)
    dark += QUIET - dark.min(axis=0)  # whatever margin OpenCV leaves
    side = int(dark.max()) + 1 + QUIET
    # A hair of overlap, so that no white line shows between black cells.
    cells = "".join(f"M{x} {y}h1.02v1.02h-1.02z" for y, x in dark.tolist())
    body = (
        f'<path d="M0 0h{side}v{side}h-{side}z" fill="#ffffff"/>',
        f'<path d="{cells}" fill="#000000"/>',
    )
    drawn = svg(side, side, body, title=title, description=text)
    return drawn.replace(
        f'width="{side}" height="{side}"', f'width="{6 * side}" height="{6 * side}"'
    )
