"""Ways to break a valid file: bits, pieces, lengths, and the structure of each format."""

import io
import json
import random
import struct
import zipfile
import zlib
from collections.abc import Callable, Sequence

Mutator = Callable[[random.Random, Sequence[bytes]], bytes]

NUMBERS = (0, 1, 2, 7, 8, 15, 16, 127, 128, 255, 256, 32767, 32768, 65535, 65536,
           2**31 - 1, 2**31, 2**32 - 1)  # fmt: skip
WORDS = (
    "", " ", "\0", "=1+1", "<script>", "\u202e", "\u200b", "\n", "../../x", "/etc/x", "nan", "inf",
    "-1", "1e999", "99999999999999999999", "\ud83d\ude00", "x" * 300, "{}", "[]", "null", "\x1b[2J",
    "\ud800",
)  # fmt: skip
VALUES: tuple[object, ...] = (
    None, True, False, 0, -1, 1, 2**31, 2**63, -(2**63), 10**40, 1e308, -1e308, 5e-324,
    float("nan"), float("inf"), float("-inf"), [], {}, [[]], {"": ""}, *WORDS,
)  # fmt: skip


def bytewise(rng: random.Random, seeds: Sequence[bytes], head: int = 0) -> bytes:
    """One to eight small injuries to one of the seeds; half of them near the start."""
    data = bytearray(rng.choice(seeds))
    for _ in range(1 + min(int(rng.expovariate(0.7)), 7)):
        data = bytearray(_injure(rng, data, seeds, head))
    return bytes(data)


def _injure(rng: random.Random, data: bytearray, seeds: Sequence[bytes], head: int) -> bytes:
    if not data:
        return rng.randbytes(rng.randrange(1, 64))
    reach = min(len(data), head) if head and rng.random() < 0.6 else len(data)
    at = rng.randrange(reach)
    span = min(1 + int(rng.expovariate(0.05)), len(data) - at)
    way = rng.randrange(9)
    if way == 0:
        data[at] ^= 1 << rng.randrange(8)
    elif way == 1:
        data[at] = rng.choice((0, 1, 0x7F, 0x80, 0xFF, rng.randrange(256)))
    elif way == 2:
        form = rng.choice((">H", "<H", ">I", "<I"))
        size = struct.calcsize(form)
        number = rng.choice(NUMBERS) % 256**size
        data[at : at + size] = struct.pack(form, number)[: len(data) - at]
    elif way == 3:
        del data[at : at + span]
    elif way == 4:
        data[at:at] = data[at : at + span] * rng.choice((1, 1, 2, 40))
    elif way == 5:
        other = rng.choice(seeds)
        start = rng.randrange(len(other))
        data[at : at + span] = other[start : start + span]
    elif way == 6:
        del data[at:]
    elif way == 7:
        data[at:at] = rng.randbytes(span)
    else:
        other = rng.choice(seeds)
        data[at:] = other[rng.randrange(len(other)) :]
    return bytes(data)


def headed(head: int) -> Mutator:
    """Bytewise, mostly within the first ``head`` bytes."""
    return lambda rng, seeds: bytewise(rng, seeds, head)


def png_chunks(rng: random.Random, seeds: Sequence[bytes]) -> bytes:
    """Injure PNG chunks and put their checks right again, so that decoding goes on."""
    if rng.random() < 0.2:
        return bytewise(rng, seeds)
    data = rng.choice(seeds)
    chunks, at = [], 8
    while at + 12 <= len(data):
        size = int.from_bytes(data[at : at + 4], "big")
        chunks.append([data[at + 4 : at + 8], data[at + 8 : at + 8 + size]])
        at += 12 + size
    for _ in range(rng.randint(1, 3)):
        one = rng.choice(chunks)
        way = rng.randrange(6)
        if way < 3 and one[1]:
            one[1] = bytewise(rng, [one[1]])
        elif way == 3:
            chunks.remove(one)
        elif way == 4:
            chunks.insert(rng.randrange(len(chunks) + 1), list(one))
        else:
            rng.shuffle(chunks)
        if not chunks:
            break
    out = data[:8]
    for kind, body in chunks:
        out += struct.pack(">I", len(body)) + kind + body
        out += struct.pack(">I", zlib.crc32(kind + body))
    return out


def inside(find: bytes, length: int) -> Mutator:
    """Injure only what follows a marker, keeping the length: EXIF, profiles, boxes."""

    def mutate(rng: random.Random, seeds: Sequence[bytes]) -> bytes:
        data = bytearray(rng.choice(seeds))
        start = max(data.find(find), 0)
        stop = min(start + length, len(data))
        for _ in range(rng.randint(1, 6)):
            at = rng.randrange(start, stop)
            form = rng.choice(("B", "<H", ">H", "<I", ">I"))
            size = struct.calcsize(form)
            number = rng.choice((*NUMBERS, rng.getrandbits(32))) % 256**size
            data[at : at + size] = struct.pack(form, number)
        return bytes(data)

    return mutate


