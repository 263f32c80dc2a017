"""Where pictures are decoded that somebody else has sent: in this process, or in others that are watched over.

What decodes is a plain function of plain values, so that it can be done in either place. A program that must not end,
or grow without an end, by what it was sent does it `Apart`; a short one does it `here`.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Executor, Future
from functools import partial
from typing import Any, Protocol, TypeVar

from matcher.core.errors import PlatekinError
from matcher.core.parallel.supervised import CancelledWork, TookTooLong

Result = TypeVar("Result")


class Elsewhere(Protocol):
    """Does `work(*args)` somewhere, and waits for it. Raises what the work raises, and PlatekinError where it ends."""

    def __call__(self, work: Callable[..., Result], /, *args: Any) -> Result: ...


def here(work: Callable[..., Result], /, *args: Any) -> Result:
    """In this process."""
    return work(*args)


class Apart:
    """In the processes of a pool, most often a `SupervisedPool`. May be called from several threads.

    Raises PlatekinError timeout, worker_lost, too_much_memory besides what the work raises: that a picture could not
    be read within the limits says nothing against the picture.
    """

    def __init__(self, pool: Executor) -> None:
        self._pool = pool

    def __call__(self, work: Callable[..., Result], /, *args: Any) -> Result:
        """Waits on the calling thread."""
        future = self._submitted(work, *args)
        try:
            return future.result()
        except (TookTooLong, BrokenExecutor, CancelledWork, MemoryError) as error:
            raise _told(error) from None

    async def answer(self, work: Callable[..., Result], /, *args: Any) -> Result:
        """Waits without keeping a thread."""
        future = self._submitted(work, *args)
        try:
            return await asyncio.wrap_future(future)
        except (TookTooLong, BrokenExecutor, CancelledWork, MemoryError) as error:
            raise _told(error) from None

    def close(self) -> None:
        """End the processes, whatever they are doing."""
        self._pool.shutdown(wait=True, cancel_futures=True)

    def _submitted(self, work: Callable[..., Result], *args: Any) -> Future[Result]:
        try:
            return self._pool.submit(partial(work, *args))
        except RuntimeError:  # closed meanwhile
            raise _told(CancelledWork()) from None


def _told(error: BaseException) -> PlatekinError:
    if isinstance(error, TookTooLong):
        return PlatekinError("timeout", "the picture was not read in time", "save it smaller, as a JPEG")
    if isinstance(error, MemoryError):
        return PlatekinError("too_much_memory", "the picture needs too much memory", "save it smaller, as a JPEG")
    return PlatekinError("worker_lost", "the process that read the picture was lost", "try again, or save it smaller")
