"""Worker processes, set up in one way: spawned, one computing thread each, ending with their parent.

Spawned, not forked: OpenCV's and FAISS's threads do not survive a fork.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from itertools import islice
from typing import Any, TypeVar

import cv2
import faiss

Item = TypeVar("Item")
Result = TypeVar("Result")


def process_pool(workers: int, set_up: Callable[..., None] | None = None, *args: Any) -> ProcessPoolExecutor:
    """A pool of spawned workers; `set_up(*args)` is run in each after the common start."""
    spawn = multiprocessing.get_context("spawn")
    return ProcessPoolExecutor(workers, mp_context=spawn, initializer=_start, initargs=(set_up, args))


def in_order(
    items: Iterable[Item],
    work: Callable[[Item], Result],
    lost: Callable[[Item], Result],
    start: Callable[[int], ProcessPoolExecutor],
    workers: int,
    ahead: int = 4,
) -> Iterator[Result]:
    """What `work` gives for each item, in their order, on a pool that `start(workers)` makes.

    Only `ahead` items a worker are taken at a time, so that results do not pile up. A worker that is lost takes its
    pool along: the item in turn is tried by itself, and if that ends this one too, `lost(item)` is its result.
    """
    pool = start(workers)
    left, flying = iter(items), deque[tuple[Item, Future[Result]]]()
    try:
        while True:
            for item in islice(left, ahead * workers - len(flying)):
                flying.append((item, _submit(pool, work, item)))
            if not flying:
                return
            item, future = flying.popleft()
            try:
                result = future.result()
            except BrokenProcessPool:
                pool.shutdown(cancel_futures=True)
                result = _alone(item, work, lost, start)
                pool = start(workers)
                flying = deque((one, f if _finished(f) else _submit(pool, work, one)) for one, f in flying)
            yield result
    finally:
        pool.shutdown(cancel_futures=True)


def _alone(
    item: Item, work: Callable[[Item], Result], lost: Callable[[Item], Result],
    start: Callable[[int], ProcessPoolExecutor],
) -> Result:  # fmt: skip
    """With nothing beside it, it is clear whose fault a lost worker is."""
    with start(1) as pool:
        try:
            return _submit(pool, work, item).result()
        except BrokenProcessPool:
            return lost(item)


def _submit(pool: ProcessPoolExecutor, work: Callable[[Item], Result], item: Item) -> Future[Result]:
    """A pool that broke meanwhile refuses work at once; that is known from the future, like any other break."""
    try:
        with _undisturbed():
            return pool.submit(work, item)
    except BrokenProcessPool as error:
        broken: Future[Result] = Future()
        broken.set_exception(error)
        return broken


@contextmanager
def _undisturbed() -> Iterator[None]:
    """Hold Ctrl-C back while processes may be started: a worker that is not yet set up would die of it, with noise.

    What is held back comes when this ends; a process that is started meanwhile holds it back until `_start`.
    """
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _finished(future: Future[Any]) -> bool:
    return future.done() and not future.cancelled() and not isinstance(future.exception(), BrokenProcessPool)


def one_thread() -> None:
    """Keep this process to one computing thread: the parallelism is in the processes."""
    cv2.setNumThreads(1)
    faiss.omp_set_num_threads(1)


def usable_processors() -> int:
    """Processors that this process may run on."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _start(set_up: Callable[..., None] | None, args: tuple[Any, ...]) -> None:
    one_thread()
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent gets it too, and ends its workers
    signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})
    threading.Thread(target=_end_with_parent, daemon=True).start()
    if set_up is not None:
        set_up(*args)


def _end_with_parent() -> None:
    """A worker whose parent was killed would wait for work for ever."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
