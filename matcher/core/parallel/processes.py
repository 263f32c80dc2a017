"""Worker processes, set up in one way: spawned, one computing thread each, ending with their parent.

Spawned, not forked: OpenCV's and FAISS's threads do not survive a fork.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from typing import Any

import cv2
import faiss


def process_pool(workers: int, set_up: Callable[..., None] | None = None, *args: Any) -> ProcessPoolExecutor:
    """A pool of spawned workers; `set_up(*args)` is run in each after the common start."""
    spawn = multiprocessing.get_context("spawn")
    return ProcessPoolExecutor(workers, mp_context=spawn, initializer=_start, initargs=(set_up, args))


@contextmanager
def undisturbed() -> Iterator[None]:
    """Hold Ctrl-C back while processes may be started: a worker that is not yet set up would die of it, with noise.

    What is held back comes when this ends; a process that is started meanwhile holds it back until `_start`.
    """
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


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
