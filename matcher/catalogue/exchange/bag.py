"""A whole catalogue in a folder that outlives the program: BagIt (RFC 8493), with every image, and back again.

    DIR/bagit.txt, bag-info.txt, manifest-sha256.txt, tagmanifest-sha256.txt
    DIR/data/...            the files of `package`
    DIR/data/images/ab/...  every image ever named, by its SHA-256

Exporting the same catalogue gives the same bytes. Importing checks every file against the manifest before anything
is stored, replays the log, and holds the tables against what that gave.
"""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from sqlalchemy import select

from matcher.catalogue.exchange import package
from matcher.catalogue.exchange.log_io import Replayed, note_import, replay, sha256_of
from matcher.catalogue.log.changes import Draft
from matcher.catalogue.log.decisions import Actor
from matcher.catalogue.records import files
from matcher.catalogue.records.indexing import bring_index_up_to_date
from matcher.catalogue.records.store import PATIENCE, Catalogue
from matcher.catalogue.tables.log import Image
from matcher.catalogue.tables.targets import writing_out
from matcher.core.errors import BadTable, CatalogueError

DECLARATION = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
MANIFEST = "manifest-sha256.txt"
TAG_MANIFEST = "tagmanifest-sha256.txt"
PROBLEMS_TOLD = 20


@dataclass(frozen=True)
class BagProblem:
    """One file of a bag that is not as its manifest says. kind: 'missing', 'changed', 'unlisted', 'bad name' or
    'another picture than its name says'."""

    kind: str
    name: str


@dataclass(frozen=True)
class Contents:
    """What a bag will hold: all files but the images, by name; the images' names; the day it is of."""

    tables: Mapping[str, bytes]
    images: tuple[str, ...]
    day: str


def export_bag(
    catalogue: Catalogue, target: Path, progress: Callable[[int, int], None] | None = None
) -> dict[str, int]:
    """Write a bag into a folder that is not there yet; it appears only when it is whole. Returns counts.

    Raises CatalogueError target_exists, damaged (an image is missing or changed), disk_full.
    """
    if target.exists():
        raise CatalogueError("target_exists", f"{target} is there already", "name a folder that is not there yet")
    part = target.with_name(f"{target.name}.{os.getpid()}.part")
    try:
        with writing_out(target):
            contents = contents_of(catalogue)
            for name, data in bag_files(catalogue, contents, progress):
                _write(part / name, data)
            part.rename(target)
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return {"images": len(contents.images), "tables": len(contents.tables)}


def contents_of(catalogue: Catalogue) -> Contents:
    """The catalogue as it is now. Raises CatalogueError damaged where an image is missing."""
    with catalogue.reading() as connection:
        named = package.tables(connection)
        rows = connection.execute(select(Image.sha256, Image.suffix).order_by(Image.sha256)).all()
        day = package.last_day(connection)
    images = tuple(files.image_name(sha256, suffix) for sha256, suffix in rows)
    for name in images:
        if not (catalogue.folder / name).is_file():
            raise _lost(catalogue.folder / name)
    return Contents(named, images, day)


def import_bag(catalogue: Catalogue, bag: Path, progress: Callable[[int, int], None] | None = None) -> Replayed:
    """Bring a bag's catalogue into an empty one, or take up where this one is an earlier state of it.

    Raises BadTable bad_bag, bad_log and CatalogueError another_catalogue, does_not_fit, ...; then nothing is stored.
    """
    problems = check_bag(bag, progress)
    if problems:
        listed = "; ".join(f"{problem.kind}: {problem.name}" for problem in problems[:PROBLEMS_TOLD])
        more = f"; and {len(problems) - PROBLEMS_TOLD} more" if len(problems) > PROBLEMS_TOLD else ""
        raise BadTable("bad_bag", f"{bag}: {listed}{more}", "copy the export again, whole")
    return bring_bag(catalogue, bag)


def bring_bag(
    catalogue: Catalogue, bag: Path, check: Callable[[Draft], None] | None = None, who: Actor | None = None
) -> Replayed:
    """What `import_bag` does once `check_bag` has found nothing. check: as in `Catalogue.deciding`. who: brings it."""
    data = bag / "data"
    images = {p.relative_to(data).as_posix(): p for p in sorted((data / "images").rglob("*")) if p.is_file()}
    new = {name: path for name, path in images.items() if not (catalogue.folder / name).exists()}
    with catalogue.writing(PATIENCE), catalogue.bringing(new), catalogue.replaying() as connection:
        if check:
            check(Draft(connection))
        done = replay(connection, data / package.LOG)
        note_import(connection, done, who)
        rows = connection.execute(select(Image.sha256, Image.suffix)).all()
        lacking = [name for row in rows if (name := files.image_name(*row)) not in images]
        if lacking:
            raise BadTable("bad_bag", f"{bag}: no {', '.join(lacking[:5])}, which the log names", "export it again")
        outlines = package.tells_outlines(_stored(data / "records.csv"))
        for name, data_told in package.tables(connection, outlines).items():
            there = _stored(data / name)
            if package.in_todays_words(name, there) != data_told:
                raise BadTable("bad_bag", f"{bag}: {name} differs from the log", "export it again")
    _make_findable(catalogue)
    return Replayed(done, 0)


