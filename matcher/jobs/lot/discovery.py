"""Folders and files in; the pictures among them, in order, and what was left aside out.

A picture is told by its name or, where the name tells nothing, by its first bytes. Nothing is opened for writing.
"""

from __future__ import annotations

import hashlib
import os
import re
import stat
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from matcher.catalogue.records.files import suffix_of
from matcher.core.errors import CatalogueError, PlatekinError, UnreadablePhoto
from matcher.core.image_files import is_pdf, pages_told
from matcher.core.parallel.elsewhere import Elsewhere, here
from matcher.core.settings import PhotoLimits

PICTURES = tuple(
    f".{name}"
    for name in ["jpg", "jpeg", "jpe", "jfif", "png", "tif", "tiff", "webp", "bmp", "gif", "heic", "heif", "pdf"]
)
"""Suffixes of the formats that `photo` reads."""

OTHERS = tuple(
    f".{name}"
    for name in [
        "xmp",
        "txt",
        "csv",
        "json",
        "jsonl",
        "xml",
        "html",
        "md",
        "doc",
        "docx",
        "xls",
        "xlsx",
        "ods",
        "zip",
        "db",
        "ini",
    ]
)
"""Suffixes that are believed without looking inside."""


@dataclass(frozen=True)
class UnusableFile:
    """A folder or file that could not be looked at."""

    path: Path
    message: str


@dataclass(frozen=True)
class Gathered:
    """Pictures in natural order of their paths; how many other files of each suffix were left aside."""

    pictures: tuple[Path, ...]
    aside: Mapping[str, int] = field(default_factory=dict)
    troubles: tuple[UnusableFile, ...] = ()


@dataclass(frozen=True)
class Content:
    """A file as it was hashed. pages: of a TIFF or PDF, else 1."""

    sha256: str
    size: int
    mtime_ns: int
    pages: int


def gather(sources: Sequence[Path], leave: Sequence[Path] = ()) -> Gathered:
    """Every picture named, or inside a folder named; each path once.

    leave: folders not to look into (the catalogue). Raises CatalogueError missing_file where a source is not there.
    """
    pictures: dict[Path, None] = {}
    aside: Counter[str] = Counter()
    troubles: list[UnusableFile] = []
    for source in sources:
        if not source.exists():
            raise CatalogueError("missing_file", f"{shown(source)}: there is no such file or folder", "check the path")
        for path in _walk(source, troubles, {one.resolve() for one in leave}) if source.is_dir() else [source]:
            kind = _kind(path) if path != source else "picture"
            if kind == "picture" and not path.is_file():  # a pipe or a device may have no end
                troubles.append(UnusableFile(path, f"{shown(path)}: is no ordinary file"))
                continue
            if kind == "picture":
                pictures[path.absolute()] = None
            elif kind != "hidden":
                aside[kind] += 1
    return Gathered(tuple(sorted(pictures, key=natural)), dict(sorted(aside.items())), tuple(troubles))


def read_content(path: Path, limits: PhotoLimits, elsewhere: Elsewhere = here) -> Content:
    """Hash a file, and count its pages, `elsewhere`. Raises UnreadablePhoto missing_file.

    What is wrong with a picture is told when it is identified; here it counts as one page.
    """
    try:
        before = path.stat()
        if not stat.S_ISREG(before.st_mode):
            raise UnreadablePhoto("missing_file", f"{shown(path)}: is no ordinary file", "take it out of the folder")
        if before.st_size > limits.max_bytes:
            return Content(f"too-large-{before.st_size}", before.st_size, before.st_mtime_ns, 1)
        data = path.read_bytes()
    except OSError as error:
        raise UnreadablePhoto(
            "missing_file", f"{shown(path)}: {error.strerror}", "check the path, and that you may read it"
        ) from None
    pages = count_pages(data, limits, elsewhere)
    return Content(hashlib.sha256(data).hexdigest(), before.st_size, before.st_mtime_ns, pages)


def natural(path: Path) -> tuple[list[tuple[int, int, str]], str]:
    """A key that sorts page2 before page10, and folders one after the other."""
    parts = []
    for part in path.parts:
        for text, digits in re.findall(r"(\D+)|(\d+)", part.casefold()):
            parts.append((0, int(digits), "") if digits else (1, 0, text))
        parts.append((-1, 0, ""))
    return parts, str(path)


def shown(path: Path | str) -> str:
    """A path for people: bytes that are no text become question marks in a box."""
    return os.fsencode(path).decode("utf-8", "replace")


def _walk(folder: Path, troubles: list[UnusableFile], leave: set[Path]) -> Iterator[Path]:
    def failed(error: OSError) -> None:
        troubles.append(UnusableFile(Path(error.filename), f"{shown(error.filename)}: {error.strerror}"))

    for place, folders, names in os.walk(folder, onerror=failed):
        here = Path(place)
        folders[:] = sorted(name for name in folders if name[0] != "." and (here / name).resolve() not in leave)
        yield from (here / name for name in names)


def _kind(path: Path) -> str:
    """'picture', 'hidden', or the suffix of something else."""
    if path.name.startswith("."):  # also what other systems leave beside each file
        return "hidden"
    suffix = path.suffix.casefold()
    if suffix in PICTURES:
        return "picture"
    if suffix in OTHERS or not path.is_file():
        return suffix or "other"
    try:
        with path.open("rb") as stream:
            beginning = stream.read(1024)
    except OSError:
        return suffix or "other"
    return "picture" if suffix_of(beginning) != ".img" or is_pdf(beginning) else suffix or "other"


def count_pages(data: bytes, limits: PhotoLimits, elsewhere: Elsewhere = here) -> int:
    """Pages of a TIFF or PDF, counted elsewhere; 1 for anything else, and where they cannot be counted in time."""
    if not is_pdf(data) and data[:2] not in (b"II", b"MM"):
        return 1
    try:
        return elsewhere(pages_told, data, limits)
    except PlatekinError:
        return 1


PAGED = (b"II", b"MM", b"%P")
"""What a TIFF and most PDFs begin with: only these are read for their pages."""


def pages_in(path: Path, limits: PhotoLimits) -> int:
    """Pages of a file; 1 for a file that is not there: what is wrong is told when it is identified."""
    try:
        with path.open("rb") as stream:
            paged = stream.read(2) in PAGED or path.suffix.lower() == ".pdf"
        return read_content(path, limits).pages if paged else 1
    except (OSError, UnreadablePhoto):
        return 1
