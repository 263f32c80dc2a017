"""Work in this very process that still has an end: for a command with a photo or two, where no pool is worth its start.

Memory is held by the system, as in a worker (`limits`). Time is held twice: by an alarm, which ends the one piece of
work where Python gets to hear of it; and where a decoder never comes back, by a small process that stands by, says what
happened, and ends this one. Where a decoder ends this process, the one that stands by says that too.
"""

from __future__ import annotations

import json
import os
import resource
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from types import FrameType
from typing import Any, Self, TypeVar

from matcher.core.errors import PlatekinError
from matcher.core.parallel.limits import SPARE_S, WorkLimits, limit_memory

Result = TypeVar("Result")

STANDS_BY = """
import json, os, select, signal, sys
order, held = {}, b""
while True:
    if not select.select([0], [], [], order.get("seconds"))[0]:
        os.write(2, order["late"].encode(errors="replace"))
        os.kill(int(sys.argv[1]), signal.SIGKILL)
        break
    told = os.read(0, 65536)
    if not told:
        os.write(2, order.get("ended", "").encode(errors="replace"))
        break
    whole, newline, held = (held + told).rpartition(b"\\n")
    if newline:
        order = json.loads(whole.rpartition(b"\\n")[2])
"""
"""Reads lines of JSON: what is at work has so many `seconds`; `late`, `ended`: what to say where it takes longer, or
where the one who writes comes to an end before it. {}: nothing is at work. It ends with the one who writes."""


class TimeIsOver(BaseException):
    """Not an Exception: what catches those to go on with the next thing must not go on with this one."""


class Guarded:
    """Does work here within limits, one piece at a time; a context manager. See `elsewhere.Elsewhere`.

    about: what messages call the present piece, where it is given no file. Memory is counted on top of what is held
    when a piece is begun. Raises PlatekinError timeout, too_much_memory besides what the work raises.
    """

    def __init__(self, limits: WorkLimits, about: str = "the picture") -> None:
        self.limits = limits
        self.about = about

    def __enter__(self) -> Self:
        command = [sys.executable, "-I", "-S", "-c", STANDS_BY, str(os.getpid())]
        self._beside = subprocess.Popen(command, stdin=subprocess.PIPE, start_new_session=True)
        return self

    def __exit__(self, *_: object) -> None:
        with suppress(OSError):
            assert self._beside.stdin is not None
            self._beside.stdin.close()
        self._beside.wait()

    def __call__(self, work: Callable[..., Result], /, *args: Any) -> Result:
        about = next((one.name for one in args if isinstance(one, Path)), self.about)
        late = PlatekinError(
            "timeout", f"{about}: no answer within {self.limits.job_s:g} s", "save it as a plain JPEG, or divide it"
        )
        try:
            self._tell(seconds=self.limits.job_s + SPARE_S, late=_said(late), ended=_said(_ended(about)))
            with _alarm(self.limits.job_s), _memory(self.limits.memory_bytes):
                return work(*args)
        except TimeIsOver:
            raise late from None
        except MemoryError:
            told = f"{about}: it needs more memory than one picture may take"
            raise PlatekinError("too_much_memory", told, "save it smaller, as a JPEG") from None
        finally:
            self._tell()

    def _tell(self, **order: float | str) -> None:
        with suppress(OSError):  # somebody has ended it: the alarm is left
            assert self._beside.stdin is not None
            self._beside.stdin.write(json.dumps(order).encode() + b"\n")
            self._beside.stdin.flush()


def _ended(about: str) -> PlatekinError:
    """The last words of a process that a decoder has ended, or somebody else meanwhile."""
    told = f"{about}: the program came to a sudden end while it was read"
    return PlatekinError("worker_lost", told, "save it as a plain JPEG, or leave it out; what was done before is kept")


def _said(error: PlatekinError) -> str:
    return f"platekin: {error.message}\n  what to do: {error.remedy}\n"


@contextmanager
def _memory(more_bytes: int) -> Iterator[None]:
    before = resource.getrlimit(resource.RLIMIT_AS)
    limit_memory(more_bytes)
    try:
        yield
    finally:
        with suppress(ValueError, OSError):
            resource.setrlimit(resource.RLIMIT_AS, before)


@contextmanager
def _alarm(seconds: float) -> Iterator[None]:
    """Raise TimeIsOver in what is done meanwhile; only where signals are heard, in the main thread."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def over(number: int, frame: FrameType | None) -> None:
        raise TimeIsOver

    before = signal.signal(signal.SIGALRM, over)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)
