"""Measures what the catalogue promises, on invented catalogues of this run's making, and prints one table.

Kills: a process enrols, accepts, undoes, merges and imports, and is killed at a random moment of its processor time,
so that a busy machine does not make all moments early ones; what it had said was done must be there once, nothing
half, and `check` clean; then the next one goes on.
"""

from __future__ import annotations

import argparse
import os
import random
import signal
import statistics
import string
import sys
import tempfile
import time
import traceback
from collections.abc import Callable, Iterator
from dataclasses import asdict, replace
from datetime import UTC, datetime
from pathlib import Path

import cv2
import numpy as np

from matcher.catalogue import Catalogue, RecordRow, undo_redo
from matcher.catalogue.exchange.bag import export_bag, import_bag
from matcher.catalogue.exchange.check import check
from matcher.catalogue.exchange.log_io import content_digest, export_log, replay_log
from matcher.catalogue.finds.resolution import RecordFields, accept
from matcher.catalogue.log.changes import Draft
from matcher.catalogue.log.decisions import Entry, append, person
from matcher.catalogue.records.ingest import keep_description
from matcher.catalogue.records.name_search import NameSearch
from matcher.catalogue.reference_set import CatalogueReferences
from matcher.catalogue.tables.models import Record, Reference, outline_key
from matcher.core.describe import Description, fingerprint
from matcher.lab.benchmarks.catalogue_busy import busy
from matcher.lab.benchmarks.catalogue_places import Places
from matcher.lab.benchmarks.stock import a_find, draw, enrol_whole, row, write_table

ADA = person("Ada Quill")
MOST_SECONDS = 1.0
"""Of processor time before a kill: some dozens of decisions."""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1887)
    parser.add_argument("--only", nargs="*", default=["kills", "bag", "replay", "accept", "search"])
    parser.add_argument("--database", default="", help="A PostgreSQL database to keep the rows in; else SQLite.")
    chosen = parser.parse_args()
    parts = {"kills": lambda f, p: kills(f, p, chosen.kills, chosen.seed), "bag": bag, "replay": replay,
             "accept": accepting, "search": lambda *_: searching(chosen.seed)}  # fmt: skip
    print(f"| on {'PostgreSQL' if chosen.database else 'SQLite'} | measured |\n|---|---|", flush=True)
    for name in chosen.only:
        with tempfile.TemporaryDirectory() as scratch:
            places = Places(chosen.database)
            try:
                for what, measured in parts[name](Path(scratch), places):
                    print(f"| {what} | {measured} |", flush=True)
            finally:
                places.clear(Path(scratch))


def kills(folder: Path, places: Places, count: int, seed: int) -> Iterator[tuple[str, str]]:
    """Kill `count` times; a fresh catalogue whenever the old one has been worked through."""
    rng = random.Random(seed)
    lost = double = unclean = killed = 0
    work = folder / "work"
    while killed < count:
        if (work / "finished").exists():
            places.clear(work)
        if not work.exists():
            for name in ("mine", "brought"):
                places.make(work / name)
        said = work / "said"
        ended = _killed_at(rng.uniform(0.0, MOST_SECONDS), lambda: busy(work, rng.randrange(10**6)))
        killed += ended
        for name in ("mine", "brought"):
            with Catalogue.open(work / name, create=True) as catalogue:
                with catalogue.writing():  # whoever writes next clears what was left
                    pass
                unclean += bool(check(catalogue))
                notes = [entry.note for entry in catalogue.decisions() if entry.note]
                double += len(notes) - len(set(notes))
                noted = said.read_text().split() if said.exists() and name == "mine" else []
                lost += len(set(noted) - set(notes))
        if killed % 10 == 0:
            print(f"{killed} kills: {lost} lost, {double} double, {unclean} not clean", file=sys.stderr, flush=True)
    yield (
        f"kill -9 at {killed} random moments of enrol, accept, undo, merge, import",
        (f"{lost} lost, {double} double, {unclean} times not clean"),
    )


