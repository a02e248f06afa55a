"""Photo: open a picture file safely, once, and hand out windows of linear light.

Supported: JPEG, PNG, TIFF (8 and 16 bit), WebP and HEIC; camera raw through
:mod:`fieldmarks.measure.raw`. The EXIF orientation is applied window by window, so a 12-megapixel
photo is decoded once and never copied or converted as a whole.
"""

import hashlib
import io
import re
import threading
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from weakref import WeakKeyDictionary

import cv2
import numpy as np
import numpy.typing as npt
from PIL import ExifTags, Image, UnidentifiedImageError

from fieldmarks._util.errors import PhotoError, told_if_not_opened
from fieldmarks._util.sanitize import one_line
from fieldmarks.measure.icc import Profile, read_profile, srgb_profile
from fieldmarks.measure.region import Window
from fieldmarks.measure.suffixes import RAW_SUFFIXES

MAX_MEGAPIXELS = 120.0
# What the app's page writes into a JPEG's comment (app/arrive.js).
MADE_SMALLER = re.compile(rb"^fieldmarks: made smaller before it was sent, from (\d+) x (\d+)$")
LONGEST_NAME = 255  # characters; the end is kept, because it says what kind of file it is
HELD_BYTES = 256 * 2**20  # decoded, of all photos that are open in this program
FORMATS = ("JPEG", "PNG", "TIFF", "WEBP", "HEIF")
_KINDS = "JPEG, PNG, TIFF, WebP or HEIC"
_AS_TAKEN = "Use the photo as the phone saved it"
STRIP = 256  # rows
_AS_STORED = cv2.IMREAD_IGNORE_ORIENTATION
START_OF_SCAN = 0xDA
# In the coded picture every FF is followed by 00, a restart marker or another FF (ISO/IEC 10918-1,
# B.1.1.5).
_MARKER = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]")

# EXIF orientation -> (swap axes, flip left-right, flip top-bottom) applied in that order to the
# stored picture (CIPA DC-008, tag 274).
_ORIENTATIONS = {
    1: (False, False, False),
    2: (False, True, False),
    3: (False, True, True),
    4: (False, False, True),
    5: (True, False, False),
    6: (True, True, False),
    7: (True, True, True),
    8: (True, False, True),
}


@dataclass(frozen=True)
class PhotoFacts:
    """What the file says about itself, for the report. Positions (GPS) are never kept.

    ``has_position`` is None where it was not looked for (camera raw).
    """

    format: str
    bits: int
    colour_profile: str
    camera: str = ""
    taken: str = ""
    software: str = ""
    has_position: bool | None = False


Codes = npt.NDArray[np.integer]


class Pixels:
    """The stored picture of a photo, decoded: an array (h, w, 3).

    Those of the photos used last are held; an older one is decoded anew when it is asked for, so
    that many open photos cost little more memory than their files.
    """

    def __init__(self, decode: Callable[[], Codes]) -> None:
        self._decode = decode
        self()

    def __call__(self) -> Codes:
        """The picture, decoded when it is not held."""
        found = _held.get(self)
        if found is None:
            found = self._decode()
        with _holding:
            _held.pop(self, None)
            _held[self] = found  # as the last one used
            over = sum(picture.nbytes for picture in _held.values()) - HELD_BYTES
            for other in list(_held)[:-1]:
                if over > 0:
                    over -= _held.pop(other).nbytes
        return found


_held: WeakKeyDictionary[Pixels, Codes] = WeakKeyDictionary()
_holding = threading.RLock()


