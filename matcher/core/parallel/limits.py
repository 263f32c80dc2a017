"""What one process may use: memory, once and for all; processor time, job by job. Set by the process itself.

The system holds both (setrlimit, POSIX.1): a decoder that asks for more memory is refused it, one that never ends is
ended by SIGXCPU. Where a system cannot, nothing is set; the deadline of `supervised` holds everywhere.
"""

from __future__ import annotations

import os
import resource
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class WorkLimits:
    """Of one job in a worker process.

    job_s: seconds, by the clock and of processor time. memory_bytes: on top of what the process holds when it is set
    up: libraries, networks, the index.
    """

    job_s: float = 120.0
    """A page of forty cards takes some 30 s on one busy core; own choice."""
    memory_bytes: int = 3_000_000_000
    """The largest pictures that are read take 1.6 GB, see `matcher/lab/RESULTS.md`."""
    nice: int = 0
    """By how much the process goes behind others of this machine: behind the one who answers requests, most of all."""


OPENING_BYTES = 4_000_000_000
"""What the first job of a process may take besides, which opens a catalogue with its index and the networks."""

SPARE_S = 5.0
"""By how much the system's limit lies above the deadline, so that the one who waits is told what happened."""


def limit_memory(more_bytes: int) -> None:
    """From now on this process may map so many bytes more (RLIMIT_AS), and dumps no core."""
    with suppress(ValueError, OSError):
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    try:
        mapped = int(Path("/proc/self/statm").read_text().split()[0]) * os.sysconf("SC_PAGE_SIZE")
    except (OSError, ValueError, IndexError):
        return  # no /proc: what is mapped now cannot be told
    _lower(resource.RLIMIT_AS, mapped + more_bytes)


def limit_processor_time(more_s: float) -> None:
    """From now on this process may use so many more seconds of processor time (RLIMIT_CPU)."""
    used = resource.getrusage(resource.RUSAGE_SELF)
    _lower(resource.RLIMIT_CPU, int(used.ru_utime + used.ru_stime + more_s) + 1)


@contextmanager
def ending(limits: WorkLimits) -> Iterator[None]:
    """One job in a process that somebody starts again when it ends: it ends with the process when its time is over."""
    global _held
    if not _held:
        limit_memory(limits.memory_bytes + OPENING_BYTES)
    limit_processor_time(limits.job_s + SPARE_S)
    over = threading.Timer(limits.job_s, os._exit, (1,))
    over.daemon = True
    over.start()
    try:
        yield
    finally:
        over.cancel()
        if not _held:
            limit_memory(limits.memory_bytes)
            _held = True


_held = False
"""Whether this process' memory is limited finally: it counts from what was held after the first job."""


def _lower(which: int, most: int) -> None:
    """Set the soft limit, which may be raised again for the next job, as far as the hard one allows."""
    _, hard = resource.getrlimit(which)
    with suppress(ValueError, OSError):
        resource.setrlimit(which, (most if hard == resource.RLIM_INFINITY else min(most, hard), hard))
