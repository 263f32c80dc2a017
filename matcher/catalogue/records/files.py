"""The files of a catalogue: images by content hash, the cache of flattened faces, the writer's lock.

    images/ab/<sha256>.jpg                  reference images, byte for byte as they were given
    faces/ab/<sha256>-<fingerprint>.jpg     flattened faces; a cache that can be deleted
    lines/ab/<sha256>-<fingerprint>-<key>   what is written on references; another one
    writing.lock, writing.files             who writes; which files it is about to add or to remove

A file appears under its name only when it is whole. Before files are added or removed their names are noted
in `writing.files`; whoever writes next removes those that no row names. So a kill leaves nothing behind, and
a file that was not noted is never deleted.
"""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
import re
import struct
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from functools import partial
from pathlib import Path, PurePosixPath
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.catalogue.tables.content import is_picture_name
from matcher.catalogue.tables.database import failure
from matcher.catalogue.tables.models import Quad
from matcher.core.errors import CatalogueError
from matcher.core.flatten import Face
from matcher.core.formats import face_of_pixels
from matcher.core.photo import to_grey
from matcher.core.settings import FaceSize

LOCK = "writing.lock"
NOTED = "writing.files"
ANYBODYS = 0o666
"""As the umask leaves it."""

FACE_QUALITY = 93
FLATTEN_VERSION = 2
"""Raise it when `flatten` gives other pixels for the same image and outline, or faces are kept in another form."""

_MARK, _LINES_MARK = b"platekin face 1\n", b"platekin line 1\n"
_TAIL = struct.Struct("<Qd")
"""Length of the mask, and the share of the face that lies outside the photo."""

_END = hashlib.sha256().digest_size + len(_MARK)

_BEGINNINGS = (
    (b"\xff\xd8\xff", ".jpg"),
    (b"\x89PNG", ".png"),
    (b"II*\x00", ".tif"),
    (b"MM\x00*", ".tif"),
    (b"II+\x00", ".tif"),
    (b"MM\x00+", ".tif"),
    (b"GIF8", ".gif"),
    (b"BM", ".bmp"),
)


def suffix_of(data: bytes) -> str:
    """The file name suffix that fits the content, whatever the file was called; '.img' for anything else.

    >>> suffix_of(b"RIFF1234WEBPVP8 "), suffix_of(b"II*...")
    ('.webp', '.img')
    """
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return ".webp"
    return next((suffix for beginning, suffix in _BEGINNINGS if data.startswith(beginning)), ".img")


def image_name(sha256: str, suffix: str) -> str:
    """Path of a stored image, relative to the catalogue.

    Raises CatalogueError damaged for what is no hash, or no suffix of ours: the path would lead out of the folder.
    """
    if not is_picture_name(sha256, suffix):
        told = f"{str(sha256)[:80]!r} with {str(suffix)[:20]!r} names no stored picture"
        raise CatalogueError("damaged", told, "restore the catalogue from a backup: platekin check tells what is wrong")
    return f"images/{sha256[:2]}/{sha256}{suffix}"


def is_image_name(name: str) -> bool:
    """Whether it is one that `image_name` gives."""
    path = PurePosixPath(name)
    return is_picture_name(path.stem, path.suffix) and image_name(path.stem, path.suffix) == name


def face_name(sha256: str, quad: Quad | list[list[float]], size: FaceSize) -> str:
    """Path of a cached face, relative to the catalogue; other corners or another scale give another name."""
    facts = {
        "quad": [[round(float(v), 3) for v in corner] for corner in quad],
        "size": size.facts,
        "flatten": FLATTEN_VERSION,
        "opencv": cv2.__version__.split(".")[0],
    }
    fingerprint = hashlib.sha256(json.dumps(facts, sort_keys=True).encode()).hexdigest()[:16]
    return f"faces/{sha256[:2]}/{sha256}-{fingerprint}.jpg"


