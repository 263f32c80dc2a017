"""Work in this very process that still has an end: for a command with a photo or two, where no pool is worth its start.

Memory is held by the system, as in a worker (`limits`). Time is held twice: by an alarm, which ends the one piece of
work where Python gets to hear of it; and where a decoder never comes back, by a small process that stands by, says what
happened, and ends this one.
"""

from __future__ import annotations

import os
import resource
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from types import FrameType
from typing import Any, Self, TypeVar

from matcher.core.errors import PlatekinError
from matcher.core.parallel.limits import SPARE_S, WorkLimits, limit_memory

Result = TypeVar("Result")

STANDS_BY = """
import os, select, signal, sys
seconds, words = None, b""
while True:
    if not select.select([0], [], [], seconds)[0]:
        os.write(2, words)
        os.kill(int(sys.argv[1]), signal.SIGKILL)
        break
    told = os.read(0, 65536)
    if not told:
        break
    given, _, words = told.rstrip(b"\\0").rpartition(b"\\0")[2].partition(b" ")
    seconds = float(given) or None
"""
"""Reads 'SECONDS WORDS', closed by NUL; 0: nothing is at work. It ends with the one who writes."""


class TimeIsOver(BaseException):
    """Not an Exception: what catches those to go on with the next thing must not go on with this one."""


class Guarded:
    """Does work here within limits, one piece at a time; a context manager. See `elsewhere.Elsewhere`.

    about: what messages call the present piece. Raises PlatekinError timeout, too_much_memory besides what the work
    raises.
    """

    def __init__(self, limits: WorkLimits, about: str = "the picture") -> None:
        self.limits = limits
        self.about = about

    def __enter__(self) -> Self:
        self._memory = resource.getrlimit(resource.RLIMIT_AS)
        command = [sys.executable, "-I", "-S", "-c", STANDS_BY, str(os.getpid())]
        self._beside = subprocess.Popen(command, stdin=subprocess.PIPE, start_new_session=True)
        limit_memory(self.limits.memory_bytes)
        return self

    def __exit__(self, *_: object) -> None:
        with suppress(ValueError, OSError):
            resource.setrlimit(resource.RLIMIT_AS, self._memory)
        with suppress(OSError):
            assert self._beside.stdin is not None
            self._beside.stdin.close()
        self._beside.wait()

    def __call__(self, work: Callable[..., Result], /, *args: Any) -> Result:
        late = PlatekinError(
            "timeout",
            f"{self.about}: no answer within {self.limits.job_s:g} s",
            "save it as a plain JPEG, or divide it",
        )
        try:
            self._tell(self.limits.job_s + SPARE_S, f"platekin: {late.message}\n  what to do: {late.remedy}\n")
            with _alarm(self.limits.job_s):
                return work(*args)
        except TimeIsOver:
            raise late from None
        except MemoryError:
            told = f"{self.about}: it needs more memory than one picture may take"
            raise PlatekinError("too_much_memory", told, "save it smaller, as a JPEG") from None
        finally:
            self._tell(0, "")

    def _tell(self, seconds: float, words: str) -> None:
        with suppress(OSError):  # somebody has ended it: the alarm is left
            assert self._beside.stdin is not None
            self._beside.stdin.write(f"{seconds:g} {words}".encode(errors="replace") + b"\0")
            self._beside.stdin.flush()


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
