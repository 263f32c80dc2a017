"""Identify many photos on worker processes: the one pool that the command line and the service use.

Each worker opens the catalogue once and keeps it; what another process decides meanwhile is taken in.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from matcher.errors import CatalogueError, PlatekinError, UnreadablePhoto
from matcher.evidence import save_evidence
from matcher.identify import Identification, identify
from matcher.listing.look import Looker
from matcher.photo import read_photo
from matcher.processes import one_thread, process_pool, usable_processors
from matcher.report import as_error, as_json
from matcher.settings import Settings
from matcher.shelf import Shelf


@dataclass(frozen=True)
class Job:
    """One photo to identify: a path or bytes, the name to report it under, a folder for evidence pictures.

    look: also tell what a listing is weighed by, under each card's `look`: facts about the face, seen before or not.
    """

    name: str
    source: Path | bytes
    pictures: Path | None = None
    look: bool = False


class Bench:
    """One process' workbench: an open shelf, which knows its calibration."""

    def __init__(self, folder: Path, settings: Settings) -> None:
        self.folder = folder
        self.settings = settings
        self.shelf = Shelf.open(folder, settings)
        self._looker = Looker(self.shelf, settings)

    def run(self, job: Job) -> dict[str, Any]:
        """The contract's object for one photo; deliberate errors become its `error`."""
        try:
            photo = read_photo(job.source, self.settings.photo, job.name)
            shelf = self._current_shelf()
            found = identify(photo, shelf, self.settings, shelf.calibration)
            if job.pictures:
                self._save_pictures(job.pictures, job, found)
            answer = as_json(job.name, found)
            return self._looker.with_look(answer, found) if job.look else answer
        except UnreadablePhoto as error:
            return as_error(job.name, error)
        except CatalogueError:
            raise
        except Exception as error:  # one odd photo must not stop the others
            told = f"{job.name}: {type(error).__name__}: {error}"
            return as_error(job.name, PlatekinError("unexpected", told, "please report this, with the photo"))

    def _save_pictures(self, folder: Path, job: Job, found: Identification) -> None:
        """A picture that cannot be written must not cost the answer: it is told on stderr."""
        for number, card in enumerate(found.cards, start=1):
            try:
                save_evidence(folder, job.name, number, found.photo, card, self.shelf)
            except OSError as error:
                told = f"{job.name}: its evidence picture could not be written: {error.strerror}"
                print(f"{told} (make room, or name another folder)", file=sys.stderr)

    def _current_shelf(self) -> Shelf:
        self.shelf.refresh()
        return self.shelf


def identify_all(
    jobs: list[Job], folder: Path, settings: Settings, workers: int | None = None
) -> Iterator[dict[str, Any]]:
    """Results in the order of the jobs; a few photos are done in this process, more on a pool."""
    workers = min(workers or usable_processors(), len(jobs))
    if workers <= 1 or len(jobs) < 4:
        one_thread()
        bench = Bench(folder, settings)
        yield from map(bench.run, jobs)
        return
    executor = pool(folder, settings, workers)
    try:
        waiting = [(job, executor.submit(run, job)) for job in jobs]
        for job, future in waiting:
            try:
                yield future.result()
            except BrokenProcessPool:
                # A worker was lost and took the pool along: what is left is done here, each by itself.
                yield _alone(job, folder, settings)
    finally:
        executor.shutdown(cancel_futures=True)


def _alone(job: Job, folder: Path, settings: Settings) -> dict[str, Any]:
    """One job in a pool of its own: if it ends this one too, it was that photo's fault."""
    with pool(folder, settings, 1) as executor:
        try:
            return executor.submit(run, job).result()
        except BrokenProcessPool:
            told = f"{job.name}: the process that read it came to a sudden end, perhaps for want of memory"
            return as_error(job.name, PlatekinError("worker_lost", told, "save the photo smaller"))


def pool(folder: Path, settings: Settings, workers: int) -> ProcessPoolExecutor:
    """Spawned processes, each with its bench; give them work with `submit(run, job)`."""
    return process_pool(workers, _set_up, folder, settings)


def run(job: Job) -> dict[str, Any]:
    """Do one job in a worker of `pool`. Raises CatalogueError where the catalogue cannot be opened (now)."""
    if _place is None:
        raise RuntimeError("this process is no worker of pool()")
    return _place.bench().run(job)


class _Place:
    """A worker's place: its bench, set up at the first job, or at the next one if that failed."""

    def __init__(self, folder: Path, settings: Settings) -> None:
        self._made = (folder, settings)
        self._bench: Bench | None = None

    def bench(self) -> Bench:
        if self._bench is None:
            self._bench = Bench(*self._made)
        return self._bench


# The only state of a worker process, set once by the pool's initialiser; nothing else reads it.
_place: _Place | None = None


def _set_up(folder: Path, settings: Settings) -> None:
    global _place
    _place = _Place(folder, settings)
    with suppress(PlatekinError, OSError):  # told at the first job: raised here it would only break the pool
        _place.bench()
