"""Ctrl-C at random moments and full disks, met by the commands themselves.

    scripts/measure_stops CATALOGUE PHOTO... [--table RECORDS.csv] [--times 50] [--seed N]

Each command runs as a process group of its own, as a shell starts it, and the whole group gets the signal, as from a
terminal. Moments are counted from the program's first line (Python's own start before it, a hundredth of a second, is
Python's), and every other one lies within the time in which it loads; what comes after the program's last line is
Python's again. Told: how often a traceback was written, how each ended, and whether the catalogue is whole afterwards.
The disk is a small one of its own (tmpfs), filled beforehand; where mounting is not permitted, that part says so.
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
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

DONE = "\x04"
"""End of transmission: the program's last word on stderr, where it comes to its own end."""

COMMAND = f"""
import os
from matcher.cli.start import answer_ctrl_c, main
answer_ctrl_c()
os.write(2, b".")
try:
    main()
finally:
    os.write(2, {DONE.encode()!r})
"""
"""The program, which tells by one dot that its first lines are done, and by `DONE` that all is: what comes before and
after is Python's own start and end."""

STOPPED = 130

ENDED = (STOPPED, -signal.SIGINT)
"""A process that the signal itself ends, in Python's own first or last milliseconds, is 130 to a shell as well."""
COMMANDS = ("identify", "lot", "enrol")

LONGEST = 12.0
"""Seconds within which the other moments lie."""

RESUMED = 10
"""How often one lot, or one enrolling, is stopped and resumed before another one is begun."""

LOADING = 1.5
"""Seconds within which a command has loaded what it needs, and somewhat more."""


@dataclass(frozen=True)
class Ended:
    """How a command ended: its exit code, what it wrote on stderr, and after how many seconds it was stopped, if it had
    not come to its own end by then."""

    code: int
    told: str
    after: float | None = None

    @property
    def is_clean(self) -> bool:
        return "Traceback" not in self.told and "Exception ignored" not in self.told


def run(words: Sequence[object], after: float | None = None) -> Ended:
    """Run a command to its end, or send Ctrl-C to its process group after so many seconds."""
    # A shell's background job ignores Ctrl-C and its children would inherit that: nothing would be measured.
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    process = subprocess.Popen(
        [sys.executable, "-c", COMMAND, *map(str, words)], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
        start_new_session=True,
    )  # fmt: skip
    signal.signal(signal.SIGINT, before)
    with process:
        assert process.stderr is not None
        os.read(process.stderr.fileno(), 1)
        running = False
        if after is not None:
            with suppress(subprocess.TimeoutExpired):
                process.wait(after)
            running = process.poll() is None
            if running:
                os.killpg(process.pid, signal.SIGINT)
        _, told = process.communicate(timeout=300)
    return how_it_ended(process.returncode, told.decode(errors="replace"), after if running else None)


def how_it_ended(code: int, told: str, after: float | None) -> Ended:
    """A Ctrl-C that comes after the program's last word finds Python ending, which may end as it would have."""
    own_end = told.endswith(DONE) and code not in ENDED
    return Ended(code, told.removesuffix(DONE), None if own_end else after)


def stopped(words: Callable[[int], Sequence[object]], times: int, seed: int, longest: float) -> list[Ended]:
    """A command stopped at random moments: every other one while it loads, the others at any time.

    words: of each time's number, so that what is resumed again and again is not done before it is stopped.
    """
    rng = random.Random(seed)
    return [run(words(number), rng.uniform(0.005, LOADING if number % 2 else longest)) for number in range(times)]


def faults(ended: Sequence[Ended]) -> list[str]:
    """What went wrong among runs that were stopped, one line each."""
    found = []
    for one in ended:
        if one.code not in ((0, 1) if one.after is None else ENDED) or not one.is_clean:
            when = "not stopped" if one.after is None else f"after {one.after:.2f} s"
            found.append(f"{when}: exit {one.code}: {one.told.strip()[-300:]}")
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
    parser.add_argument("--only", nargs="+", choices=COMMANDS, default=COMMANDS, help="Which commands to stop.")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        place = Path(scratch)
        copy = Path(shutil.copytree(given.catalogue, place / "catalogue"))
        boxes = [place / f"box{number}" for number in range(-(-given.times // RESUMED))]
        for box in boxes:
            box.mkdir()
            for photo in given.photos:
                shutil.copy(photo, box)
        commands: dict[str, Callable[[int], Sequence[object]]] = {
            "identify": lambda _: ["identify", *given.photos, "-c", copy],
            "lot": lambda number: ["lot", boxes[number // RESUMED], "-c", copy],
            "enrol": lambda number: ["enrol", given.table, "-c", place / f"new{number // RESUMED}", "--no-doubt"],
        }
        wrong = sum(_stopped(name, commands[name], given.times, given.seed) for name in given.only)
        wrong += sum(_whole(folder) for folder in (copy, *place.glob("new*")))
        wrong += _went_on(commands["lot"](0), commands["enrol"](0))
        wrong += _full(copy, given.photos[0], given.table)
    sys.exit(1 if wrong else 0)


def _stopped(name: str, words: Callable[[int], Sequence[object]], times: int, seed: int) -> int:
    ended = stopped(words, times, seed, LONGEST)
    found = faults(ended)
    counts = ", ".join(f"exit {code}: {count}" for code, count in sorted(Counter(e.code for e in ended).items()))
    print(f"{name}, stopped {times} times: {len(found)} wrong ({counts})", *found, sep="\n  ", flush=True)
    return len(found)


def _whole(catalogue: Path) -> int:
    ended = run(["check", "-c", catalogue, "--quick"])
    print(f"catalogue {catalogue.name}: {'whole' if not ended.code else ended.told}", flush=True)
    return int(ended.code != 0)


def _went_on(*commands: Sequence[object]) -> int:
    """What was stopped goes on to its end."""
    ended = [run(words) for words in commands]
    print(f"resumed: {', '.join('to the end' if not one.code else one.told for one in ended)}", flush=True)
    return sum(one.code != 0 for one in ended)


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