@dataclass(frozen=True, eq=False)
class Photo:
    """A decoded photo. Coordinates and windows are those of the upright picture.

    Args:
        name: File name without folders.
        sha256: Fingerprint of the file as it lay on the disk.
        width, height: Upright size in pixels.
        orientation: CIPA DC-008, tag 274, 1 to 8: how the stored picture is turned.
        header (PIL image, optional): What the file says before its picture: tables and tags, for
            judging its fitness.
    """

    name: str
    sha256: str
    width: int
    height: int
    facts: PhotoFacts
    profile: Profile
    warnings: tuple[str, ...]
    _pixels: Pixels
    orientation: int
    header: Image.Image | None = None

    @property
    def white(self) -> int:
        """Largest code value, 255 or 65 535."""
        return 2**self.facts.bits - 1

    def codes(self, window: Window) -> Codes:
        """Code values of a window as stored in the file, an (h, w, 3) array of uint8 or uint16."""
        x0, y0, x1, y1 = window
        return self._upright(self._pixels())[y0:y1, x0:x1]

    def codes8(self) -> npt.NDArray[np.uint8]:
        """Code values of the whole picture, in 8 bits; (height, width, 3)."""
        codes = self._upright(self._pixels())
        return (codes if self.white == 255 else codes >> 8).astype(np.uint8, copy=False)

    def _upright(self, stored: Codes) -> Codes:
        """A stored picture, turned without being copied."""
        swap, flip_x, flip_y = _ORIENTATIONS[self.orientation]
        turned = stored.swapaxes(0, 1) if swap else stored
        return turned[:: -1 if flip_y else 1, :: -1 if flip_x else 1]

    def linear(self, window: Window) -> npt.NDArray[np.float32]:
        """Linear light of a window on the sRGB primaries, (h, w, 3), white at 1, not clipped."""
        return self.profile.to_linear(self.codes(window))

    def preview(self, longest: int = 1600) -> Image.Image:
        """A reduced upright picture in sRGB, for looking at only."""
        step = max(1, round(max(self.width, self.height) / longest))
        stored = self._pixels()
        height, width = stored.shape[:2]
        size = (max(width // step, 1), max(height // step, 1))
        small: npt.NDArray = cv2.resize(stored, size, interpolation=cv2.INTER_AREA)
        return Image.fromarray(self.profile.to_srgb8(self._upright(small)))


def open_photo(path: str | Path, max_megapixels: float = MAX_MEGAPIXELS) -> Photo:
    """Open and decode one photo.

    Args:
        max_megapixels: Refuse larger pictures before decoding them.

    Raises:
        PhotoError: The file is missing, empty, not a photo, damaged, animated, grey-scale, CMYK or
            too large.
    """
    path = Path(path)
    with told_if_not_opened(path.name, kind=PhotoError):
        data = path.read_bytes()
    return decode_photo(data, path.name, max_megapixels)


def decode_photo(data: bytes, name: str, max_megapixels: float = MAX_MEGAPIXELS) -> Photo:
    """Decode a photo that is already in memory; see :func:`open_photo`."""
    name = one_line(name)[-LONGEST_NAME:]
    try:
        if not data:
            raise PhotoError("the file is empty (0 bytes)", mend="Copy the photo again")
        if Path(name).suffix.lower() in RAW_SUFFIXES:
            return _read_raw(data, name, max_megapixels)
        header = _open_header(data)
        _check_header(header, max_megapixels)
        sixteen, exif = _is_sixteen_bit(header, data), header.getexif()
        pixels = Pixels(lambda: _decode(data, sixteen))
    except PhotoError as error:
        raise PhotoError(error.problem, where=name, mend=error.mend) from error.__cause__
    except MemoryError:
        raise PhotoError("there is not enough memory for it", where=name) from None
    except Exception as error:  # damaged files make codecs raise nearly anything
        problem = "is cut short" if "truncated" in str(error) else "is damaged"
        raise PhotoError(
            f"the file {problem}", where=name, mend="Copy the photo again from the camera"
        ) from error
    return _described(data, name, header, exif, pixels)


def _described(
    data: bytes, name: str, header: Image.Image, exif: Image.Exif, pixels: Pixels
) -> Photo:
    """A decoded photo with what its file says about it."""
    stored = pixels()
    height, width = stored.shape[:2]
    notes = []
    bits = 8 * stored.dtype.itemsize
    profile = srgb_profile(bits)
    if icc := header.info.get("icc_profile"):
        try:
            profile = read_profile(icc, bits)
        except ValueError as error:
            notes.append(f"The photo's colour profile was not used: {error}. sRGB was assumed.")
    if before := MADE_SMALLER.search(header.info.get("comment") or b""):
        size = b" x ".join(before.groups()).decode()
        notes.append(
            f"The photo was made smaller in the browser before it was sent (from {size} pixels): "
            "small marks are read less surely."
        )
    tag = ExifTags.Base
    orientation = exif.get(tag.Orientation, 1)
    # pillow-heif turns the picture itself and resets the tag.
    orientation = orientation if orientation in _ORIENTATIONS else 1
    if _ORIENTATIONS[orientation][0]:
        width, height = height, width
    make, model = (str(exif.get(one, "")).strip("\0 ") for one in (tag.Make, tag.Model))
    facts = PhotoFacts(
        format="JPEG" if header.format == "MPO" else str(header.format),
        bits=bits,
        colour_profile=profile.name,
        camera=one_line(" ".join(dict.fromkeys(f"{make} {model}".split())))[:120],
        taken=one_line(str(exif.get(tag.DateTime, "")))[:40],
        software=one_line(str(exif.get(tag.Software, "")))[:120],
        has_position=_has_position(exif) or b"gpslatitude" in xmp_packet(header).lower(),
    )
    digest = hashlib.sha256(data).hexdigest()
    return Photo(
        name, digest, width, height, facts, profile, tuple(notes), pixels, orientation, header
    )


def _read_raw(data: bytes, name: str, max_megapixels: float) -> Photo:
    from fieldmarks.measure.raw import develop

    codes, profile = develop(data, max_megapixels)
    facts = PhotoFacts("RAW", bits=16, colour_profile=profile.name, has_position=None)
    height, width = codes.shape[:2]
    digest = hashlib.sha256(data).hexdigest()
    return Photo(name, digest, width, height, facts, profile, (), Pixels(lambda: codes), 1)


def _open_header(data: bytes) -> Image.Image:
    import pillow_heif

    pillow_heif.register_heif_opener()
    try:
        with warnings.catch_warnings():
            # Our own limit below is stricter and worded for a keeper.
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)
            return Image.open(io.BytesIO(data), formats=FORMATS)
    except Image.DecompressionBombError:
        raise PhotoError(
            f"the picture is larger than {MAX_MEGAPIXELS:.0f} megapixels", mend=_AS_TAKEN
        ) from None
    except UnidentifiedImageError:
        raise PhotoError(
            "this is not a photo, whatever its name says", mend=f"Choose a {_KINDS} file"
        ) from None


def _has_position(exif: Image.Exif) -> bool:
    """Whether the GPS block holds a latitude or longitude (EXIF 2.32, GPS tags 2 and 4)."""
    place = exif.get_ifd(ExifTags.IFD.GPSInfo) if ExifTags.IFD.GPSInfo in exif else {}
    return 2 in place or 4 in place


def xmp_packet(header: Image.Image) -> bytes:
    """The XMP packet of a file, or nothing."""
    packet = header.info.get("xmp") or header.info.get("XML:com.adobe.xmp") or b""
    return packet.encode("utf-8", "replace") if isinstance(packet, str) else bytes(packet)


def _check_header(header: Image.Image, max_megapixels: float) -> None:
    megapixels = header.width * header.height / 1e6
    if megapixels > max_megapixels:
        raise PhotoError(
            f"the picture is {megapixels:.0f} megapixels, the limit is {max_megapixels:.0f}",
            mend=_AS_TAKEN,
        )
    if header.format in ("PNG", "WEBP", "TIFF") and getattr(header, "n_frames", 1) > 1:
        raise PhotoError("this holds several pictures or moves", mend="Choose one still photo")
    base = header.mode.split(";")[0]
    if base in ("1", "L", "LA", "La", "I", "F"):
        raise PhotoError(
            "this is a grey-scale picture and holds no colour", mend="Choose the colour photo"
        )
    if base in ("CMYK", "LAB", "YCCK"):
        raise PhotoError(
            f"this is a {base} picture made for printing",
            mend="Choose the photo as the phone or camera saved it",
        )


def _is_sixteen_bit(header: Image.Image, data: bytes) -> bool:
    if header.format == "PNG":
        return data[24] == 16  # bit depth in IHDR (ISO/IEC 15948, 11.2.2)
    if header.format == "TIFF":
        return max(np.atleast_1d(header.getexif().get(258, 8))) == 16  # BitsPerSample
    return False


def _decode(data: bytes, sixteen: bool) -> Codes:
    """The picture as it is stored, (h, w, 3) in uint8 or uint16."""
    header = _open_header(data)
    if sixteen:
        picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED | _AS_STORED)
        if picture is None:
            raise ValueError("truncated")
        if picture.ndim != 3:
            raise ValueError("not a 16-bit RGB picture")
        return picture[..., [2, 1, 0]].astype(np.uint16, copy=False, casting="no")
    if header.mode == "RGB" and header.format in ("JPEG", "MPO"):
        # The very pixels that Pillow gives, in half the time; but a file that is cut short is
        # filled with grey and nothing said.
        if not _ends_properly(data):
            raise ValueError("truncated")
        picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR_RGB | _AS_STORED)
        if picture is not None and picture.shape == (header.height, header.width, 3):
            return picture.astype(np.uint8, copy=False)
    return _rgb(header)


