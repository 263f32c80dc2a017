"""Folders for what is unpacked or copied on its way: inside the catalogue, gone when done, cleared after a kill.

Inside, because it is the catalogue's disk that has the room; and because what a killed process has left there is found
again. A folder that is in use is locked: whoever clears takes only those that nobody holds.
"""

from __future__ import annotations

import fcntl
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

FOLDER = "scratch"
_LOCK = ".in-use"


@contextmanager
def scratch_folder(catalogue: Path) -> Iterator[Path]:
    """An empty folder of one's own, for a while."""
    place = catalogue / FOLDER
    place.mkdir(mode=0o700, exist_ok=True)
    folder = Path(tempfile.mkdtemp(dir=place))
    descriptor = os.open(folder / _LOCK, os.O_RDWR | os.O_CREAT, 0o600)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX)
        inside = folder / "files"
        inside.mkdir()
        yield inside
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        os.close(descriptor)


def clear_scratch(catalogue: Path) -> int:
    """Remove what killed processes have left; returns how many folders."""
    place, cleared = catalogue / FOLDER, 0
    for folder in sorted(place.iterdir()) if place.is_dir() else []:
        try:
            descriptor = os.open(folder / _LOCK, os.O_RDWR | os.O_CREAT, 0o600)
        except OSError:
            continue  # somebody else's file, or just gone
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            continue
        finally:
            os.close(descriptor)
        shutil.rmtree(folder, ignore_errors=True)
        cleared += 1
    return cleared
