"""Feed one target led by coverage (atheris), beginning with the valid files.

Inputs come half from our own mutations of what libFuzzer keeps, half from libFuzzer's.
"""

import mmap
import os
import random
import struct
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

import atheris
from worker import EVERY, Tally, feed, limit_memory, note, warm_up

LONGEST = 200_000


def main(name: str, count: int, seed: int, place: Path) -> None:
    """Run ``count`` inputs of one target; notes go into ``place``."""
    os.fsync = lambda handle: None
    with atheris.instrument_imports(include=["fieldmarks"]):
        from targets import TARGETS
    target = TARGETS[name]
    seeds = list(target.seeds())
    with atheris.instrument_imports(include=["fieldmarks"]):
        warm_up(target)
    corpus = place / "corpus"
    corpus.mkdir(exist_ok=True)
    for number, valid in enumerate(seeds):
        (corpus / f"seed{number}").write_bytes(valid)
    limit_memory()
    tally = Tally()
    last = [time.monotonic()]
    file = (place / "at").open("r+b")
    at = mmap.mmap(file.fileno(), 8)

    def one(data: bytes) -> None:
        at[:] = struct.pack("<Q", tally.inputs)
        (place / "input").write_bytes(data)
        feed(target.run, data, tally.inputs, tally)
        if time.monotonic() - last[0] > EVERY or tally.inputs >= count:
            last[0] = time.monotonic()
            note(place, tally, tally.inputs)

    def change(data: bytes, longest: int, seed: int) -> bytes:
        rng = random.Random(seed)
        try:
            own = target.mutate(rng, [data, *seeds]) if rng.random() < 0.5 else b""
        except Exception:  # what libFuzzer made of a file may be no ZIP or JSON any more
            own = b""
        return own[:longest] or atheris.Mutate(data, longest)

    options = [f"-runs={count}", f"-max_len={LONGEST}", f"-seed={seed + 1}", "-verbosity=0",
               "-timeout=60", "-rss_limit_mb=3000"]  # fmt: skip
    sys.stderr = open(os.devnull, "w")  # noqa: SIM115
    atheris.Setup([sys.argv[0], *options, str(corpus)], one, custom_mutator=change)
    atheris.Fuzz()


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]), Path(sys.argv[4]))