def _rgb(image: Image.Image) -> npt.NDArray[np.uint8]:
    """Code values (h, w, 3) of a picture, some rows at a time to spare the memory of a copy."""
    image.load()
    codes = np.empty((image.height, image.width, 3), np.uint8)
    for top in range(0, image.height, STRIP):
        below = min(top + STRIP, image.height)
        strip = image.crop((0, top, image.width, below))
        codes[top:below] = np.asarray(strip.convert("RGB"))
    return codes


def _ends_properly(jpeg: bytes) -> bool:
    """Whether a JPEG has its end marker after the start of its picture.

    A thumbnail's end marker lies before the start of scan and is stepped over with its segment.
    """
    scans = (start for marker, start, _ in jpeg_segments(jpeg) if marker == START_OF_SCAN)
    return jpeg.rfind(b"\xff\xd9", next(scans, len(jpeg))) >= 0  # nearly always at the very end


def jpeg_segments(data: bytes) -> Iterator[tuple[int, int, int]]:
    """Marker, start and end of each segment of a JPEG (ISO/IEC 10918-1, B.1).

    The coded picture that follows a start of scan is a piece of its own, with marker 0.

    Raises:
        ValueError: It is cut short, or its segments are damaged.
    """
    start = 2
    while start + 1 < len(data):
        if data[start] != 0xFF:
            raise ValueError("no marker where one should be")
        marker = data[start + 1]
        if marker == 0xD9:
            yield marker, start, start + 2
            return
        if marker == 0xFF or marker == 0x01 or 0xD0 <= marker <= 0xD7:
            start += 1 if marker == 0xFF else 2  # fill byte, or nothing but a marker
            continue
        size = int.from_bytes(data[start + 2 : start + 4], "big")
        stop = start + 2 + size
        if size < 2 or stop > len(data):
            raise ValueError("truncated")
        yield marker, start, stop
        if marker == START_OF_SCAN:
            found = _MARKER.search(data, stop)
            if found is None:
                raise ValueError("truncated")
            yield 0, stop, found.start()
            stop = found.start()
        start = stop
    raise ValueError("truncated")