def _killed_at(moment: float, work: Callable[[], None]) -> bool:
    """Do the work in a process of its own, killed after so many seconds of its own; False where it was done before.

    Forked, so that a trial costs no start of Python; this process has no threads that a fork would lose.
    """
    child = os.fork()
    if child == 0:
        status = 1
        try:
            work()
            status = 0
        except BaseException:
            traceback.print_exc()
        finally:
            os._exit(status)
    clock = (~child << 3) | 2  # Linux: the processor time of another process, see clock_getcpuclockid(3)
    while True:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            if status:
                raise RuntimeError("the busy process failed by itself")
            return False
        if time.clock_gettime(clock) >= moment:
            break
        time.sleep(0.005)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return True


def bag(folder: Path, places: Places) -> Iterator[tuple[str, str]]:
    with stocked(places.make(folder / "c"), 60) as catalogue:
        found = a_find(catalogue, folder, 900)
        undo_redo.undo(catalogue, [accept(catalogue, found.find_id, ADA, RecordFields(caption="x")).number], ADA)
        export_bag(catalogue, folder / "one")
    with Catalogue.open(places.make(folder / "d"), create=True) as again:
        import_bag(again, folder / "one")
        export_bag(again, folder / "two")
    one, two = (
        {p.relative_to(folder / name): p.read_bytes() for p in (folder / name).rglob("*") if p.is_file()}
        for name in ("one", "two")
    )
    yield "export -> import -> export", "identical" if one == two else "NOT identical"


