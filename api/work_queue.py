"""Photos in, answers out: the bounded queue before the worker processes.

A place is taken before a job is handed over and is free again when the job ends, whether or not anybody still
waits for it: what a client gives up on still costs a worker's time.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Executor, Future
from dataclasses import dataclass
from typing import Literal

from matcher.core.errors import Busy, PlatekinError
from matcher.jobs.job import Job, JobResult

Work = Callable[[Job], JobResult]
"""What is done with a photo, in a worker; picklable."""


@dataclass(frozen=True)
class Load:
    """How busy the queue is. workers: processes. limit: photos that may wait. state: of the workers."""

    workers: int
    limit: int
    working: int
    waiting: int
    state: Literal["starting", "ready", "failing"]


class WorkQueue:
    """Hands jobs to a pool of `workers` processes; at most `limit` more may wait."""

    def __init__(self, make_pool: Callable[[], Executor], work: Work, workers: int, limit: int) -> None:
        self._make_pool = make_pool
        self._work = work
        self._workers = workers
        self._limit = limit
        self._taken = 0
        self._lock = threading.Lock()  # places are given back on the pool's own thread
        self._start()

    def close(self) -> None:
        """Forget what waits, finish what is being worked on."""
        self._pool.shutdown(wait=True, cancel_futures=True)

    def load(self) -> Load:
        taken = self._taken
        working = min(taken, self._workers)
        return Load(self._workers, self._limit, working, taken - working, self._state())

    def check_room(self) -> None:
        """Raises Busy where no place is free: asked before a body is read, so that a refusal costs nothing."""
        if self._taken >= self._workers + self._limit:
            raise _busy()

    async def answer(self, job: Job, timeout: float) -> JobResult:
        """Have one job done. Raises Busy, PlatekinError (timeout, worker_lost), and what the work raises."""
        self._take_place()
        try:
            pool, future = self._submit(job)
        except BaseException:
            self._free_place()
            raise
        future.add_done_callback(lambda _: self._free_place())
        try:
            # A job that has not begun is cancelled with the waiting; one that has begun keeps its place.
            return await asyncio.wait_for(asyncio.wrap_future(future), timeout)
        except TimeoutError:
            raise PlatekinError("timeout", f"{job.name}: no answer within {timeout:g} s") from None
        except BrokenExecutor:
            self._replace(pool)
            raise PlatekinError("worker_lost", f"{job.name}: the process at work was lost") from None

    def _submit(self, job: Job) -> tuple[Executor, Future[JobResult]]:
        """A pool that broke since the last job is replaced first: this job has no part in that."""
        pool = self._pool
        try:
            return pool, pool.submit(self._work, job)
        except BrokenExecutor:
            self._replace(pool)
            return self._pool, self._pool.submit(self._work, job)

    def _replace(self, broken: Executor) -> None:
        """Start a new pool, once, however many jobs saw the old one break."""
        if self._pool is broken:
            self._start()
            broken.shutdown(wait=False, cancel_futures=True)

    def _start(self) -> None:
        self._pool = self._make_pool()
        # Processes are only started for work: this work lets them get ready before the first photo comes.
        self._ready = [self._pool.submit(_nothing) for _ in range(self._workers)]

    def _state(self) -> Literal["starting", "ready", "failing"]:
        done = [future for future in self._ready if future.done()]
        if any(future.cancelled() or future.exception() for future in done):
            return "failing"
        return "ready" if done else "starting"

    def _take_place(self) -> None:
        with self._lock:
            self.check_room()
            self._taken += 1

    def _free_place(self) -> None:
        with self._lock:
            self._taken -= 1


def _busy() -> Busy:
    return Busy("busy", "the queue of the service is full", "try again in a few seconds")


def _nothing() -> None:
    """The work of getting ready."""
