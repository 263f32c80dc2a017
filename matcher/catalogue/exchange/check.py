"""Is a catalogue whole? Opened in; a list of typed problems out, empty where all is well. Nothing is written.

Looked at: the database's file; the log's chain; the tables against what the log gives; every image, face, description
and file of the index against its SHA-256; files that say how answers are judged; files that no row names.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from sqlalchemy import Connection, select

from matcher.catalogue.calibration_store import confidence_in_use
from matcher.catalogue.exchange.log_io import fold, sha256_of
from matcher.catalogue.log.changes import LOGGED, ChangeConflict, canonical, to_json
from matcher.catalogue.log.decisions import BY_MACHINE, beginning, digest_of, identity, read
from matcher.catalogue.records import files
from matcher.catalogue.records.store import Catalogue
from matcher.catalogue.tables.content import is_picture_name
from matcher.catalogue.tables.finds import Find, Sighting
from matcher.catalogue.tables.log import Image
from matcher.catalogue.tables.models import Described, Reference, is_whole
from matcher.core.describe import fingerprint
from matcher.core.errors import CatalogueError, PlatekinError
from matcher.core.formats import face_of_text
from matcher.core.search.reference_index import ReferenceIndex

RESTORE = "restore it from a backup"

Corners = list[list[float]]

BEHIND = 500
"""References that the stored index may lack: adding them at each start takes well under a second."""


@dataclass(frozen=True)
class CatalogueProblem:
    """One thing that is wrong. kind: for programs; what: which and why; todo: what to do."""

    kind: str
    what: str
    todo: str


def check(catalogue: Catalogue, progress: Callable[[int, int], None] | None = None) -> tuple[CatalogueProblem, ...]:
    """Everything that is wrong with a catalogue; what cannot be looked at is wrong too."""
    troubles: list[CatalogueProblem] = []
    for part in (_database, _log, _tables, _descriptions):
        troubles += _looked_at(partial(_with_connection, catalogue, part))
    images: list[tuple[str, str]] = []
    outlined: list[tuple[str, Corners, str]] = []
    troubles += _looked_at(lambda: _read_rows(catalogue, images, outlined))
    named = [files.image_name(*one) for one in images if is_picture_name(*one)]
    troubles += _images(catalogue.folder, named, progress)
    troubles += _strays(catalogue.folder, set(named))
    troubles += _faces(catalogue, outlined)
    troubles += _lines(catalogue.folder)
    troubles += _looked_at(partial(_index, catalogue))
    troubles += _settings(catalogue.folder)
    return tuple(troubles)


def _looked_at(look: Callable[[], Iterable[CatalogueProblem]]) -> list[CatalogueProblem]:
    """A part's problems; damage that keeps it from being read is one of them, and the other parts are looked at."""
    try:
        return list(look())
    except CatalogueError as error:
        if error.code not in ("damaged", "not_a_catalogue"):
            raise  # a database that does not answer is no finding about the catalogue
        return [CatalogueProblem("damaged", error.message, RESTORE)]
    except (ValueError, TypeError, KeyError) as error:  # a cell that no version has written
        return [CatalogueProblem("damaged", f"a row cannot be read: {error}", RESTORE)]


def _with_connection(
    catalogue: Catalogue, part: Callable[[Connection], Iterable[CatalogueProblem]]
) -> list[CatalogueProblem]:
    with catalogue.reading() as connection:
        return list(part(connection))


def _database(connection: Connection) -> Iterator[CatalogueProblem]:
    """SQLite's own look at its file (https://sqlite.org/pragma.html#pragma_integrity_check), and at foreign keys."""
    if connection.dialect.name != "sqlite":
        return  # PostgreSQL has checksums of its own: initdb --data-checksums
    for (told,) in connection.exec_driver_sql("PRAGMA integrity_check(20)"):
        if told != "ok":
            yield CatalogueProblem("damaged", f"the database: {told}", RESTORE)
    for row in connection.exec_driver_sql("PRAGMA foreign_key_check").fetchmany(20):
        yield CatalogueProblem("damaged", f"row {row[1]} of {row[0]} points at none of {row[2]}", RESTORE)


