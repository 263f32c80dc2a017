"""Identify many photos on worker processes: the one pool that the command line and the service use.

Each worker opens the catalogue once and keeps it; what another process decides meanwhile is taken in. What is done
with a photo besides identifying it, the job's steps say (`job`).
"""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import replace
from functools import partial
from importlib import import_module
from pathlib import Path

import numpy as np

from matcher.catalogue.reference_set import CatalogueReferences
from matcher.core.answer import answer_of, failed_answer
from matcher.core.detect.card_quad import Detections
from matcher.core.detect.given_outline import given_quads
from matcher.core.errors import CatalogueError, PlatekinError, UnreadablePhoto
from matcher.core.identify import identify
from matcher.core.ocr.reading import can_read
from matcher.core.parallel.cluster import Cluster
from matcher.core.parallel.guarded import Guarded
from matcher.core.parallel.limits import WorkLimits
from matcher.core.parallel.processes import one_thread, usable_processors
from matcher.core.parallel.supervised import SupervisedPool, in_order, supervised_pool
from matcher.core.photo import read_photo
from matcher.core.settings import Settings
from matcher.jobs.job import Job, JobResult, WorkerContext

PATIENT = WorkLimits(job_s=600.0)
"""Where a person waits at a command and can stop it: long enough for a full page on a busy machine; own choice."""


PICTURES_AT_ONCE = 2
"""Decoded at once for showing: one of 200 million pixels takes almost a gigabyte."""


class Worker:
    """What one process identifies photos with: the opened references, which know their calibration."""

    def __init__(self, folder: Path, settings: Settings) -> None:
        self.settings = settings
        self.references = CatalogueReferences.open(folder, settings)
        self._context = WorkerContext(self.references, settings)

    def run(self, job: Job) -> JobResult:
        """One photo, with its steps; what is wrong with it becomes the answer's error. Raises CatalogueError."""
        try:
            photo = read_photo(job.source, self.settings.photo, job.name, job.page)
            if job.preparation:
                photo = job.preparation(photo, self._context)
            self.references.refresh()
            given = None if job.look else Detections(())
            if job.quad is not None:
                given = given_quads(photo, np.array(job.quad, np.float64), upright=job.upright)
            found = identify(photo, self.references, self.settings, self.references.calibration, given)
            extras = [step(job.name, found, self._context) for step in job.steps]
            return JobResult(answer_of(job.name, found), tuple(extra for extra in extras if extra is not None))
        except UnreadablePhoto as error:
            return _failed(job, error)
        except CatalogueError:
            raise
        except MemoryError:
            told = f"{job.name}: it needs more memory than one photo may take"
            return _failed(job, PlatekinError("too_much_memory", told, "save it smaller, as a JPEG"))
        except Exception as error:  # one odd photo must not stop the others
            told = f"{job.name}: {type(error).__name__}: {error}"
            return _failed(job, PlatekinError("unexpected", told, "please report this, with the photo"))


def _failed(job: Job, error: PlatekinError) -> JobResult:
    return JobResult(failed_answer(job.name, error))


def identify_all(
    jobs: Sequence[Job], folder: Path, settings: Settings, workers: int | None = None, cluster: Cluster | None = None
) -> Iterator[JobResult]:
    """Results in the order of the jobs; a few photos are done in this process, more on a pool, or on a cluster.

    Wherever it is, each photo has an end in time and memory.
    """
    if cluster is not None:
        yield from cluster.in_order(map(_anywhere, jobs), partial(run_at, folder.resolve(), settings), _lost, PATIENT)
        return
    workers = min(workers or usable_processors(), len(jobs))
    if workers <= 1 or len(jobs) < 4:
        yield from _here(jobs, folder, settings)
        return
    yield from in_order(jobs, run, _lost, partial(_patient_pool, folder, settings), workers, _late)


def _here(jobs: Sequence[Job], folder: Path, settings: Settings) -> Iterator[JobResult]:
    """One after the other in this process; after one that was given up, with all that works set up anew."""
    one_thread()
    worker = _LazyWorker(folder, settings)
    worker.opened()  # before memory is limited: what a catalogue's index takes is no photo's fault
    with Guarded(PATIENT) as guard:
        for job in jobs:
            guard.about = job.name
            try:
                result = guard(worker.opened().run, job)
            except CatalogueError:
                raise
            except PlatekinError as error:
                worker, result = _LazyWorker(folder, settings), _failed(job, error)
            yield result


def _lost(job: Job) -> JobResult:
    """What is told of a photo that ended the process that read it, even alone."""
    told = f"{job.name}: the process that read it was lost, perhaps for lack of memory"
    return _failed(job, PlatekinError("worker_lost", told, "save the photo smaller"))


def _late(job: Job) -> JobResult:
    told = f"{job.name}: no answer within {PATIENT.job_s:g} s"
    return _failed(job, PlatekinError("timeout", told, "save the photo as a plain JPEG, or divide it"))


def pool(folder: Path, settings: Settings, workers: int, limits: WorkLimits = WorkLimits()) -> SupervisedPool:
    """Spawned processes, each with its worker, each within the limits; give them work with `submit(run, job)`."""
    return supervised_pool(workers, _set_up, folder, settings, limits=limits)


def picture_pool(limits: WorkLimits = WorkLimits()) -> SupervisedPool:
    """Processes that decode pictures to be shown or kept: without a catalogue, so that they are there at once."""
    return supervised_pool(PICTURES_AT_ONCE, _load_stages, limits=limits)


def _load_stages() -> None:
    """So that the first picture need not wait for it."""
    import_module("matcher.catalogue.records.prepare")


def _patient_pool(folder: Path, settings: Settings, workers: int) -> SupervisedPool:
    return pool(folder, settings, workers, PATIENT)


def run(job: Job) -> JobResult:
    """Do one job in a worker of `pool`. Raises CatalogueError where the catalogue cannot be opened (now)."""
    if _worker is None:
        raise RuntimeError("this process is no worker of pool()")
    return _worker.opened().run(job)


def run_at(folder: Path, settings: Settings, job: Job) -> JobResult:
    """Do one job in any process, one after the other; the worker stays set up for the next one."""
    with _lock:
        return _workers.setdefault((folder, settings), _LazyWorker(folder, settings)).opened().run(job)


def _anywhere(job: Job) -> Job:
    """The job with a path that does not depend on where a process was started; its steps' paths are such already."""
    source = job.source.resolve() if isinstance(job.source, Path) else job.source
    return replace(job, source=source)


class _LazyWorker:
    """A process' worker, set up at the first job, or at the next one if that failed."""

    def __init__(self, folder: Path, settings: Settings) -> None:
        self._made = (folder, settings)
        self._worker: Worker | None = None

    def opened(self) -> Worker:
        if self._worker is None:
            self._worker = Worker(*self._made)
        return self._worker


# The only state of a worker process, set once by the pool's initialiser; nothing else reads it.
_worker: _LazyWorker | None = None

# A cluster's worker serves whoever asks: workers by what they are for, and one job at a time.
_workers: dict[tuple[Path, Settings], _LazyWorker] = {}
_lock = threading.Lock()


def _set_up(folder: Path, settings: Settings) -> None:
    global _worker
    _worker = _LazyWorker(folder, settings)
    with suppress(PlatekinError, OSError):  # told at the first job: raised here it would only break the pool
        _worker.opened()
        can_read()  # loads the reader, so that the first open caption need not wait for it