def tree(rng: random.Random, thing: object, depth: int = 0) -> object:
    """A decoded JSON tree with one place changed."""
    if isinstance(thing, dict) and thing and rng.random() < 0.9:
        copy = dict(thing)
        key = rng.choice(list(copy))
        way = rng.random()
        if way < 0.12:
            del copy[key]
        elif way < 0.18:
            copy[rng.choice(WORDS)] = copy[key]
        elif way < 0.24:
            copy[key] = copy[rng.choice(list(copy))]
        else:
            copy[key] = tree(rng, copy[key], depth + 1)
        return copy
    if isinstance(thing, list) and thing and rng.random() < 0.9:
        items = list(thing)
        at = rng.randrange(len(items))
        way = rng.random()
        if way < 0.12:
            del items[at]
        elif way < 0.24:
            items.insert(at, items[rng.randrange(len(items))])
        elif way < 0.26:
            items *= 60
        else:
            items[at] = tree(rng, items[at], depth + 1)
        return items
    if isinstance(thing, str) and thing and rng.random() < 0.5:
        at = rng.randrange(len(thing))
        return thing[:at] + rng.choice(WORDS) + thing[at + rng.randrange(3) :]
    if isinstance(thing, float | int) and not isinstance(thing, bool) and rng.random() < 0.5:
        return thing * rng.choice((-1, 0, 1e-9, 1e9, 1.001))
    return rng.choice(VALUES)


def as_json(rng: random.Random, seeds: Sequence[bytes]) -> bytes:
    """JSON with one to four places changed, a few times as raw bytes or nested very deep."""
    way = rng.random()
    if way < 0.15:
        return bytewise(rng, seeds)
    if way < 0.155:
        return b"[" * 20000
    thing = json.loads(rng.choice(seeds))
    for _ in range(rng.randint(1, 4)):
        thing = tree(rng, thing)
    return json.dumps(thing).encode("utf-8", "surrogatepass")


def lines(rng: random.Random, seeds: Sequence[bytes]) -> bytes:
    """Text files of rows (TOML, CSV): rows doubled, dropped, swapped; words changed."""
    if rng.random() < 0.25:
        return bytewise(rng, seeds)
    rows = rng.choice(seeds).decode("utf-8", "replace").split("\n")
    for _ in range(rng.randint(1, 4)):
        at = rng.randrange(len(rows))
        way = rng.randrange(6)
        if way == 0:
            del rows[at]
        elif way == 1:
            rows.insert(rng.randrange(len(rows) + 1), rows[at])
        elif way == 2:
            rows[at] += rng.choice(WORDS)
        else:
            rows[at] = _change_word(rng, rows[at])
        rows = rows or [""]
    return "\n".join(rows).encode("utf-8", "surrogatepass")


def _change_word(rng: random.Random, row: str) -> str:
    for mark in rng.sample(["=", ",", '"', ";", " "], 5):
        parts = row.split(mark)
        if len(parts) > 1:
            new = rng.choice((*WORDS, "[]", "{}", "-5", "1.5", "true", '"a"', "[1, 2]", str(2**70)))
            parts[rng.randrange(len(parts))] = new
            return mark.join(parts)
    return rng.choice(WORDS)


def zips(inner: Callable[[random.Random, str, bytes], bytes]) -> Mutator:
    """ZIPs with members renamed, doubled, emptied, linked or injured; relisted half the time."""

    def mutate(rng: random.Random, seeds: Sequence[bytes]) -> bytes:
        if rng.random() < 0.2:
            return bytewise(rng, seeds)
        with zipfile.ZipFile(io.BytesIO(rng.choice(seeds))) as packed:
            files = [[n, packed.read(n)] for n in packed.namelist()]
        for _ in range(rng.randint(1, 2)):
            one = rng.choice(files)
            way = rng.randrange(12)
            if way == 0:
                one[0] = rng.choice(
                    ("../x", "/x", "a\\..\\b", "C:x", "x/../../y", "\0", "", "é" * 9)
                )
            elif way == 1:
                files.append([one[0], rng.choice(files)[1]])
            elif way == 2:
                files.remove(one)
            elif way == 3:
                one[1] = b"\0" * 3_000_000
            elif way == 4:
                one[1] = rng.choice(seeds)
            else:
                one[1] = inner(rng, str(one[0]), bytes(one[1]))
            if not files:
                break
        return repack(files, relist=rng.random() < 0.6, link=rng.random() < 0.05)

    return mutate


def repack(files: list[list], relist: bool, link: bool = False) -> bytes:
    """Files as a ZIP, its list of fingerprints made to fit if asked."""
    import hashlib
    import warnings

    names = {n for n, _ in files}
    if relist and "manifest.json" in names:
        try:
            manifest = json.loads(next(d for n, d in files if n == "manifest.json"))
            manifest["files"] = {
                n: {"sha256": hashlib.sha256(d).hexdigest(), "bytes": len(d)}
                for n, d in files
                if n != "manifest.json"
            }
            files = [[n, d] for n, d in files if n != "manifest.json"]
            files.append(["manifest.json", json.dumps(manifest).encode()])
        except (ValueError, TypeError):
            pass
    out = io.BytesIO()
    with warnings.catch_warnings(), zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        warnings.simplefilter("ignore")
        for number, (name, data) in enumerate(files):
            member = zipfile.ZipInfo(name)
            member.compress_type = zipfile.ZIP_DEFLATED
            if link and number == 0:
                member.external_attr = 0o120777 << 16
            packed.writestr(member, data)
    return out.getvalue()
