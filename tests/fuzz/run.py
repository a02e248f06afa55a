"""Feed the program broken files and count what comes of it.

    python tests/fuzz/run.py --inputs 200000 --guided 40000 --table benchmarks/results/fuzz.md

Each kind of file gets its share of the inputs in a process of its own (see ``worker.py``). With
``--guided`` further inputs are led by coverage, if atheris is installed. Inputs are the same for
the same ``--seed``. Exit code 1 when anything but a FieldmarksError came out.
"""

import argparse
import json
import signal
import struct
import subprocess
import sys
import tempfile
import time
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

from worker import SECONDS, Tally  # noqa: E402

ASLEEP = 90.0  # seconds without a new input after which a process counts as hung


def drive(command, place: Path, count: int, restart: bool) -> Tally:
    """Run one target's process, again after each crash, and add up its notes."""
    whole, start, crashes = Tally(), 0, 0
    while start < count and crashes < 40:
        (place / "at").write_bytes(struct.pack("<Q", start))
        (place / "tally").unlink(missing_ok=True)
        ended = _watch(subprocess.Popen(
            [sys.executable, *command(start)], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
        ), place)  # fmt: skip
        upto = _add(whole, place, start)
        if ended == (0, "") or (not restart and upto >= count):
            break
        crashes += 1
        at = struct.unpack("<Q", (place / "at").read_bytes())[0]
        whole.fault(_cause(ended[0]), at, ended[1][-1500:])
        whole.inputs += max(at + 1 - upto, 0)
        start = at + 1 if restart else count
    return whole


def _watch(process: subprocess.Popen, place: Path) -> tuple[int, str]:
    """Wait for a process; end it when it sleeps over one input."""
    last, since = b"", time.monotonic()
    while True:
        try:
            _, said = process.communicate(timeout=2)
            return process.returncode, said.decode("utf-8", "replace") if process.returncode else ""
        except subprocess.TimeoutExpired:
            now = (place / "at").read_bytes()
            if now != last:
                last, since = now, time.monotonic()
            elif time.monotonic() - since > ASLEEP:
                process.kill()


def _cause(code: int) -> str:
    if code == -signal.SIGPROF:
        return f"a hang: over {SECONDS:.0f} s"
    return f"the process ended: {signal.Signals(-code).name if code < 0 else f'exit {code}'}"


def _add(whole: Tally, place: Path, start: int) -> int:
    try:
        part = json.loads((place / "tally").read_text())
    except FileNotFoundError:
        return start
    upto = part.pop("upto")
    for name in ("inputs", "accepted", "refused"):
        setattr(whole, name, getattr(whole, name) + part[name])
    whole.slowest = max(whole.slowest, part["slowest"])
    whole.peak = max(whole.peak, part["peak"])
    for where, (count, number, trace) in part["faults"].items():
        whole.fault(where, number, trace)
        whole.faults[where][0] += count - 1
    return int(upto)


def table(rows: list[tuple[str, Tally]]) -> str:
    """Counts of each target as a Markdown table."""
    head = "| file | inputs | accepted | refused | faults | slowest, s | peak memory, MiB |"
    out = [head, "| --- |" + " ---: |" * 6]
    whole = Tally()
    for name, t in rows:
        count = sum(f[0] for f in t.faults.values())
        out.append(f"| {name} | {t.inputs:,} | {t.accepted:,} | {t.refused:,} | {count} | "
                   f"{t.slowest:.2f} | {t.peak:.0f} |")  # fmt: skip
        whole.inputs += t.inputs
        whole.accepted += t.accepted
        whole.refused += t.refused
        whole.slowest, whole.peak = max(whole.slowest, t.slowest), max(whole.peak, t.peak)
    faults = sum(f[0] for _, t in rows for f in t.faults.values())
    out.append(f"| **all** | {whole.inputs:,} | {whole.accepted:,} | {whole.refused:,} | "
               f"{faults} | {whole.slowest:.2f} | {whole.peak:.0f} |")  # fmt: skip
    return "\n".join(out)


def main() -> int:
    """Parse, run, print."""
    from targets import TARGETS

    parse = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parse.add_argument("--inputs", type=int, default=20_000, help="in all, over every kind of file")
    parse.add_argument("--guided", type=int, default=0, help="further inputs led by coverage")
    parse.add_argument("--seed", type=int, default=0)
    parse.add_argument("--only", nargs="*", choices=list(TARGETS), help="these kinds only")
    parse.add_argument("--table", type=Path, help="also write the table into this file")
    asked = parse.parse_args()
    chosen = {n: t for n, t in TARGETS.items() if (not asked.only or n in asked.only) and t.seeds()}
    shares = sum(t.share for t in chosen.values())
    rows = []
    for name, target in chosen.items():
        for kind, total in (("", asked.inputs), (", guided", asked.guided)):
            count = round(total * target.share / shares)
            if not count:
                continue
            with tempfile.TemporaryDirectory() as folder:
                place = Path(folder)
                if kind:
                    script = [str(HERE / "guided.py"), name, str(count), str(asked.seed), folder]
                    tally = drive(lambda _, s=script: s, place, count, restart=False)
                else:
                    script = [str(HERE / "worker.py"), name]
                    more = [str(count), str(asked.seed), folder]
                    tally = drive(
                        lambda at, s=script, m=more: [*s, str(at), *m], place, count, True
                    )
            rows.append((name + kind, tally))
            _say(name + kind, tally)
    text = table(rows)
    print(text)
    if asked.table:
        asked.table.write_text(text + "\n")
    return int(any(t.faults for _, t in rows))


def _say(name: str, tally: Tally) -> None:
    print(f"{name}: {tally.inputs} inputs, {tally.accepted} accepted, {tally.refused} refused, "
          f"slowest {tally.slowest:.2f} s, {tally.peak:.0f} MiB", flush=True)  # fmt: skip
    for where, (count, number, trace) in tally.faults.items():
        print(f"  FAULT x{count}, input {number}: {where}\n{trace}", flush=True)


if __name__ == "__main__":
    sys.exit(main())
