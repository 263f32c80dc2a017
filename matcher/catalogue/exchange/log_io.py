"""The log taken out as JSON Lines, and replayed into a catalogue: the same log always gives the same catalogue.

The first line says of which catalogue the log is, how many decisions follow, and the digest of the last. Every
further line is a decision with its changes. Replaying checks all of that, the chain, and that each change fits the
rows it meets; the first thing that does not fit ends it, and nothing is kept.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, Any

from sqlalchemy import Connection, DefaultClause, insert, select, update
from sqlalchemy.exc import DataError

from matcher.catalogue.log.changes import LOGGED, ChangeConflict, Draft, canonical, to_json
from matcher.catalogue.log.decisions import (
    Actor,
    DecisionRow,
    as_json,
    beginning,
    identity,
    last,
    read,
    whoever_runs_this,
    write,
)
from matcher.catalogue.log.log_file import VERSION, LogHead, bad_log, chained, decisions_in, opened, read_head
from matcher.catalogue.records import files
from matcher.catalogue.records.store import PATIENCE, Catalogue
from matcher.catalogue.tables.log import Decision, Identity, Image, Import
from matcher.catalogue.tables.targets import writing_out
from matcher.core.errors import CatalogueError


@dataclass(frozen=True)
class Replayed:
    """How many decisions were new to the catalogue, and how many pictures it still lacks."""

    decisions: int
    lacking: int


def export_log(catalogue: Catalogue, target: Path) -> int:
    """Write the log to a new file; returns how many decisions. Raises CatalogueError target_exists, disk_full, ..."""
    with new_file(target) as stream, catalogue.reading() as connection:
        return write_log(connection, stream)


def write_log(connection: Connection, stream: IO[str]) -> int:
    """Write the log as JSON Lines into an open stream; returns how many decisions."""
    number, digest = last(connection)
    head = {
        "platekin": "log",
        "version": VERSION,
        "catalogue": identity(connection),
        "decisions": number,
        "digest": digest,
    }
    stream.write(canonical(head) + "\n")
    for row in read(connection):
        if row.number <= number:  # another may have been added since
            stream.write(canonical(as_json(row)) + "\n")
    return number


def replay_log(
    catalogue: Catalogue, log: Path, images: Path | None = None, check: Callable[[Draft], None] | None = None,
    who: Actor | None = None,
) -> Replayed:  # fmt: skip
    """Replay a log into an empty catalogue, or into one whose own log it continues.

    images: a folder whose files are taken, by their content, as the pictures that the log names.
    check: as in `Catalogue.deciding`. who: brings it, and answers for what it says; whoever runs this, if not given.
    Raises BadTable (missing_file, bad_log) and CatalogueError (another_catalogue, does_not_fit, ...).
    """
    pictures = _pictures(log, images) if images else {}
    with catalogue.writing(PATIENCE), _bringing(catalogue, pictures), catalogue.replaying() as connection:
        if check:
            check(Draft(connection))
        done = replay(connection, log)
        note_import(connection, done, who)
        named = [(sha256, suffix) for sha256, suffix in connection.execute(select(Image.sha256, Image.suffix))]
    lacking = sum(not (catalogue.folder / files.image_name(*one)).exists() for one in named)
    return Replayed(done, lacking)


def replay(connection: Connection, log: Path) -> int:
    """Replay a log through a connection, whose owner commits; returns how many decisions were new.

    Raises BadTable (missing_file, bad_log) and CatalogueError (another_catalogue, does_not_fit, newer_version); then
    nothing may be kept.
    """
    with opened(log) as stream:
        head = read_head(stream, log)
        present, _ = last(connection)
        if present == 0:
            _take_identity(connection, head, log)
        elif identity(connection) != head.catalogue:
            raise another_catalogue(log)
        entries = connection.execute(select(Decision.number, Decision.digest))
        known = {entry.number: entry.digest for entry in entries}
        number, before = 0, beginning(head.catalogue)
        for row in chained(stream, log, before):
            number, before = row.number, row.digest
            if number not in known:
                _make_again(connection, row, log)
            elif known[number] != row.digest:
                why = f"{log} line {number + 1}: decision {number} differs from the catalogue's"
                raise CatalogueError(
                    "does_not_fit", why, "the two logs have diverged: keep one, and enrol the other's records"
                )
    if number != head.decisions or before != head.digest:
        raise bad_log(log, number + 1, f"the log ends after {number} of {head.decisions} decisions")
    if number < present:
        why = f"{log}: the catalogue is {present - number} decisions ahead of this log"
        raise CatalogueError("does_not_fit", why, "export a newer log")
    return number - present


def note_import(connection: Connection, decisions: int, who: Actor | None) -> None:
    """Note who has brought the newest decisions in: what they say of who decided is another catalogue's word."""
    number, _ = last(connection)
    if decisions:
        told = {"first": number - decisions + 1, "last": number, "at": datetime.now(UTC)}
        connection.execute(insert(Import).values(**told, by=(who or whoever_runs_this()).name))


