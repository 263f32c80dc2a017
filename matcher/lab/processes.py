"""Processes and the memory they hold, from /proc (Linux, proc(5)); a process that has ended holds nothing."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

_KILOBYTE = 1024


def family(parent: int) -> list[int]:
    """A process and all its descendants."""
    children: dict[int, list[int]] = {}
    for path in Path("/proc").glob("[0-9]*/stat"):
        with suppress(OSError, IndexError, ValueError):  # it has just ended
            children.setdefault(int(path.read_text().rsplit(")", 1)[1].split()[1]), []).append(int(path.parent.name))
    found, left = [], [parent]
    while left:
        one = left.pop()
        found.append(one)
        left += children.get(one, [])
    return found


def resident(process: int | None = None) -> int:
    """Bytes that a process (this one, if none is named) holds in memory now."""
    return _status(process, "VmRSS")


def most_resident(process: int | None = None) -> int:
    """The most bytes that it has held since its program began.

    getrusage's ru_maxrss does not tell that: it begins with what the process held that started the program.
    """
    return _status(process, "VmHWM")


def resident_family(parent: int | None = None) -> int:
    """Bytes of a process and its descendants; what they share is counted for each."""
    return sum(resident(process) for process in family(parent or os.getpid()))


def _status(process: int | None, name: str) -> int:
    with suppress(OSError):
        for line in Path(f"/proc/{process or 'self'}/status").read_text().splitlines():
            if line.startswith(f"{name}:"):
                return int(line.split()[1]) * _KILOBYTE
    return 0