def encode_face(face: Face, name: str) -> bytes:
    """A face as it is kept: a JPEG, colour at full resolution, behind it its mask as PNG, and a digest of all of it.

    name: the path it is kept under; its last part is digested too, so that a face under another's name is told.
    Programs that show JPEGs read no further than the picture's end (ITU-T T.81, B.1.1.3: EOI).
    """
    options = [
        cv2.IMWRITE_JPEG_QUALITY, FACE_QUALITY,
        cv2.IMWRITE_JPEG_SAMPLING_FACTOR, cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444,
    ]  # fmt: skip
    picture = _encoded(".jpg", cv2.cvtColor(face.pixels, cv2.COLOR_RGB2BGR), options)
    mask = _encoded(".png", face.trusted.astype(np.uint8) * 255, [cv2.IMWRITE_PNG_BILEVEL, 1])
    told = picture + mask + _TAIL.pack(len(mask), face.outside)
    return told + _digest(told, name) + _MARK


def decode_face(data: bytes, size: FaceSize | None, name: str) -> Face | None:
    """The reverse of `encode_face`, mask and all; None where anything of it is damaged, or it is another's, or of
    another size. size: None takes it for what its shape says, at no scale of its own."""
    told, digest, mark = data[:-_END], data[-_END : -len(_MARK)], data[-len(_MARK) :]
    if mark != _MARK or len(told) <= _TAIL.size or _digest(told, name) != digest:
        return None
    length, outside = _TAIL.unpack(told[-_TAIL.size :])
    start = len(told) - _TAIL.size - length
    pixels, mask = _decoded(told[:start], cv2.IMREAD_COLOR_RGB), _decoded(told[start:], cv2.IMREAD_GRAYSCALE)
    if pixels is None or mask is None or mask.shape != pixels.shape[:2]:
        return None
    size = size or face_of_pixels(pixels.shape[1], pixels.shape[0])
    if pixels.shape != (size.height, size.width, 3):
        return None
    return Face(pixels, to_grey(pixels), mask > 0, size, outside=outside)


def lines_name(face: str, key: str) -> str:
    """Path of what is kept of a face's lines, relative to the catalogue. face: the face's file name; key: how they were
    read."""
    return f"lines/{face[:2]}/{PurePosixPath(face).stem}-{key}"


def encode_lines(read: bytes, name: str) -> bytes:
    """What was read off a face, as it is kept: behind it a digest of it and of its name, as of a face."""
    return read + _digest(read, name) + _LINES_MARK


def decode_lines(data: bytes, name: str) -> bytes | None:
    """The reverse of `encode_lines`; None where anything of it is damaged, or it is another's."""
    read, digest, mark = data[:-_END], data[-_END : -len(_LINES_MARK)], data[-len(_LINES_MARK) :]
    return read if mark == _LINES_MARK and _digest(read, name) == digest else None


def picture_of_face(data: bytes) -> bytes:
    """The JPEG alone of what `encode_face` gives, to be shown."""
    if data[-len(_MARK) :] != _MARK:
        return data
    length, _ = _TAIL.unpack(data[-_END - _TAIL.size : -_END])
    return data[: len(data) - _END - _TAIL.size - length]


def _digest(told: bytes, name: str) -> bytes:
    return hashlib.sha256(PurePosixPath(name).name.encode() + b"\0" + told).digest()


def _encoded(kind: str, pixels: NDArray[Any], options: list[int]) -> bytes:
    done, data = cv2.imencode(kind, pixels, options)
    if not done:
        raise RuntimeError(f"OpenCV could not encode a face as {kind}")
    return data.tobytes()


def _decoded(data: bytes, how: int) -> NDArray[np.uint8] | None:
    found = cv2.imdecode(np.frombuffer(data, np.uint8), how) if data else None
    return None if found is None else np.asarray(found, np.uint8)