def content_digest(connection: Connection) -> str:
    """SHA-256 of all rows that decisions can change, and of the log's end: equal for equal catalogues."""
    content = hashlib.sha256(identity(connection).encode())
    for table in LOGGED.values():
        rows = connection.execute(select(table).order_by(*table.primary_key.columns))
        for row in rows:
            content.update(f"{table.name} {canonical(to_json(table, row._asdict()))}\n".encode())
    content.update(canonical(last(connection)).encode())
    return content.hexdigest()


_UNSAID = {
    name: {one.name: one.server_default.arg for one in table.columns if isinstance(one.server_default, DefaultClause)}
    for name, table in LOGGED.items()
}
"""What columns hold of which a log says nothing, since it is older than they are."""


def fold(rows: Iterator[DecisionRow]) -> dict[str, dict[str, dict[str, Any]]]:
    """What the tables must hold by the log alone: rows by table and key.

    Raises ChangeConflict where the log contradicts itself.
    """
    tables: dict[str, dict[str, dict[str, Any]]] = {name: {} for name in LOGGED}
    for row in rows:
        for change in (one.now() for one in row.changes):
            held, key = tables[change.table], canonical(list(change.key))
            if (change.before is None) == (key in held):
                raise ChangeConflict(change.table, change.key, f"contradicts decision {row.number}")
            if change.after is None:
                del held[key]
            else:
                held[key] = {**held.get(key, _UNSAID[change.table]), **change.after}
    return tables


@contextmanager
def new_file(target: Path) -> Iterator[IO[str]]:
    """A text file that appears under its name only when it is whole; one that is there is never overwritten."""
    if target.exists():
        raise CatalogueError("target_exists", f"{target} is there already", "name a file that is not there yet")
    part = target.with_name(f"{target.name}.{os.getpid()}.part")
    try:
        with writing_out(target):
            target.parent.mkdir(parents=True, exist_ok=True)
            with part.open("w", encoding="utf-8", newline="") as stream:
                yield stream
                stream.flush()
                os.fsync(stream.fileno())
            part.rename(target)
    finally:
        part.unlink(missing_ok=True)


def another_catalogue(log: Path) -> CatalogueError:
    """The error for a log that is not of this catalogue."""
    return CatalogueError(
        "another_catalogue",
        f"{log}: this is the log of another catalogue",
        "replay it into an empty folder; to bring its records here, enrol the records.csv of its export",
    )


def _make_again(connection: Connection, row: DecisionRow, log: Path) -> None:
    """Make a decision's changes, and write it into the catalogue's own log."""
    draft = Draft(connection)
    try:
        for change in row.changes:
            draft.make(change)
    except (ChangeConflict, DataError) as error:
        # A null character, say, which PostgreSQL cannot store.
        why = str(error) if isinstance(error, ChangeConflict) else f"this database cannot hold it: {error.orig}"
        message = f"{log} line {row.number + 1}: {why}"
        raise CatalogueError("does_not_fit", message, "the log does not belong to what is in the catalogue") from None
    write(connection, [row])


def _take_identity(connection: Connection, head: LogHead, log: Path) -> None:
    for table in LOGGED.values():
        if connection.execute(select(*table.primary_key.columns).limit(1)).first():
            raise another_catalogue(log)
    connection.execute(update(Identity).values(id=head.catalogue))


def _pictures(log: Path, images: Path) -> dict[str, Path]:
    """Stored name -> file, of the pictures that a log names and that a folder holds."""
    wanted: dict[str, str] = {}
    with opened(log) as stream:
        read_head(stream, log)
        for _, row in decisions_in(stream, log):
            for change in row.changes:
                if change.after and "sha256" in change.after and "suffix" in change.after:
                    wanted[change.after["sha256"]] = change.after["suffix"]
    found: dict[str, Path] = {}
    for path in sorted(path for path in images.rglob("*") if path.is_file()):
        sha256 = sha256_of(path)
        if sha256 in wanted:
            found[files.image_name(sha256, wanted[sha256])] = path
    return found


def sha256_of(path: Path) -> str:
    """SHA-256 of a file's content, in hexadecimal digits. Raises OSError."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


@contextmanager
def _bringing(catalogue: Catalogue, pictures: Mapping[str, Path]) -> Iterator[None]:
    missing = {name: path for name, path in pictures.items() if not (catalogue.folder / name).exists()}
    with catalogue.bringing(missing):
        yield
