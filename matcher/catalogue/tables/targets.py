"""Files that a person asked for, outside of any catalogue: what goes wrong while they are written, by name."""

from __future__ import annotations

import errno
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from matcher.core.errors import CatalogueError

_FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
_FORBIDDEN = (errno.EACCES, errno.EPERM, errno.EROFS)
_WORDS = {
    errno.ENOENT: "no file can be made there",
    errno.ENOTDIR: "a file stands where a folder is needed",
    errno.EEXIST: "a file stands where a folder is needed",
    errno.EISDIR: "a folder of that name is there",
    errno.ENAMETOOLONG: "the name is too long",
}


@contextmanager
def writing_out(target: Path) -> Iterator[None]:
    """Name what keeps a file or folder from being written. Raises CatalogueError disk_full, bad_target."""
    try:
        yield
    except OSError as error:
        raise target_failure(target, error) from error


@contextmanager
def under_own_name(unfinished: Path, target: Path) -> Iterator[None]:
    """What is wrong with the file or folder that is being made, told of the one that was asked for.

    It gets its name only when it is whole: nobody knows the other one, and it is gone when the words are read.
    """
    try:
        yield
    except CatalogueError as error:
        told = error.message.replace(str(unfinished), str(target))
        raise type(error)(error.code, told, error.remedy) from error


def target_failure(target: Path, error: OSError) -> CatalogueError:
    """The error for a place that cannot be written; nothing of the catalogue is concerned."""
    if error.errno in _FULL:
        why = f"{target}: the disk is full; nothing was written there"
        return CatalogueError("disk_full", why, "free some space, or name a place on another disk")
    if error.errno in _FORBIDDEN:
        return CatalogueError("bad_target", f"{target}: you may not write there", "name another place")
    why = _WORDS.get(error.errno or 0, error.strerror or str(error))
    return CatalogueError("bad_target", f"{target}: {why}", "name another place")