def _stored(path: Path) -> bytes:
    return path.read_bytes() if path.is_file() else b""


def _make_findable(catalogue: Catalogue) -> None:
    """Describe what has come in, and index it. It is in already: who writes meanwhile is let through."""
    try:
        catalogue.describe_lacking()
        bring_index_up_to_date(catalogue)
    except CatalogueError as error:
        if error.code != "locked":  # else who reads or writes next makes what is lacking
            raise


def check_bag(bag: Path, progress: Callable[[int, int], None] | None = None) -> tuple[BagProblem, ...]:
    """Everything in a bag that is not as it should be. Raises BadTable bad_bag for what is no bag at all."""
    try:
        if not (bag / "bagit.txt").read_text(encoding="utf-8").startswith("BagIt-Version: "):
            raise ValueError
        listed = {**_listed(bag, MANIFEST), **_listed(bag, TAG_MANIFEST)}
    except (OSError, ValueError):
        raise BadTable(
            "bad_bag", f"{bag}: this is not an export of platekin", "name the folder with bagit.txt"
        ) from None
    problems: list[BagProblem] = []
    for place, (name, digest) in enumerate(sorted(listed.items()), start=1):
        problems += _problem(bag, name, digest)
        if progress:
            progress(place, len(listed))
    there = {path.relative_to(bag).as_posix() for path in (bag / "data").rglob("*") if path.is_file()}
    problems += [BagProblem("unlisted", name) for name in sorted(there - set(listed))]
    return tuple(problems)


def _problem(bag: Path, name: str, digest: str) -> Iterator[BagProblem]:
    parts = PurePosixPath(name).parts
    picture = parts[:2] == ("data", "images")
    odd = picture and not files.is_image_name(name.removeprefix("data/"))
    if odd or not parts or name.startswith("/") or ".." in parts:
        yield BagProblem("bad name", name)
    elif not (bag / name).is_file():
        yield BagProblem("missing", name)
    elif sha256_of(bag / name) != digest:
        yield BagProblem("changed", name)
    elif picture and PurePosixPath(name).stem != digest:
        yield BagProblem("another picture than its name says", name)


def _listed(bag: Path, manifest: str) -> dict[str, str]:
    """Name -> SHA-256; RFC 8493, 2.1.3: line ends and the percent sign in names are percent-encoded."""
    listed = {}
    for line in (bag / manifest).read_text(encoding="utf-8").splitlines():
        digest, name = line.split(maxsplit=1)
        listed[name.replace("%0A", "\n").replace("%0D", "\r").replace("%25", "%")] = digest.lower()
    return listed


def bag_files(
    catalogue: Catalogue, contents: Contents, progress: Callable[[int, int], None] | None = None
) -> Iterator[tuple[str, bytes]]:
    """(name, content) of every file of a bag, the manifests last. Raises CatalogueError damaged."""
    sums: dict[str, str] = {}
    total = 0
    for name, data in contents.tables.items():
        sums[f"data/{name}"] = hashlib.sha256(data).hexdigest()
        total += len(data)
        yield f"data/{name}", data
    for place, name in enumerate(contents.images, start=1):
        data = _image(catalogue, name)
        sums[f"data/{name}"] = PurePosixPath(name).stem
        total += len(data)
        yield f"data/{name}", data
        if progress:
            progress(place, len(contents.images))
    info = f"Bagging-Date: {contents.day}\nPayload-Oxum: {total}.{len(sums)}\n"
    info += "Source-Organization: a catalogue of platekin\n"
    tags = {"bagit.txt": DECLARATION, "bag-info.txt": info, MANIFEST: _manifest(sums)}
    tag_sums = {name: hashlib.sha256(text.encode()).hexdigest() for name, text in tags.items()}
    for name, text in {**tags, TAG_MANIFEST: _manifest(tag_sums)}.items():
        yield name, text.encode()


def _manifest(sums: dict[str, str]) -> str:
    return "".join(f"{digest}  {name}\n" for name, digest in sorted(sums.items()))


def _image(catalogue: Catalogue, name: str) -> bytes:
    path = catalogue.folder / name
    try:
        data = path.read_bytes()
    except OSError:
        data = b""
    if hashlib.sha256(data).hexdigest() != path.stem:
        raise _lost(path)
    return data


def _lost(path: Path) -> CatalogueError:
    why = f"{path} is missing or changed"
    return CatalogueError("damaged", why, "run platekin check; restore the picture from a backup")


def _write(path: Path, data: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
