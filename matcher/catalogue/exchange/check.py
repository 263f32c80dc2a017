"""Is a catalogue whole? Opened in; a list of typed problems out, empty where all is well. Nothing is written.

Looked at: every image against its SHA-256; the log's chain; the tables against what the log gives; descriptions;
the stored index; files that no row names.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Connection, select

from matcher.catalogue.exchange.log_io import fold, sha256_of
from matcher.catalogue.log.changes import LOGGED, ChangeConflict, canonical, to_json
from matcher.catalogue.log.decisions import BY_MACHINE, beginning, digest_of, identity, read
from matcher.catalogue.records import files
from matcher.catalogue.records.store import Catalogue
from matcher.catalogue.tables.log import Image
from matcher.catalogue.tables.models import Described, Reference, description_of
from matcher.core.describe import fingerprint
from matcher.core.search.reference_index import ReferenceIndex

RESTORE = "restore it from a backup"


@dataclass(frozen=True)
class CatalogueProblem:
    """One thing that is wrong. kind: for programs; what: which and why; todo: what to do."""

    kind: str
    what: str
    todo: str


def check(catalogue: Catalogue, progress: Callable[[int, int], None] | None = None) -> tuple[CatalogueProblem, ...]:
    """Everything that is wrong with a catalogue."""
    with catalogue.reading() as connection:
        troubles = [*_log(connection), *_tables(connection), *_descriptions(connection)]
        images = connection.execute(select(Image.sha256, Image.suffix).order_by(Image.sha256)).all()
        references = set(connection.execute(select(Reference.id)).scalars())
    named = [files.image_name(sha256, suffix) for sha256, suffix in images]
    troubles += _images(catalogue.folder, named, progress)
    troubles += _strays(catalogue.folder, set(named))
    troubles += _index(catalogue.folder, references)
    return tuple(troubles)


def _log(connection: Connection) -> Iterator[CatalogueProblem]:
    before = beginning(identity(connection))
    for expected, row in enumerate(read(connection), start=1):
        if row.number != expected or row.digest != digest_of(row, before):
            yield CatalogueProblem("log_broken", f"decision {row.number} does not follow from the one before", RESTORE)
            return
        if row.actor == "machine" and row.action not in BY_MACHINE:
            yield CatalogueProblem("log_broken", f"decision {row.number}: the program may not {row.action}", RESTORE)
        before = row.digest


def _tables(connection: Connection) -> Iterator[CatalogueProblem]:
    """The tables hold just what the log says."""
    try:
        logged = fold(read(connection))
    except ChangeConflict as conflict:
        yield CatalogueProblem("log_broken", f"the log contradicts itself: {conflict}", RESTORE)
        return
    for name, table in LOGGED.items():
        keys = [column.name for column in table.primary_key.columns]
        stored = {}
        for row in connection.execute(select(table)):
            values = to_json(table, row._asdict())
            stored[canonical([values[key] for key in keys])] = values
        for key in sorted(set(stored) | set(logged[name])):
            if stored.get(key) != logged[name].get(key):
                yield CatalogueProblem("not_in_log", f"{name} {key} differs from the log", RESTORE)


def _descriptions(connection: Connection) -> Iterator[CatalogueProblem]:
    current = fingerprint()
    for row in connection.execute(select(*Described.__table__.columns).execution_options(yield_per=200)):
        try:
            if row.fingerprint == current:
                description_of(row._asdict())
        except ValueError as error:
            yield CatalogueProblem(
                "bad_description", f"of image {row.sha256}: {error}", "delete that row; it will be made again"
            )


def _images(folder: Path, named: list[str], progress: Callable[[int, int], None] | None) -> Iterator[CatalogueProblem]:
    for place, name in enumerate(named, start=1):
        path = folder / name
        if not path.is_file():
            yield CatalogueProblem(
                "missing_image", str(path), "enrol it again from your own file, or restore it from a backup"
            )
        elif sha256_of(path) != path.stem:
            yield CatalogueProblem(
                "changed_image", str(path), "delete it and enrol it again, or restore it from a backup"
            )
        if progress:
            progress(place, len(named))


def _strays(folder: Path, named: set[str]) -> Iterator[CatalogueProblem]:
    """Files among the images that no row names, and writes that were not finished."""
    for path in sorted((folder / "images").rglob("*")):
        if path.is_file() and path.relative_to(folder).as_posix() not in named:
            yield CatalogueProblem(
                "stray_file",
                str(path),
                "if platekin put it there, the next change removes it; otherwise remove it yourself",
            )


def _index(folder: Path, references: set[int]) -> Iterator[CatalogueProblem]:
    """The stored index is a cache that may be behind; what it must not have is nothing in common."""
    held = ReferenceIndex.open(folder / "index", fingerprint()).reference_ids()
    if references and not held & references and len(references) > 500:
        yield CatalogueProblem(
            "index_behind", f"{len(references)} references are not in the stored index", "enrol any table again"
        )
