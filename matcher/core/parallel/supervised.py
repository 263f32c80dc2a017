"""Worker processes that are watched over: each does one job at a time, with an end to it.

A job that is not done in time ends with its process, which is replaced; a process that comes to a sudden end costs its
own job alone. (A pool of several processes, as the standard library has it, breaks as a whole, and cannot end a job.)
"""

from __future__ import annotations

import os
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from itertools import islice
from typing import Any, Literal, TypeVar

from matcher.core.parallel.limits import SPARE_S, WorkLimits, limit_memory, limit_processor_time
from matcher.core.parallel.processes import process_pool, undisturbed

Item = TypeVar("Item")
Result = TypeVar("Result")

START_S = 60.0
"""Most that a process may take to get ready, on top of its first job's time."""

REST_S = 1.0
"""Between two starts of a process that did not get ready, so that a broken installation does not keep a core busy."""

REMEMBERED_S = 60.0
"""How long it counts as failing that one job after the other has ended with its process."""

State = Literal["starting", "ready", "failing"]


class TookTooLong(Exception):
    """A job was ended with its process, since its time was over."""


@dataclass(eq=False)
class _Waiting:
    """A job that was handed in. future: what the one who waits holds; begun: it was told that it is at work."""

    future: Future[Any]
    work: Callable[[], Any]
    begun: bool = False


@dataclass(eq=False)
class _Place:
    """One process. ready: gives its id once it is set up. late: its present job's time is over."""

    pool: ProcessPoolExecutor
    ready: Future[int]
    job: _Waiting | None = None
    timer: threading.Timer | None = None
    late: bool = False
    gone: bool = False


