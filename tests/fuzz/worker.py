"""Feed one target in a process of its own, so that a crash or a hang is seen and survived.

Each input may use five seconds of processor time (``ITIMER_PROF`` ends the process) and the process
may map two gibibytes more than it starts with. The number of the input under way stands in a small
shared file, so that whoever started the process knows what ended it.
"""

import contextlib
import json
import mmap
import os
import resource
import signal
import struct
import sys
import time
import traceback
from dataclasses import asdict, dataclass, field
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

SECONDS = 5.0
MEMORY = 2 * 1024**3
EVERY = 0.3  # seconds between notes


@dataclass
class Tally:
    """What came of the inputs of one target."""

    inputs: int = 0
    accepted: int = 0
    refused: int = 0
    slowest: float = 0.0
    peak: float = 0.0  # MiB
    faults: dict[str, list] = field(default_factory=dict)  # where -> [count, number, trace]

    def fault(self, place: str, number: int, trace: str) -> None:
        """Count a fault; the first of each place is kept."""
        self.faults.setdefault(place, [0, number, trace])[0] += 1


def feed(run, data: bytes, number: int, tally: Tally) -> None:
    """Give one file to the program and note what comes of it."""
    from fieldmarks._util.errors import FieldmarksError

    start = time.process_time()
    signal.setitimer(signal.ITIMER_PROF, SECONDS)
    try:
        run(data)
        tally.accepted += 1
    except FieldmarksError as error:
        tally.refused += 1
        line = str(error)
        if "\n" in line or not line.strip():
            tally.fault("a message that is not one line", number, repr(line))
    except Exception as error:
        frames = traceback.extract_tb(error.__traceback__)
        own = [f for f in frames if "fieldmarks" in f.filename and "fuzz" not in f.filename]
        at = (own or frames)[-1]
        place = f"{type(error).__name__} at {Path(at.filename).name}:{at.lineno} ({at.name})"
        tally.fault(place, number, traceback.format_exc()[-1500:])
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        tally.inputs += 1
    tally.slowest = max(tally.slowest, time.process_time() - start)
    peak = peak_memory()
    if peak > MEMORY / 2**20 >= tally.peak:
        tally.fault("more than 2 GiB", number, "")
    tally.peak = max(tally.peak, peak)


def peak_memory() -> float:
    """Most memory this process has held, in MiB (getrusage would count its parent's too)."""
    status = Path("/proc/self/status").read_text()
    return int(status.split("VmHWM:")[1].split()[0]) / 1024


def limit_memory() -> None:
    """At most two gibibytes on top of what libraries map at the start."""
    mapped = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (mapped + MEMORY, mapped + MEMORY))


def main(name: str, start: int, count: int, seed: int, place: Path) -> None:
    """Feed inputs ``start`` to ``count`` of one target; notes go into ``place``."""
    os.fsync = lambda handle: None  # nothing here has to outlive a power cut
    from targets import TARGETS, inputs

    target = TARGETS[name]
    warm_up(target)
    limit_memory()
    tally, last = Tally(), 0.0
    with (place / "at").open("r+b") as file, mmap.mmap(file.fileno(), 8) as at:
        for number, data in enumerate(inputs(target, count, seed, start), start=start):
            at[:] = struct.pack("<Q", number)
            with contextlib.redirect_stdout(None):
                feed(target.run, data, number, tally)
            if time.monotonic() - last > EVERY:
                last = time.monotonic()
                note(place, tally, number + 1)
    note(place, tally, count)


def warm_up(target) -> None:
    """Use each valid file once: libraries are loaded, and the files are known to be good."""
    for valid in target.seeds():
        with contextlib.suppress(Exception):
            target.run(valid)


def note(place: Path, tally: Tally, upto: int) -> None:
    """Write down how far we are."""
    (place / "tally.new").write_text(json.dumps({"upto": upto, **asdict(tally)}))
    os.replace(place / "tally.new", place / "tally")


if __name__ == "__main__":
    main(sys.argv[1], *(int(a) for a in sys.argv[2:5]), Path(sys.argv[5]))
