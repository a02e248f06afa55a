"""Photo files that give a place away in every way we know of, put together byte by byte.

Written from the published formats (EXIF 2.32 and TIFF 6.0, XMP part 3, ISO/IEC 10918-1, 15948,
the WebP container, ISO/IEC 23008-12), apart from the code that takes the places out again.
"""

import io
import struct
import zlib

import numpy as np
import pillow_heif
import tifffile
from PIL import Image, ImageCms

# Words that must not outlive the cleaning; each sits in another part of a file.
SECRETS = (b"SecretValley", b"MakerSecret", b"XmpVillage", b"IptcTown", b"ThumbHamlet",
           b"CommentCity", b"TrailerTown", b"DescribedDell", b"BackupBurgh")  # fmt: skip
CAMERA, MODEL, SOFTWARE = "Invented", "Phone 1", "Camera 2.0"
SHORT, LONG, RATIONAL, ASCII, UNDEFINED, BYTE = 3, 4, 5, 2, 7, 1


def pixels(width=96, height=72, seed=3):
    """A soft picture with some grain, (height, width, 3) uint8."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:height, 0:width]
    base = np.stack([x * 255 / width, y * 255 / height, (x + y) * 255 / (width + height)], -1)
    return np.clip(base + rng.normal(0, 4, base.shape), 0, 255).astype(np.uint8)


def exif(endian="<", orientation=6, thumbnail=True, hdr=False):
    """A TIFF block with camera, exposure, GPS, maker's data, a description and a thumbnail."""
    small = io.BytesIO()
    Image.fromarray(pixels(16, 12)).save(small, "JPEG", comment=b"ThumbHamlet")
    first = {
        0x010E: (ASCII, b"DescribedDell\0"),
        0x010F: (ASCII, CAMERA.encode() + b"\0"),
        0x0110: (ASCII, MODEL.encode() + b"\0"),
        0x0112: (SHORT, [orientation]),
        0x0131: (ASCII, SOFTWARE.encode() + b"\0"),
        0x0132: (ASCII, b"2026:03:01 09:30:00\0"),
        0x8769: "detail",
        0x8825: "gps",
    }
    detail = {
        0x829A: (RATIONAL, [1, 125]),
        0x829D: (RATIONAL, [18, 10]),
        0x8827: (SHORT, [64]),
        0x927C: (UNDEFINED, b"MakerSecret" * 40),
        0xA001: (SHORT, [1]),
        0xA401: (SHORT, [3 if hdr else 0]),
        0xA405: (SHORT, [26]),
        0xA420: (ASCII, b"BackupBurgh\0"),
    }
    gps = {
        0x0001: (ASCII, b"N\0"),
        0x0002: (RATIONAL, [47, 1, 22, 1, 4521, 100]),
        0x0003: (ASCII, b"E\0"),
        0x0004: (RATIONAL, [8, 1, 32, 1, 1234, 100]),
        0x001C: (UNDEFINED, b"ASCII\0\0\0SecretValley"),
    }
    second = {
        0x0103: (SHORT, [6]),
        0x0201: "thumbnail",
        0x0202: (LONG, [len(small.getvalue())]),
    }
    blocks = {"first": first, "detail": detail, "gps": gps}
    if thumbnail:
        blocks["second"] = second
    return tiff_blocks(blocks, {"thumbnail": small.getvalue()}, endian)


def tiff_blocks(blocks, loose, endian="<"):
    """Directories of tags and loose data as one TIFF block (TIFF 6.0, section 2)."""
    places, at = {}, 8
    for name, tags in blocks.items():
        places[name] = at
        at += 2 + 12 * len(tags) + 4
    for name, data in loose.items():
        places[name] = at
        at += len(data) + len(data) % 2
    out = bytearray(b"II*\0" if endian == "<" else b"MM\0*")
    out += struct.pack(endian + "I", places["first"])
    tail = bytearray()
    for name, tags in blocks.items():
        out += struct.pack(endian + "H", len(tags))
        for tag, what in sorted(tags.items()):
            kind, values = (LONG, [places[what]]) if isinstance(what, str) else what
            if isinstance(values, bytes):
                data, count = values, len(values)
            else:
                letter = "H" if kind == SHORT else "I"
                data = struct.pack(f"{endian}{len(values)}{letter}", *values)
                count = len(values) // 2 if kind == RATIONAL else len(values)
            out += struct.pack(endian + "HHI", tag, kind, count)
            if len(data) > 4:
                out += struct.pack(endian + "I", at + len(tail))
                tail += data + b"\0" * (len(data) % 2)
            else:
                out += data.ljust(4, b"\0")
        out += struct.pack(endian + "I", places.get("second", 0) if name == "first" else 0)
    for data in loose.values():
        out += data + b"\0" * (len(data) % 2)
    return bytes(out + tail)


def xmp(orientation=None, gain_map=False):
    """An XMP packet with a village and a position in it."""
    turn = f' tiff:Orientation="{orientation}"' if orientation else ""
    gain = ' xmlns:hdrgm="http://ns.adobe.com/hdr-gain-map/1.0/" hdrgm:Version="1.0"'
    return (
        '<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-'
        'syntax-ns#"><rdf:Description xmlns:exif="http://ns.adobe.com/exif/1.0/" '
        'xmlns:tiff="http://ns.adobe.com/tiff/1.0/" exif:GPSLatitude="47,22.7535N" '
        f'exif:GPSAreaInformation="XmpVillage"{turn}{gain if gain_map else ""}/>'
        "</rdf:RDF></x:xmpmeta>"
    ).encode()


