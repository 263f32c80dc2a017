"""Photos in, answers out: the bounded queue before the worker processes.

A place is taken before a job is handed over and is free again when the job ends, whether or not anybody still
waits for it: what a client gives up on still costs a worker's time. The pool ends a job that does not end by itself.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Executor
from dataclasses import dataclass
from typing import Literal

from matcher.core.errors import Busy, PlatekinError
from matcher.core.parallel.supervised import CancelledWork, TookTooLong
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
        self._pool = make_pool()
        self._work = work
        self._workers = workers
        self._limit = limit
        self._taken = 0
        self._lock = threading.Lock()  # places are given back on the pool's own threads

    def close(self) -> None:
        """Forget what waits, and end what is being worked on: who waited for an answer was told before."""
        self._pool.shutdown(wait=True, cancel_futures=True)

    def load(self) -> Load:
        taken = self._taken
        working = min(taken, self._workers)
        return Load(self._workers, self._limit, working, taken - working, getattr(self._pool, "state", "ready"))

    def check_room(self) -> None:
        """Raises Busy where no place is free: asked before a body is read, so that a refusal costs nothing."""
        if self._taken >= self._workers + self._limit:
            raise _busy()

    async def answer(self, job: Job, timeout: float) -> JobResult:
        """Have one job done. Raises Busy, PlatekinError (timeout, worker_lost), and what the work raises."""
        self._take_place()
        try:
            future = self._pool.submit(self._work, job)
        except BaseException:
            self._free_place()
            raise
        future.add_done_callback(lambda _: self._free_place())
        try:
            # A job that has not begun is cancelled with the waiting; one that has begun keeps its place.
            return await asyncio.wait_for(asyncio.wrap_future(future), timeout)
        except (TimeoutError, TookTooLong):
            raise PlatekinError("timeout", f"{job.name}: no answer within {timeout:g} s") from None
        except (BrokenExecutor, CancelledWork):
            raise PlatekinError("worker_lost", f"{job.name}: the process at work came to a sudden end") from None

    def _take_place(self) -> None:
        with self._lock:
            self.check_room()
            self._taken += 1

    def _free_place(self) -> None:
        with self._lock:
            self._taken -= 1


def _busy() -> Busy:
    return Busy("busy", "the queue of the service is full", "try again in a few seconds")
