"""Ctrl-C at random moments and full disks, met by the commands themselves.

    scripts/measure_stops CATALOGUE PHOTO... [--table RECORDS.csv] [--times 50] [--seed N]

Each command runs as a process group of its own, as a shell starts it, and the whole group gets the signal, as from a
terminal. Told: how often a traceback was written, how each ended, and whether the catalogue is whole afterwards. The
disk is a small one of its own (tmpfs), filled beforehand; where mounting is not permitted, that part says so.
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

COMMAND = "from matcher.cli import main; main()"
ENDS = (0, 130)
"""An interrupted command ends with 130; one that was done before, with 0."""


@dataclass(frozen=True)
class Ended:
    """How a command ended: its exit code, what it wrote on stderr, and the seconds after which it was stopped."""

    code: int
    told: str
    after: float = 0.0

    @property
    def is_clean(self) -> bool:
        return "Traceback" not in self.told and "Exception ignored" not in self.told


def run(words: Sequence[object], after: float | None = None) -> Ended:
    """Run a command to its end, or send Ctrl-C to its process group after so many seconds."""
    # A shell's background job ignores Ctrl-C and its children would inherit that: nothing would be measured.
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    process = subprocess.Popen(
        [sys.executable, "-c", COMMAND, *map(str, words)], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
        text=True, start_new_session=True,
    )  # fmt: skip
    signal.signal(signal.SIGINT, before)
    with process:
        if after is not None:
            time.sleep(after)
            if process.poll() is None:
                os.killpg(process.pid, signal.SIGINT)
        _, told = process.communicate(timeout=300)
    return Ended(process.returncode, told, after or 0.0)


def stopped(words: Sequence[object], times: int, seed: int, longest: float) -> list[Ended]:
    """A command stopped at random moments, from a twentieth of a second on."""
    rng = random.Random(seed)
    return [run(words, rng.uniform(0.05, longest)) for _ in range(times)]


def faults(ended: Sequence[Ended]) -> list[str]:
    """What went wrong among runs that were stopped, one line each."""
    found = []
    for one in ended:
        if one.code not in ENDS or not one.is_clean:
            found.append(f"after {one.after:.2f} s: exit {one.code}: {one.told.strip()[-300:]}")
    return found


@contextmanager
def full_disk() -> Iterator[Path | None]:
    """A folder on a disk without room; None where mounting is not permitted."""
    with tempfile.TemporaryDirectory() as place:
        done = subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=64k", "none", place], check=False, capture_output=True
        ) if shutil.which("mount") else None  # fmt: skip
        if done is None or done.returncode:
            yield None
            return
        try:
            _fill(Path(place) / "filler")
            yield Path(place)
        finally:
            subprocess.run(["umount", place], check=True)


def _fill(path: Path) -> None:
    with suppress(OSError), path.open("wb", buffering=0) as stream:
        while stream.write(bytes(4096)):
            pass


def onto(disk: Path, catalogue: Path, photo: Path, table: Path, lot: str) -> dict[str, list[object]]:
    """Twelve commands that write onto a disk."""
    at = ["-c", catalogue]
    return {
        "export as a folder": ["export", disk / "bag", *at],
        "export as a zip": ["export", disk / "bag.zip", *at],
        "export as csv": ["export", disk / "cards.csv", *at],
        "export as jsonl": ["export", disk / "cards.jsonl", *at],
        "backup": ["backup", disk / "copy", *at],
        "decisions export": ["decisions", "export", disk / "log.jsonl", *at],
        "scarcity --plot": ["scarcity", "--plot", disk / "plot.png", *at],
        "identify --picture": ["identify", photo, "--picture", disk / "evidence", *at],
        "lot save": ["lot", "save", lot, disk / "lot.xlsx", *at],
        "lot sheet": ["lot", "sheet", lot, disk / "lot.pdf", *at],
        "lot faces": ["lot", "faces", lot, disk / "faces", *at],
        "enrol": ["enrol", table, "-c", disk / "mine"],
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("catalogue", type=Path)
    parser.add_argument("photos", type=Path, nargs="+", metavar="PHOTO")
    parser.add_argument("--table", type=Path, required=True, help="records to enrol, with their pictures")
    parser.add_argument("--times", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    wrong = 0
    with tempfile.TemporaryDirectory() as scratch:
        copy = Path(shutil.copytree(given.catalogue, Path(scratch) / "catalogue"))
        box = Path(scratch) / "box"
        box.mkdir()
        for photo in given.photos:
            shutil.copy(photo, box)
        for name, words, longest in (
            ("identify", ["identify", *given.photos, "-c", copy], 12.0),
            ("lot", ["lot", box, "-c", copy], 15.0),
            ("enrol", ["enrol", given.table, "-c", Path(scratch) / "new", "--no-doubt"], 15.0),
        ):
            ended = stopped(words, given.times, given.seed, longest)
            found = faults(ended)
            wrong += len(found)
            counts = ", ".join(
                f"exit {code}: {count}" for code, count in sorted(Counter(e.code for e in ended).items())
            )
            print(f"{name}, stopped {given.times} times: {len(found)} wrong ({counts})", *found, sep="\n  ", flush=True)
        wrong += _whole("lot", copy) + _whole("enrol", Path(scratch) / "new")
        run(["lot", box, "-c", copy])
        wrong += _full(copy, given.photos[0], given.table)
    sys.exit(1 if wrong else 0)


def _whole(name: str, catalogue: Path) -> int:
    if not catalogue.exists():
        return 0
    ended = run(["check", "-c", catalogue, "--quick"])
    print(f"catalogue after {name}: {'whole' if not ended.code else ended.told}")
    return int(ended.code != 0)


def _full(catalogue: Path, photo: Path, table: Path) -> int:
    wrong = 0
    with full_disk() as disk:
        if disk is None:
            print("full disk: mounting is not permitted here; not measured")
            return 0
        for name, words in onto(disk, catalogue, photo, table, "L00001").items():
            ended = run(words)
            good = ended.code == 1 and ended.is_clean and "disk is full" in ended.told
            wrong += not good
            print(
                f"full disk, {name}: {'told, exit 1' if good else f'exit {ended.code}: {ended.told[-300:]}'}",
                flush=True,
            )
    return wrong


if __name__ == "__main__":
    main()