def icc():
    """An sRGB profile, as Little CMS makes it."""
    return ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()


def jpeg(block=None, packet=None, progressive=False, profile=True):
    """A JPEG with EXIF, XMP, IPTC, a comment, a second picture's index and data after its end."""
    out = io.BytesIO()
    more = {"icc_profile": icc()} if profile else {}
    Image.fromarray(pixels()).save(out, "JPEG", quality=90, progressive=progressive, **more)
    return tag_jpeg(out.getvalue(), block, packet)


def tag_jpeg(data, block=None, packet=None):
    """A JPEG with all that gives a place away put into it."""

    def segment(marker, content):
        return bytes((0xFF, marker)) + struct.pack(">H", len(content) + 2) + content

    town = b"\x1c\x02\x5a" + struct.pack(">H", 8) + b"IptcTown"
    extra = segment(0xE1, b"Exif\0\0" + (block or exif()))
    extra += segment(0xE1, b"http://ns.adobe.com/xap/1.0/\0" + (packet or xmp()))
    extra += segment(0xED, b"Photoshop 3.0\x008BIM\x04\x04\0\0" + struct.pack(">I", 13) + town)
    extra += segment(0xFE, b"CommentCity")
    extra += segment(0xEB, b"TrailerTown")
    return data[:2] + extra + data[2:] + b"TrailerTown" + data[:40]


def png(block=None, packet=None, bits=8):
    """A PNG with EXIF, XMP, a text and data after its end."""
    out = io.BytesIO()
    if bits == 8:
        Image.fromarray(pixels()).save(out, "PNG", icc_profile=icc())
    else:
        import cv2

        out.write(cv2.imencode(".png", pixels().astype(np.uint16) * 257)[1].tobytes())
    return tag_png(out.getvalue(), block, packet)


def tag_png(data, block=None, packet=None):
    """A PNG with all that gives a place away put into it."""
    return (
        data[:33]
        + chunk(b"eXIf", block or exif())
        + chunk(b"iTXt", b"XML:com.adobe.xmp\0\0\0\0\0" + (packet or xmp()))
        + chunk(b"tEXt", b"Comment\0CommentCity")
        + data[33:]
        + b"TrailerTown"
    )


def chunk(kind, content):
    """A PNG chunk (ISO/IEC 15948, 5.3)."""
    return (
        struct.pack(">I", len(content)) + kind + content
        + struct.pack(">I", zlib.crc32(kind + content))
    )  # fmt: skip


def webp(block=None, packet=None, lossless=False):
    """A WebP with EXIF, XMP, a strange chunk and data after its end."""
    out = io.BytesIO()
    Image.fromarray(pixels()).save(
        out, "WEBP", exif=block or exif(), xmp=packet or xmp(), icc_profile=icc(),
        lossless=lossless,
    )  # fmt: skip
    data = out.getvalue() + b"ODD " + struct.pack("<I", 12) + b"CommentCity\0"
    return data[:4] + struct.pack("<I", len(data) - 8) + data[8:] + b"TrailerTown"


def heic(block=None, packet=None):
    """A HEIC with EXIF and XMP, and a box that cameras put films into."""
    out = io.BytesIO()
    image = pillow_heif.from_pillow(Image.fromarray(pixels()))
    block = exif(orientation=1) if block is None else block
    image.save(out, format="HEIF", exif=b"Exif\0\0" + block, xmp=packet or xmp(), quality=90)
    film = b"TrailerTown" * 3
    return out.getvalue() + struct.pack(">I", 8 + len(film)) + b"mpvd" + film


def tiff(bits=8, packet=None, position=True):
    """A TIFF whose description, XMP, IPTC and GPS tags hold places."""
    codes = pixels() if bits == 8 else pixels().astype(np.uint16) * 257
    extra = [
        (700, BYTE, len(packet or xmp()), packet or xmp(), True),
        (33723, UNDEFINED, 11, b"\x1c\x02\x5aIptcTown", True),
        (271, ASCII, 0, CAMERA, True),
        (272, ASCII, 0, MODEL, True),
        (37500, UNDEFINED, 22, b"MakerSecretMakerSecret", True),
    ]
    out = io.BytesIO()
    tifffile.imwrite(
        out, codes, photometric="rgb", extratags=extra, metadata=None, software=SOFTWARE,
        description="DescribedDell", datetime="2026:03:01 09:30:00", iccprofile=icc(),
    )  # fmt: skip
    return _with_position(out.getvalue()) if position else out.getvalue()


def _with_position(data):
    """A TIFF with its first directory moved to the end and a pointer to a GPS directory in it."""
    start = struct.unpack_from("<I", data, 4)[0]
    count = struct.unpack_from("<H", data, start)[0]
    entries = [data[start + 2 + 12 * i : start + 14 + 12 * i] for i in range(count)]
    gps = len(data) + len(data) % 2
    block = struct.pack("<HHHI", 1, 0x1C, UNDEFINED, 20)
    block += struct.pack("<II", gps + 18, 0) + b"ASCII\0\0\0SecretValley"
    entries.append(struct.pack("<HHII", 0x8825, LONG, 1, gps))
    entries.sort(key=lambda e: struct.unpack_from("<H", e)[0])
    out = data.ljust(gps, b"\0") + block
    out += struct.pack("<H", len(entries)) + b"".join(entries) + b"\0\0\0\0"
    return out[:4] + struct.pack("<I", gps + len(block)) + out[8:]


PHOTOS = {
    "bird.jpg": jpeg,
    "bird.png": png,
    "bird.webp": webp,
    "bird.heic": heic,
    "bird.tif": tiff,
}