def _read_rows(
    catalogue: Catalogue, images: list[tuple[str, str]], outlined: list[tuple[str, Corners, str]]
) -> Iterator[CatalogueProblem]:
    """Fill in which images rows have named, and which of them within which outline; what is none of ours is told."""
    with catalogue.reading() as connection:
        for sha256, suffix in connection.execute(select(Image.sha256, Image.suffix).order_by(Image.sha256)):
            images.append((sha256, suffix))
            if not is_picture_name(sha256, suffix):
                yield CatalogueProblem("damaged", f"{sha256!r} {suffix!r} names no picture", RESTORE)
        for model in (Reference, Find):
            for sha256, quad, facts in connection.execute(select(model.sha256, model.quad, model.facts)):
                outlined.append((sha256, quad, str(facts.get("format", ""))))
        for sha256, quad, form in connection.execute(select(Sighting.sha256, Sighting.quad, Sighting.format)):
            outlined.append((sha256, quad, form))


def _faces(catalogue: Catalogue, outlined: Iterable[tuple[str, Corners, str]]) -> Iterator[CatalogueProblem]:
    """Kept faces; one that is damaged is made again when it is asked for, and is told all the same."""
    for sha256, quad, form in outlined:
        size = face_of_text(form, catalogue.settings.face)
        path = catalogue.folder / files.face_name(sha256, quad, size)
        if path.is_file() and files.decode_face(path.read_bytes(), size, path.name) is None:
            todo = "delete it; it is made again from its picture, as it is whenever it is asked for"
            yield CatalogueProblem("damaged_face", str(path), todo)


def _lines(folder: Path) -> Iterator[CatalogueProblem]:
    """What is kept of the lines on references; read again where it is damaged, and told all the same."""
    for path in sorted(folder.glob("lines/*/*")):
        if path.is_file() and path.suffix != ".part" and files.decode_lines(path.read_bytes(), path.name) is None:
            yield CatalogueProblem("damaged_lines", str(path), "delete it; its card is read again when it is asked for")


def _settings(folder: Path) -> Iterator[CatalogueProblem]:
    """Files that say how answers are judged and worded."""
    try:
        confidence_in_use(folder)
    except PlatekinError as error:
        yield CatalogueProblem("damaged_confidence", error.message, error.remedy)
    vocabulary = folder / "vocabulary.json"
    try:
        json.loads(vocabulary.read_text(encoding="utf-8")) if vocabulary.exists() else None
    except (OSError, ValueError) as error:
        yield CatalogueProblem("damaged_vocabulary", f"{vocabulary}: {error}", "put it right, or move the file away")


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
        if row.fingerprint == current and not is_whole(row.sha256, row.outline, row._asdict()):
            why = f"of image {row.sha256}: it is not what was stored"
            yield CatalogueProblem("bad_description", why, "enrol any table again to make it anew")


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


def _index(catalogue: Catalogue) -> Iterator[CatalogueProblem]:
    """The stored index is a cache: damaged, it is left aside and made anew; behind, what it lacks is added."""
    index = ReferenceIndex.open(catalogue.folder / "index", fingerprint(size=catalogue.settings.face))
    if index.damaged:
        why = f"{catalogue.folder / 'index'} is not what was saved; it is left aside, and made anew at each start"
        yield CatalogueProblem("damaged_index", why, "enrol any table again, and it is stored anew")
        return
    lacking = {row.id for row in catalogue.references()} - index.reference_ids()
    if len(lacking) > BEHIND:
        why = f"{len(lacking)} references are not in the stored index, and are added at each start"
        yield CatalogueProblem("index_behind", why, "enrol any table again")