def write_whole(path: Path, data: bytes, keep: bool = True, mode: int = 0o600) -> None:
    """Write a file that is either there entirely or not at all; `keep` also makes it survive a power cut.

    mode: its owner's alone, as all of a catalogue; `ANYBODYS` for what a person asked for elsewhere.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f"{path.name}.{os.getpid()}-{threading.get_ident()}.part")
    try:
        with open(part, "wb", opener=partial(os.open, mode=mode)) as stream:
            stream.write(data)
            if keep:
                stream.flush()
                os.fsync(stream.fileno())
        part.replace(path)
    except BaseException:
        with suppress(OSError):
            part.unlink(missing_ok=True)
        raise
    if keep:
        _sync_folder(path.parent)


@contextmanager
def only_writer(folder: Path, wait: float = 0.0, name: str = LOCK) -> Iterator[None]:
    """Be the one who writes to this catalogue; the lock goes with the process, however it ends.

    name: of the lock's file, for what is no writing of rows: enrolling, the index.

    Raises CatalogueError `locked` where another process, or another thread, still writes after `wait` seconds.
    """
    descriptor = os.open(folder / name, os.O_RDWR | os.O_CREAT, 0o600)
    until = time.monotonic() + wait
    try:
        while True:
            try:
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except BlockingIOError:
                if time.monotonic() >= until:
                    raise failure("locked", folder) from None
                time.sleep(0.01)
        yield
    finally:
        os.close(descriptor)


@contextmanager
def noted(folder: Path, names: Iterable[str]) -> Iterator[None]:
    """Note the files that are about to be added or removed, until the rows say the same.

    After a failure inside, the note stays: `settle` finishes the work, now or when somebody next writes.
    """
    names = list(names)
    odd = [name for name in names if not is_ours(name)]
    if odd:
        raise failure("damaged", folder, f"{odd[0][:200]!r} names no file that a catalogue keeps")
    write_whole(folder / NOTED, json.dumps(names).encode())
    yield
    (folder / NOTED).unlink(missing_ok=True)


def settle(folder: Path, wanted: Callable[[str], bool]) -> list[str]:
    """Remove noted files that are not wanted, and unfinished ones; returns the names of the removed.

    wanted: tells of a name (as `image_name` or `face_name` gives it) whether a row of the database needs it.
    """
    _remove_unfinished(folder / NOTED)
    try:
        names = _names_in((folder / NOTED).read_text())
    except FileNotFoundError:
        return []
    removed = []
    for name in filter(is_ours, names):
        path = folder / name
        _remove_unfinished(path)
        if not wanted(name) and path.exists():
            path.unlink(missing_ok=True)
            removed.append(name)
    (folder / NOTED).unlink(missing_ok=True)
    return removed


def is_ours(name: str) -> bool:
    """Whether a name, relative to a catalogue's folder, is one that a picture, a face or its lines are kept under;
    whatever else is told, none is removed.

    >>> [is_ours(name) for name in ("faces/0a/0a12-3f.png", "images/0a/../../catalogue.sqlite", "catalogue.sqlite")]
    [True, False, False]
    """
    return _OURS.fullmatch(name) is not None


_OURS = re.compile(r"(images|faces|lines)/[0-9a-f]{2}/[0-9A-Za-z][0-9A-Za-z._-]*")


def _names_in(note: str) -> list[str]:
    """Of a note; one by an earlier version has a name a line."""
    if not note.startswith("["):
        return note.split("\n")
    try:
        told = json.loads(note)
    except ValueError:  # cut short by a power cut: what it named is found by `check`
        return []
    return [name for name in told if isinstance(name, str)]


def _remove_unfinished(path: Path) -> None:
    """Remove what a killed `write_whole` left of a file."""
    for part in path.parent.glob(f"{path.name}.*.part"):
        part.unlink(missing_ok=True)


def _sync_folder(folder: Path) -> None:
    """A rename is safe from a power cut only when the folder that holds it has been written too."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
