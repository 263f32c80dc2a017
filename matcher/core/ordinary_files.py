"""A file that somebody names, opened to be read: a pipe or a device, which may have no end, is not even begun."""

from __future__ import annotations

import errno
import io
import os
import stat
from pathlib import Path


def open_ordinary(path: Path) -> io.BufferedReader:
    """The file, to be read from its beginning. Raises OSError as `open` does, and where it is no ordinary file."""
    stream = io.FileIO(path, "rb", opener=_not_waiting)
    if not stat.S_ISREG(os.fstat(stream.fileno()).st_mode):
        stream.close()
        raise OSError(errno.EINVAL, "is no ordinary file", str(path))
    return io.BufferedReader(stream)


def _not_waiting(path: str, flags: int) -> int:
    """As `open` does it, but without waiting for somebody to write into a pipe."""
    return os.open(path, flags | os.O_NONBLOCK)
