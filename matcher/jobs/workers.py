"""Identify many photos on worker processes: the one pool that the command line and the service use.

Each worker opens the catalogue once and keeps it; what another process decides meanwhile is taken in.
"""

from __future__ import annotations

import hashlib
import sys
import threading
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from matcher.catalogue.records.files import encode_face, write_whole
from matcher.catalogue.reference_set import CatalogueReferences
from matcher.catalogue.tables.database import guarded
from matcher.core.answer_json import as_error, as_json
from matcher.core.detect.detection import given_quads
from matcher.core.errors import CatalogueError, PlatekinError, UnreadablePhoto
from matcher.core.identify import Identification, identify
from matcher.core.ocr.reading import can_read
from matcher.core.parallel.cluster import Cluster
from matcher.core.parallel.processes import in_order, one_thread, process_pool, usable_processors
from matcher.core.photo import Photo, png_of, read_photo
from matcher.core.settings import Settings
from matcher.jobs.listing.inspection import ListingInspector
from matcher.jobs.render.evidence import save_evidence
from matcher.jobs.render.overlays import layers_of


@dataclass(frozen=True)
class Job:
    """One photo to identify: a path or bytes, the name to report it under, a folder for evidence pictures.

    quad:   corners of its only card as a person has drawn them, pixels of the upright photo; None: find the cards.
    layers: of how many candidates of each card the pictures for comparing are wanted; they come as `layers`.
    page: of a TIFF or PDF, from 0. alone: a folder to keep that page in as a picture of its own, for which the answer
    then holds. faces: a folder for the flattened faces, see `face_file`.
    look: also tell what a listing is weighed by, under each card's `look`: facts about the face, seen before or not.
    """

    name: str
    source: Path | bytes
    pictures: Path | None = None
    quad: tuple[tuple[float, float], ...] | None = None
    layers: int = 0
    page: int = 0
    alone: Path | None = None
    faces: Path | None = None
    look: bool = False


def face_file(folder: Path, sha256: str, number: int) -> Path:
    """Where a job keeps the face of a picture's card, counted from 1."""
    return folder / sha256[:2] / f"{sha256}-{number}.jpg"


def page_file(folder: Path, sha256: str) -> Path:
    """Where a job keeps a page by itself."""
    return folder / sha256[:2] / f"{sha256}.png"


class Worker:
    """One process' workbench: an open references, which knows its calibration."""

    def __init__(self, folder: Path, settings: Settings) -> None:
        self.folder = folder
        self.settings = settings
        self.references = CatalogueReferences.open(folder, settings)
        self._looker = ListingInspector(self.references, settings)

    def run(self, job: Job) -> dict[str, Any]:
        """The contract's object for one photo; deliberate errors become its `error`."""
        try:
            photo = read_photo(job.source, self.settings.photo, job.name, job.page)
            if job.alone:
                photo = self._page_alone(photo, job.alone)
            references = self._current_shelf()
            given = None if job.quad is None else given_quads(photo, np.array(job.quad, np.float64))
            found = identify(photo, references, self.settings, references.calibration, given)
            if job.pictures:
                self._save_pictures(job.pictures, job, found)
            if job.faces:
                self._save_faces(job.faces, job, found)
            answer = as_json(job.name, found)
            if job.look:
                answer = self._looker.with_look(answer, found)
            return {**answer, "layers": layers_of(found, references, job.layers)} if job.layers else answer
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
                save_evidence(folder, job.name, number, found.photo, card, self.references)
            except OSError as error:
                told = f"{job.name}: its evidence picture could not be written: {error.strerror}"
                print(f"{told} (make room, or name another folder)", file=sys.stderr)

    def _page_alone(self, photo: Photo, folder: Path) -> Photo:
        """Raises CatalogueError disk_full."""
        data = png_of(photo)
        alone = replace(photo, sha256=hashlib.sha256(data).hexdigest())
        with guarded(self.folder):
            write_whole(page_file(folder, alone.sha256), data)
        return alone

    def _save_faces(self, folder: Path, job: Job, found: Identification) -> None:
        """Without room for them the work cannot go on: raises CatalogueError disk_full."""
        with guarded(self.folder):
            for number, card in enumerate(found.cards, start=1):
                path = face_file(folder, found.photo.sha256, number)
                write_whole(path, encode_face(card.face), keep=False)

    def _current_shelf(self) -> CatalogueReferences:
        self.references.refresh()
        return self.references


def identify_all(
    jobs: Sequence[Job], folder: Path, settings: Settings, workers: int | None = None, cluster: Cluster | None = None
) -> Iterator[dict[str, Any]]:
    """Results in the order of the jobs; a few photos are done in this process, more on a pool, or on a cluster."""
    if cluster is not None:
        yield from cluster.in_order(map(_anywhere, jobs), partial(run_at, folder.resolve(), settings), _lost)
        return
    workers = min(workers or usable_processors(), len(jobs))
    if workers <= 1 or len(jobs) < 4:
        one_thread()
        bench = Worker(folder, settings)
        yield from map(bench.run, jobs)
        return
    yield from in_order(jobs, run, _lost, partial(pool, folder, settings), workers)


def _lost(job: Job) -> dict[str, Any]:
    """What is told of a photo that ended the process that read it, even alone."""
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


def run_at(folder: Path, settings: Settings, job: Job) -> dict[str, Any]:
    """Do one job in any process, one after the other; the bench stays set up for the next one."""
    with _turn:
        place = _places.setdefault((folder, settings), _Place(folder, settings))
        return place.bench().run(job)


def _anywhere(job: Job) -> Job:
    """The job with paths that do not depend on where a process was started."""
    source = job.source.resolve() if isinstance(job.source, Path) else job.source
    pictures, alone, faces = (path and path.resolve() for path in (job.pictures, job.alone, job.faces))
    return replace(job, source=source, pictures=pictures, alone=alone, faces=faces)


class _Place:
    """A worker's place: its bench, set up at the first job, or at the next one if that failed."""

    def __init__(self, folder: Path, settings: Settings) -> None:
        self._made = (folder, settings)
        self._bench: Worker | None = None

    def bench(self) -> Worker:
        if self._bench is None:
            self._bench = Worker(*self._made)
        return self._bench


# The only state of a worker process, set once by the pool's initialiser; nothing else reads it.
_place: _Place | None = None

# A cluster's worker serves whoever asks: benches by what they are for, and one job at a time.
_places: dict[tuple[Path, Settings], _Place] = {}
_turn = threading.Lock()


def _set_up(folder: Path, settings: Settings) -> None:
    global _place
    _place = _Place(folder, settings)
    with suppress(PlatekinError, OSError):  # told at the first job: raised here it would only break the pool
        _place.bench()
        can_read()  # loads the reader, so that the first open caption need not wait for it
