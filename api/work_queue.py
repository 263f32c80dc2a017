"""Photos in, answers out: the bounded queue before the worker processes.

A place is taken before a job is handed over and is free again when the job ends, whether or not anybody still
waits for it: what a client gives up on still costs a worker's time. The pool ends a job that does not end by itself.
"""

from __future__ import annotations

import asyncio
import threading
import time
from collections import Counter, deque
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Executor
from contextlib import suppress
from contextvars import ContextVar
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


LATELY_S = 60.0
"""Whoever asked within this time is somebody whom others leave a process to."""

asking: ContextVar[str] = ContextVar("asking", default="lots")
"""On whose behalf a photo is handed in, see `middleware.whose_request`; lots have no request."""


class Turns:
    """Who comes next: people take turns, and nobody takes the last process while somebody else is about.

    On the loop's own thread alone. workers: places to work at.
    """

    def __init__(self, workers: int, clock: Callable[[], float] = time.monotonic) -> None:
        self._workers, self._clock = workers, clock
        self._waiting: dict[str, deque[asyncio.Future[None]]] = {}
        self._working: Counter[str] = Counter()
        self._seen: dict[str, float] = {}

    async def take(self, whose: str) -> None:
        """Wait for a place to work at. To be given back, unless it is cancelled."""
        self._seen[whose] = self._clock()
        turn: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._waiting.setdefault(whose, deque()).append(turn)
        self._hand_out()
        try:
            await turn
        except asyncio.CancelledError:
            if turn.done() and not turn.cancelled():
                self.give_back(whose)
            else:
                self._forget(whose, turn)
            raise

    def _forget(self, whose: str, turn: asyncio.Future[None]) -> None:
        """It waits no more; it may have been passed over already."""
        left = [one for one in self._waiting.pop(whose, ()) if one is not turn]
        if left:
            self._waiting[whose] = deque(left)

    def give_back(self, whose: str) -> None:
        """The place is free again."""
        self._working -= Counter({whose: 1})
        self._hand_out()

    def _hand_out(self) -> None:
        while self._working.total() < self._workers and (whose := self._next()) is not None:
            turn = self._waiting[whose].popleft()
            self._waiting[whose] = self._waiting.pop(whose)  # behind all others
            if not self._waiting[whose]:
                del self._waiting[whose]
            if not turn.done():
                self._working[whose] += 1
                turn.set_result(None)

    def _next(self) -> str | None:
        since = self._clock() - LATELY_S
        about = self._working.keys() | self._waiting.keys()
        self._seen = {who: at for who, at in self._seen.items() if at > since or who in about}
        for whose, turns in self._waiting.items():
            alone = not self._seen.keys() - {whose}
            most = self._workers if alone else max(1, self._workers - 1)
            if turns and self._working[whose] < most:
                return whose
        return None


class WorkQueue:
    """Hands jobs to a pool of `workers` processes; at most `limit` more may wait, of one token half of them."""

    def __init__(self, make_pool: Callable[[], Executor], work: Work, workers: int, limit: int) -> None:
        self._pool = make_pool()
        self._work = work
        self._workers = workers
        self._limit = limit
        self._taken: Counter[str] = Counter()
        self._lock = threading.Lock()  # places are given back on the pool's own threads
        self._turns = Turns(workers)

    def close(self) -> None:
        """Forget what waits, and end what is being worked on: who waited for an answer was told before."""
        self._pool.shutdown(wait=True, cancel_futures=True)

    def load(self) -> Load:
        taken = self._taken.total()
        working = min(taken, self._workers)
        return Load(self._workers, self._limit, working, taken - working, getattr(self._pool, "state", "ready"))

    def check_room(self) -> None:
        """Raises Busy where no place is free: asked before a body is read, so that a refusal costs nothing."""
        places, whose = self._workers + self._limit, asking.get()
        own = places if not whose.startswith("token ") else -(-places // 2)
        if self._taken.total() >= places or self._taken[whose] >= own:
            raise _busy()

    async def answer(self, job: Job, timeout: float) -> JobResult:
        """Have one job done. Raises Busy, PlatekinError (timeout, worker_lost), and what the work raises."""
        whose, loop = asking.get(), asyncio.get_running_loop()
        self._take_place(whose)
        ends = loop.time() + timeout
        try:
            async with asyncio.timeout(timeout):
                await self._turns.take(whose)
        except BaseException as error:
            self._free_place(whose)
            if isinstance(error, TimeoutError):
                raise _late(job, timeout) from None
            raise
        try:
            future = self._pool.submit(self._work, job)
        except BaseException:
            self._free(whose, loop)
            raise
        future.add_done_callback(lambda _: self._free(whose, loop))
        try:
            # A job that has not begun is cancelled with the waiting; one that has begun keeps its place.
            async with asyncio.timeout_at(ends):
                return await asyncio.wrap_future(future)
        except (TimeoutError, TookTooLong):
            raise _late(job, timeout) from None
        except (BrokenExecutor, CancelledWork):
            raise PlatekinError("worker_lost", f"{job.name}: the process at work was lost") from None

    def _take_place(self, whose: str) -> None:
        with self._lock:
            self.check_room()
            self._taken[whose] += 1

    def _free_place(self, whose: str) -> None:
        with self._lock:
            self._taken -= Counter({whose: 1})

    def _free(self, whose: str, loop: asyncio.AbstractEventLoop) -> None:
        """On whatever thread the work has ended."""
        self._free_place(whose)
        with suppress(RuntimeError):  # the service has ended, and its loop with it
            loop.call_soon_threadsafe(self._turns.give_back, whose)


def _late(job: Job, timeout: float) -> PlatekinError:
    return PlatekinError("timeout", f"{job.name}: no answer within {timeout:g} s")


def _busy() -> Busy:
    return Busy("busy", "the queue of the service is full", "try again in a few seconds")