def replay(folder: Path, places: Places, decisions: int = 5000) -> Iterator[tuple[str, str]]:
    """A log of so many decisions: records, corrections, undone ones."""
    with big(places.make(folder / "c"), decisions // 2, folder) as catalogue:
        with catalogue.writing(), catalogue.replaying() as connection:
            for number in range(decisions // 2):
                draft = Draft(connection)
                draft.update(Record, [f"V{number:05d}"], note=f"seen {number}")
                append(connection, Entry(ADA, "edit", draft, about=f"V{number:05d}"))
        export_log(catalogue, folder / "log.jsonl")
        with catalogue.reading() as connection:
            wanted, count = content_digest(connection), catalogue.last_decision()
    with Catalogue.open(places.make(folder / "d"), create=True) as again:
        began = time.monotonic()
        replay_log(again, folder / "log.jsonl")
        took = time.monotonic() - began
        with again.reading() as connection:
            same = content_digest(connection) == wanted
    yield f"replay of a {count:,}-decision log", f"{'identical' if same else 'NOT identical'}, {took:.1f} s"


def accepting(folder: Path, places: Places) -> Iterator[tuple[str, str]]:
    for size in (500, 5000):
        with (
            big(places.make(folder / f"c{size}"), size, folder) as catalogue,
            CatalogueReferences.open(catalogue.folder) as references,
        ):
            times, cpu_times, right = [], [], 0
            for seed in range(12):
                found = a_find(catalogue, folder, 1000 + seed, pose="P00000")
                began, cpu = time.monotonic(), time.process_time()
                accept(catalogue, found.find_id, ADA, RecordFields(caption=f"new {seed}"))
                references.refresh()
                times.append(1000 * (time.monotonic() - began))
                cpu_times.append(1000 * (time.process_time() - cpu))
                newest = catalogue.references()[-1]
                right += references.index.search(catalogue.description(newest), 1)[0].reference_id == newest.id
        line = f"{statistics.median(times[2:]):.0f} ms median, {max(times[2:]):.0f} ms worst of 10"
        line += f" (processor time {statistics.median(cpu_times[2:]):.0f} ms); found {right} of 12"
        yield f"accept to findable, {size:,} records", line


def searching(seed: int, count: int = 5000, tried: int = 500) -> Iterator[tuple[str, str]]:
    rng = random.Random(seed)
    records = [
        RecordRow(f"V{i:05d}", invented_name(rng), f"P{i // 4:05d}", "A", "", club=rng.choice(["Oakmere", "Gannock"]))
        for i in range(count)
    ]
    records = [replace(record, caption=record.subject.upper()) for record in records]
    search = NameSearch(records, {})
    search.find("warm up")
    right, times, cpu_times = 0, [], []
    for record in rng.sample(records, tried):
        asked = two_wrong(record.subject, rng)
        began, cpu = time.monotonic(), time.process_time()
        found = search.find(asked, 3)
        times.append(1000 * (time.monotonic() - began))
        cpu_times.append(1000 * (time.process_time() - cpu))
        right += record.subject in [one.record.subject for one in found]
    late = int(0.95 * tried)
    line = f"right one in the first 3: {100 * right / tried:.1f} %; {statistics.median(times):.1f} ms median, "
    line += f"{sorted(times)[late]:.1f} ms at the 95th percentile (processor time {sorted(cpu_times)[late]:.1f} ms)"
    yield f"search {count:,} records by name, two letters wrong", line


def invented_name(rng: random.Random) -> str:
    """A first name and a surname of two or three invented syllables each."""
    starts = [*"bcdfghklmnprstvw", "br", "ch", "dr", "fl", "gr", "st", "th", "tr"]

    def word(parts: int) -> str:
        return "".join(rng.choice(starts) + rng.choice("aeiou") for _ in range(parts)).capitalize() + rng.choice(
            "nlrstm"
        )

    return f"{word(2)} {word(rng.choice((2, 3)))}"


def two_wrong(name: str, rng: random.Random) -> str:
    """The name with two letters changed, at two places."""
    letters = list(name)
    for place in rng.sample([i for i, letter in enumerate(letters) if letter.isalpha()], 2):
        letters[place] = rng.choice([c for c in string.ascii_lowercase if c != letters[place].lower()])
    return "".join(letters)


def stocked(folder: Path, records: int) -> Catalogue:
    rows = [row(i, draw(folder.parent / f"scan{i}.png", i)) for i in range(records)]
    enrol_whole(write_table(folder.parent / "RECORDS.csv", rows), folder)
    return Catalogue.open(folder)


def big(folder: Path, records: int, scratch: Path) -> Catalogue:
    """Records with one reference each: one real picture, the others with random descriptors and no picture file."""
    catalogue = Catalogue.open(folder, create=True)
    rng = np.random.default_rng(1)
    quad = ((0.0, 0.0), (276.0, 0.0), (276.0, 480.0), (0.0, 480.0))
    with catalogue.writing(), catalogue.replaying() as connection:
        for number in range(records):
            draft = Draft(connection)
            sha256 = f"{number:064x}"
            record_id = f"V{number:05d}"
            record = RecordRow(record_id, f"Sitter {number // 8}", f"P{number // 8:05d}", "A", f"caption {number}")
            draft.insert(Record, **asdict(record))
            draft.insert(
                Reference, id=number + 1, record_id=record_id, copy_id=None, sha256=sha256, suffix=".png", name="x.png",
                source="", note="", extra={}, added_at=datetime.now(UTC), seen_on="", width=276, height=480, quad=quad,
                facts={"residual_contrast": 0.5}, outline=outline_key(quad),
            )  # fmt: skip
            keep_description(connection, sha256, outline_key(quad), random_description(rng))
            append(connection, Entry(ADA, "enrol", draft, about=f"V{number:05d}"))
    return catalogue


def random_description(rng: np.random.Generator, count: int = 400) -> Description:
    return Description(
        hashes=rng.integers(0, 256, 32, dtype=np.uint8),
        points=rng.uniform(0, 360, (count, 2)).astype(np.float32),
        angles=rng.uniform(0, 360, count).astype(np.float32),
        scales=np.full(count, 31, np.float32),
        descriptors=rng.integers(0, 256, (count, 32), dtype=np.uint8),
        fingerprint=fingerprint(),
    )


if __name__ == "__main__":
    cv2.setNumThreads(1)
    main()