class SupervisedPool(Executor):
    """`workers` processes, made by `start()` one at a time. May be used from several threads."""

    def __init__(self, start: Callable[[], ProcessPoolExecutor], workers: int, limits: WorkLimits) -> None:
        self._start_one = start
        self._limits = limits
        self._lock = threading.RLock()
        self._waiting: deque[_Waiting] = deque()
        self._closed = False
        self._failed = 0  # starts in a row that came to nothing
        self._ended, self._ended_at = 0, 0.0  # jobs in a row that ended with their process; when the last did
        self._places = [self._new_place() for _ in range(workers)]

    def submit(self, work: Callable[..., Result], /, *args: Any, **named: Any) -> Future[Result]:
        """Raises RuntimeError once the pool is closed. The future raises TookTooLong, BrokenExecutor, and as `work`."""
        future: Future[Result] = Future()
        with self._lock:
            if self._closed:
                raise RuntimeError("the pool is closed")
            self._waiting.append(_Waiting(future, partial(work, *args, **named)))
        self._hand_out()
        return future

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Nothing is handed out any more. With `cancel_futures` what is at work ends with its process, at once."""
        with self._lock:
            self._closed = True
            left, self._waiting = self._waiting, deque()
            places = list(self._places)
        for one in left:
            if one.begun or not one.future.cancel():
                one.future.set_exception(CancelledWork("the pool was closed"))
        for place in places:
            if cancel_futures:
                _kill(place.pool)
            place.pool.shutdown(wait=wait, cancel_futures=cancel_futures)

    @property
    def state(self) -> State:
        """'failing': no process gets ready, or the last jobs of all of them ended with their process."""
        with self._lock:
            lately = time.monotonic() - self._ended_at < REMEMBERED_S
            if self._failed > 0 or (self._ended >= max(2, len(self._places)) and lately):
                return "failing"
            return "ready" if any(_is_ready(place) for place in self._places) else "starting"

    def processes(self) -> tuple[int, ...]:
        """Ids of the processes that are ready."""
        with self._lock:
            return tuple(place.ready.result() for place in self._places if _is_ready(place))

    # Inside

    def _new_place(self) -> _Place:
        pool = self._start_one()
        with undisturbed():  # this starts the process
            place = _Place(pool, pool.submit(os.getpid))
        place.ready.add_done_callback(lambda _: self._got_ready(place))
        return place

    def _got_ready(self, place: _Place) -> None:
        with self._lock:
            if _is_ready(place):
                self._failed = 0
                return
            if place.gone or place.job is not None or self._closed:
                return  # its job's future tells, and `_done` replaces it
            self._failed += 1
            self._replace(place)

    def _hand_out(self) -> None:
        """Give what waits to the places that are free."""
        with self._lock:
            for place in [place for place in self._places if place.job is None and not place.gone]:
                while self._waiting:
                    job = self._waiting.popleft()
                    if job.begun or job.future.set_running_or_notify_cancel():
                        job.begun = True
                        self._give(place, job)
                        break

    def _give(self, place: _Place, job: _Waiting) -> None:
        place.job, place.late = job, False
        try:
            done = place.pool.submit(_limited, self._limits.job_s, job.work)
        except RuntimeError as error:  # it came to an end while it was idle: the job has no part in that
            place.job = None
            if self._closed:
                job.future.set_exception(error)
                return
            self._waiting.appendleft(job)
            self._replace(place)
            return
        seconds = self._limits.job_s + (0.0 if _is_ready(place) else START_S)
        place.timer = threading.Timer(seconds, self._too_late, (place, job))
        place.timer.daemon = True
        place.timer.start()
        done.add_done_callback(lambda future: self._done(place, job, future))

    def _too_late(self, place: _Place, job: _Waiting) -> None:
        with self._lock:
            if place.job is job:
                place.late = True
                _kill(place.pool)

    def _done(self, place: _Place, job: _Waiting, done: Future[Any]) -> None:
        error = CancelledWork() if done.cancelled() else done.exception()
        with self._lock:
            if place.timer is not None:
                place.timer.cancel()
            late, place.job = place.late, None
            broken = isinstance(error, BrokenExecutor)
            self._ended, self._ended_at = (self._ended + 1, time.monotonic()) if broken else (0, 0.0)
            if broken and not _is_ready(place):
                self._failed += 1
            if broken and not self._closed:
                self._replace(place)
        if error is None:
            job.future.set_result(done.result())
        else:
            job.future.set_exception(TookTooLong(f"{self._limits.job_s:g} s") if broken and late else error)
        self._hand_out()

    def _replace(self, place: _Place) -> None:
        place.gone = True
        place.pool.shutdown(wait=False, cancel_futures=True)
        if self._closed or place not in self._places:
            return
        if self._failed > 1:
            again = threading.Timer(REST_S, self._put_anew, (place,))
            again.daemon = True
            again.start()
        else:
            self._put_anew(place)

    def _put_anew(self, place: _Place) -> None:
        with self._lock:
            if self._closed or place not in self._places:
                return
            self._places[self._places.index(place)] = self._new_place()
        self._hand_out()


class CancelledWork(Exception):
    """A job was given up before it began, since the pool was closed."""


def supervised_pool(
    workers: int, set_up: Callable[..., None] | None = None, *args: Any, limits: WorkLimits = WorkLimits()
) -> SupervisedPool:
    """Spawned workers, each within the limits; `set_up(*args)` is run in each after the common start."""
    return SupervisedPool(partial(process_pool, 1, _set_up_limited, set_up, args, limits), workers, limits)


def in_order(
    items: Iterable[Item],
    work: Callable[[Item], Result],
    lost: Callable[[Item], Result],
    start: Callable[[int], SupervisedPool],
    workers: int,
    late: Callable[[Item], Result] | None = None,
    ahead: int = 4,
) -> Iterator[Result]:
    """What `work` gives for each item, in their order, on a pool that `start(workers)` makes.

    Only `ahead` items a worker are taken at a time, so that results do not pile up. An item whose process came to a
    sudden end is tried once more, since the system may have ended it for the fault of another; if that ends too,
    `lost(item)` is its result. late: of an item whose time was over; as `lost`, if not given.
    """
    pool = start(workers)
    left, flying = iter(items), deque[tuple[Item, Future[Result]]]()
    try:
        while True:
            for item in islice(left, ahead * workers - len(flying)):
                flying.append((item, pool.submit(work, item)))
            if not flying:
                return
            item, future = flying.popleft()
            try:
                yield _twice(pool, work, item, future)
            except BrokenExecutor:
                yield lost(item)
            except TookTooLong:
                yield (late or lost)(item)
    finally:
        pool.shutdown(cancel_futures=True)


def _twice(pool: SupervisedPool, work: Callable[[Item], Result], item: Item, future: Future[Result]) -> Result:
    try:
        return future.result()
    except BrokenExecutor:
        return pool.submit(work, item).result()


def _kill(pool: ProcessPoolExecutor) -> None:
    """End its process, whatever it is doing: what `kill_workers` does, which comes with Python 3.14.

    One that was handing over a result has left half of it. Whoever reads would wait for the rest for ever, as long as
    this process too holds the end that is written to: it is closed, nobody here writes to it.
    """
    for process in list((pool._processes or {}).values()):
        process.kill()
    results: Any = pool._result_queue
    if results is not None and not results._writer.closed:
        results._writer.close()


def _is_ready(place: _Place) -> bool:
    return place.ready.done() and not place.ready.cancelled() and place.ready.exception() is None and not place.gone


def _set_up_limited(set_up: Callable[..., None] | None, args: tuple[Any, ...], limits: WorkLimits) -> None:
    os.nice(limits.nice)
    if set_up is not None:
        set_up(*args)
    limit_memory(limits.memory_bytes)


def _limited(job_s: float, work: Callable[[], Any]) -> Any:
    """In the worker: one job, whose processor time ends even if nobody watches any more."""
    limit_processor_time(job_s + SPARE_S)
    try:
        return work()
    except BaseException as error:
        # The pool keeps what was raised until something else is: what led to it would keep a picture's pixels with it,
        # and the next job would lack that memory.
        error.__context__ = error.__cause__ = None
        raise
