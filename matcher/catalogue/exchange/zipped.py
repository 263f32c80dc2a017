"""Many files as one zip, for those who send and fetch them over HTTP; nothing of it is believed before it is checked.

`zip_stream` packs while it is read, so that a download needs neither memory nor disk for the whole; the same files
give the same bytes. `unzip` looks at the list of contents first: names that lead out of the folder, links, passwords
and more than may be unpacked (a 'zip bomb') are refused before a single file is written.
"""

from __future__ import annotations

import os
import shutil
import stat
import zipfile
import zlib
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path, PurePosixPath
from typing import IO, cast

from matcher.catalogue.tables.database import failure, guarded
from matcher.core.errors import BadTable

CHUNK = 1 << 20
EARLIEST = (1980, 1, 1, 0, 0, 0)
"""Zip's first day: a time of its own would make every download another file."""

PACKED = (".csv", ".jsonl", ".json", ".txt", ".sqlite")
"""What deflating makes smaller; pictures are packed already."""

TOLD = 20
ENTRY_BYTES = 200
"""What an entry takes in a zip's list of contents, generously."""

LONGEST_END = 22 + 20 + (1 << 16)
"""Where a zip says how long its list of contents is: in its last bytes, before a comment of up to 64 KB."""


@dataclass(frozen=True)
class Limits:
    """What may be unpacked: bytes in all, and files."""

    most_bytes: int = 8_000_000_000
    most_files: int = 100_000


def zip_stream(files: Iterable[tuple[str, bytes | Path]]) -> Iterator[bytes]:
    """A zip of (name, content or file), piece by piece. An error half-way leaves a zip that no program will open."""
    # Python's own zipfile packs into a pipe: zipstream-ng cannot set an entry's time and mode, so that with it the
    # same catalogue would give other bytes each time; stream-zip can, but brings a whole cryptography library.
    pipe = _Pipe()
    with zipfile.ZipFile(cast(IO[bytes], pipe), "w") as packed:
        for name, given in files:
            info = zipfile.ZipInfo(name, EARLIEST)
            info.external_attr = (stat.S_IFREG | 0o644) << 16
            info.compress_type = zipfile.ZIP_DEFLATED if name.endswith(PACKED) else zipfile.ZIP_STORED
            large = isinstance(given, Path) and given.stat().st_size >= 1 << 31
            with packed.open(info, "w", force_zip64=large) as entry:
                for piece in _pieces(given):
                    entry.write(piece)
                    yield pipe.taken()
    yield pipe.taken()


def unzip(stream: IO[bytes], folder: Path, limits: Limits | None = None) -> tuple[str, ...]:
    """Unpack into an empty folder; returns the names of the files. Raises BadTable bad_zip, zip_too_large, and
    CatalogueError disk_full."""
    try:
        _check_list(stream, limits := limits or Limits())
        with zipfile.ZipFile(stream) as packed:
            entries = _checked(packed.infolist(), limits)
            with guarded(folder):
                if sum(entry.file_size for entry in entries) > shutil.disk_usage(folder).free:
                    raise failure("disk_full", folder)
            for entry in entries:
                _unpack(packed, entry, folder)
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, ValueError, RuntimeError) as error:
        raise BadTable("bad_zip", f"the zip cannot be read: {error}", "pack the files anew") from None
    return tuple(entry.filename for entry in entries)


def _checked(infos: Sequence[zipfile.ZipInfo], limits: Limits) -> list[zipfile.ZipInfo]:
    """The entries that are files, once all of them may be unpacked."""
    entries = [info for info in infos if not info.is_dir()]
    size = sum(info.file_size for info in entries)
    if size > limits.most_bytes or len(entries) > limits.most_files:
        raise _too_large(f"{len(entries):,} files of {size / 1e6:,.0f} MB in all", limits)
    wrong = [f"{info.filename!r} {why}" for info in infos if (why := _what_is_wrong(info))]
    times = Counter(info.filename for info in entries)
    folders = {str(parent) for name in times for parent in PurePosixPath(name).parents}
    wrong += [f"{name!r} is there twice" for name in times if times[name] > 1]
    wrong += [f"{name!r} is a file and a folder" for name in times if name in folders]
    if wrong:
        more = f"; and {len(wrong) - TOLD} more" if len(wrong) > TOLD else ""
        raise BadTable("bad_zip", f"the zip is refused: {'; '.join(wrong[:TOLD])}{more}", "pack it anew")
    return entries


def _check_list(stream: IO[bytes], limits: Limits) -> None:
    """Refuse a list of contents that is too long before `zipfile` reads it into memory (APPNOTE.TXT, 4.3.14-16)."""
    size = stream.seek(0, os.SEEK_END)
    stream.seek(max(0, size - LONGEST_END))
    tail = stream.read()
    end, wide = tail.rfind(b"PK\x05\x06"), tail.rfind(b"PK\x06\x07")
    listed = int.from_bytes(tail[end + 12 : end + 16], "little") if end >= 0 else 0
    if 0 <= wide < end:
        stream.seek(int.from_bytes(tail[wide + 8 : wide + 16], "little"))
        listed = max(listed if listed != 0xFFFFFFFF else 0, int.from_bytes(stream.read(48)[40:48], "little"))
    if listed > ENTRY_BYTES * limits.most_files:
        raise _too_large(f"a list of contents of {listed / 1e6:,.0f} MB", limits)
    stream.seek(0)


def _too_large(what: str, limits: Limits) -> BadTable:
    most = f"at most {limits.most_files:,} files and {limits.most_bytes / 1e6:,.0f} MB are unpacked"
    remedy = "divide it, or import it on the service's own machine"
    return BadTable("zip_too_large", f"the zip holds {what}; {most}", remedy)


def _what_is_wrong(info: zipfile.ZipInfo) -> str:
    """Why an entry may not be unpacked, or ""."""
    name, kind = info.filename, stat.S_IFMT(info.external_attr >> 16)
    parts = name.rstrip("/").split("/")
    if (
        not name
        or any(part in ("", ".", "..") for part in parts)
        or any(mark in "\\:" or not mark.isprintable() for mark in name)
    ):
        return "points outside its folder, or has an odd name"
    if len(name.encode()) > 1000 or any(len(part.encode()) > 255 for part in parts):
        return "has too long a name"
    if kind and kind not in (stat.S_IFREG, stat.S_IFDIR):
        return "is a link or a device"
    if info.flag_bits & 0x1:
        return "needs a password"
    if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        return "is packed in an uncommon way"
    return ""


def _unpack(packed: zipfile.ZipFile, entry: zipfile.ZipInfo, folder: Path) -> None:
    """Write one file. `zipfile` reads no further than the size that was checked."""
    target = folder / entry.filename
    with guarded(folder):
        target.parent.mkdir(parents=True, exist_ok=True)
        with packed.open(entry) as source, target.open("xb") as written:
            shutil.copyfileobj(source, written, CHUNK)


def _pieces(given: bytes | Path) -> Iterator[bytes]:
    if isinstance(given, bytes):
        yield given
        return
    with given.open("rb") as stream:
        yield from iter(partial(stream.read, CHUNK), b"")


class _Pipe:
    """A file that can only be written to, and emptied."""

    def __init__(self) -> None:
        self._pieces: list[bytes] = []

    def write(self, data: bytes) -> int:
        self._pieces.append(bytes(data))
        return len(data)

    def flush(self) -> None:
        """Nothing is held back."""

    def taken(self) -> bytes:
        pieces, self._pieces = self._pieces, []
        return b"".join(pieces)
