"""Where the database of a catalogue is, how it is opened, and what its failures are called.

In: the catalogue's folder; out: an engine with our transaction rules. `guarded` is the one place that turns
what SQLite, SQLAlchemy and the file system raise into a `CatalogueError`.
"""

from __future__ import annotations

import errno
import json
import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any
from urllib.parse import quote

from sqlalchemy import URL, Connection, Engine, Executable, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, IntegrityError, ProgrammingError

from matcher.core.errors import CatalogueError

DATABASE = "catalogue.sqlite"
URL_VARIABLE = "PLATEKIN_DATABASE_URL"
URL_FILE = "database.url"
"""In a catalogue's folder: the address of a shared database that holds its rows."""

BUSY_SECONDS = 10.0
FULL_BELOW = 256 * 1024
"""Free bytes under which a failed write is put down to a full disk: SQLite calls some of them I/O errors."""


def database_url(folder: Path) -> URL:
    """What PLATEKIN_DATABASE_URL says, or the folder's file `database.url`; else the folder's own SQLite file."""
    override = os.environ.get(URL_VARIABLE, "").strip() or _url_file(folder)
    if not override:
        return own_url(folder)
    try:
        return make_url(override)
    except ArgumentError:
        raise CatalogueError(
            "not_a_catalogue",
            f"{URL_VARIABLE} or {folder / URL_FILE} is not a database address",
            "write it like postgresql+psycopg://user@host/name, or take it away",
        ) from None


def own_url(folder: Path) -> URL:
    """The address of the folder's own SQLite file."""
    return URL.create("sqlite", database=str(folder / DATABASE))


def _url_file(folder: Path) -> str:
    try:
        return (folder / URL_FILE).read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError):
        return ""


def sqlite_path(url: URL) -> Path | None:
    """The file of an SQLite database; None for any other database."""
    return Path(url.database or "") if url.get_backend_name() == "sqlite" else None


def open_engine(url: URL, create: bool = False) -> Engine:
    """An engine on the database; only with `create` will SQLite make a file that is not there.

    SQLite: foreign keys on, write-ahead log, 10 s of patience with another writer. A file or folder that may
    not be written is opened for reading.
    """
    path = sqlite_path(url)
    if path is None:
        return create_engine(url, pool_pre_ping=True)
    writable = _may_write(path)
    mode = "rwc" if create else "rw"

    def connect() -> sqlite3.Connection:
        if create:  # its owner's alone: SQLite's own files beside it take over what it allows
            with suppress(OSError):
                os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600))
        return _connect(path, mode) if writable else _connect_for_reading(path)

    engine = create_engine(url, creator=connect)
    event.listen(engine, "connect", _pragmas(writable))
    event.listen(engine, "begin", _begin)
    return engine


def for_writing(engine: Engine) -> Engine:
    """The same engine; its transactions take SQLite's write lock at their start instead of half-way."""
    return engine.execution_options(platekin_writing=True)


@contextmanager
def guarded(folder: Path) -> Iterator[None]:
    """Name failures of storage.

    Raises CatalogueError locked, read_only, disk_full, damaged, not_a_catalogue, unreachable; odd_text for a number or
    a text that no database can look for.
    """
    try:
        yield
    except (IntegrityError, ProgrammingError, sqlite3.IntegrityError, sqlite3.ProgrammingError):
        raise  # a mistake in this package, not in the catalogue
    except DBAPIError as error:
        raise _database_failure(folder, error.orig) from error
    except sqlite3.Error as error:
        raise _database_failure(folder, error) from error
    except (OverflowError, UnicodeEncodeError) as error:
        told = "a number that was given is too large" if isinstance(error, OverflowError) else "a text is no Unicode"
        raise CatalogueError("odd_text", told, "look at what was typed") from error
    except json.JSONDecodeError as error:  # a cell of the database that should hold JSON
        raise failure("damaged", folder, f"a cell of the database holds no JSON: {error}") from error
    except OSError as error:
        raise _file_failure(folder, error) from error


MAKE_ONE = "check the path, or make one: platekin enrol RECORDS.csv --catalogue DIR"


def not_a_catalogue(folder: Path, why: str, remedy: str = MAKE_ONE) -> CatalogueError:
    """The error for a folder or database that is no catalogue."""
    return CatalogueError("not_a_catalogue", f"{folder} is not a catalogue: {why}", remedy)


def failure(code: str, folder: Path, detail: str = "") -> CatalogueError:
    """A CatalogueError from the table below."""
    message, remedy = _FAILURES[code]
    return CatalogueError(code, message.format(folder=folder) + (f": {detail}" if detail else ""), remedy)


_FAILURES = {
    "locked": (
        "{folder}: another platekin is writing to this catalogue",
        "wait until it has finished, then try again",
    ),
    "read_only": (
        "{folder}: this catalogue is read-only for you",
        "give yourself permission to write there, or work on a copy",
    ),
    "disk_full": (
        "{folder}: the disk is full; what was stored before is safe",
        "free some space, then run the same command again",
    ),
    "unreadable": (
        "{folder}: you may not read this catalogue",
        "ask its owner to give you the right to read it",
    ),
    "damaged": ("{folder}: the catalogue is damaged", "restore it from a backup, or enrol it anew"),
    "newer_version": ("{folder}: the catalogue was made by a newer version", "upgrade platekin"),
    "unreachable": (
        "{folder}: the catalogue's database does not answer",
        f"check {URL_VARIABLE} or {URL_FILE}, and the server",
    ),
}


def _may_write(path: Path) -> bool:
    """True also where nothing is there yet: making it is then tried, and fails with its own error."""
    return all(os.access(p, os.W_OK) for p in (path, path.parent) if p.exists())


def _connect(path: Path, mode: str, more: str = "") -> sqlite3.Connection:
    address = f"file:{quote(str(path.absolute()))}?mode={mode}{more}"
    # The pool hands a connection to one thread at a time, so SQLite's own check is not needed.
    return sqlite3.connect(address, uri=True, timeout=BUSY_SECONDS, check_same_thread=False)


def _connect_for_reading(path: Path) -> sqlite3.Connection:
    """Without the right to write, SQLite opens a write-ahead database only while someone else has it open.

    Otherwise, and if no log is left to be read, nobody is writing, and the file may be read as it stands.
    """
    connection = _connect(path, "ro")
    try:
        connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.OperationalError:
        connection.close()
        log = path.with_name(path.name + "-wal")
        if log.exists() and log.stat().st_size:
            raise
        return _connect(path, "ro", "&immutable=1")
    return connection


def reading_connection(path: Path) -> sqlite3.Connection:
    """A connection to copy an SQLite file by, also from where nothing may be written."""
    return _connect(path, "rw") if _may_write(path) else _connect_for_reading(path)


def _pragmas(writable: bool) -> Callable[[Any, Any], None]:
    def configure(connection: sqlite3.Connection, _: object) -> None:
        # Python's sqlite3 would begin transactions by itself, and not before DDL: `_begin` does it instead.
        connection.isolation_level = None
        connection.execute("PRAGMA foreign_keys=ON")
        if writable:
            connection.execute("PRAGMA journal_mode=WAL")

    return configure


def _begin(connection: Connection) -> None:
    writing = connection.get_execution_options().get("platekin_writing", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")


def one_writer(connection: Connection, anchor: Executable) -> None:
    """Make other writers of a shared database wait until this transaction ends.

    anchor: selects the one row that every writer locks. SQLite needs none: `for_writing` locks the file.
    """
    if connection.dialect.name == "postgresql":
        connection.exec_driver_sql(f"SET LOCAL lock_timeout = '{int(BUSY_SECONDS)}s'")
        connection.execute(anchor)


_BY_SQLSTATE = {"55P03": "locked", "40P01": "locked", "25006": "read_only", "42501": "read_only", "53100": "disk_full"}
"""PostgreSQL's error codes (its manual, appendix A) that have a name of ours."""


def _database_failure(folder: Path, error: BaseException | None) -> CatalogueError:
    if not isinstance(error, sqlite3.Error):
        code = _BY_SQLSTATE.get(getattr(error, "sqlstate", None) or "", "unreachable")
        return failure(code, folder, str(error).strip().split("\n")[0])
    primary = getattr(error, "sqlite_errorcode", 0) & 0xFF
    if primary in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return failure("locked", folder)
    if primary in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM):
        return failure("read_only", folder)
    if primary == sqlite3.SQLITE_FULL:
        return failure("disk_full", folder)
    if primary == sqlite3.SQLITE_NOTADB:
        remedy = "restore it from a backup, or enrol your table into another folder"
        return not_a_catalogue(folder, f"{DATABASE} is not a database", remedy)
    if primary in (sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CANTOPEN):
        if disk_is_full(folder):
            return failure("disk_full", folder)
        if not _may_read(folder):
            return failure("unreadable", folder)
        if not os.access(folder, os.W_OK):
            return failure("read_only", folder)
    return failure("damaged", folder, str(error))


def _file_failure(folder: Path, error: OSError) -> CatalogueError:
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return failure("disk_full", folder)
    if error.errno in (errno.EACCES, errno.EPERM) and not _may_read(folder):
        return failure("unreadable", folder)
    if error.errno in (errno.EROFS, errno.EACCES, errno.EPERM):
        return failure("read_only", folder)
    if error.errno in (errno.ENOTDIR, errno.EEXIST):
        return not_a_catalogue(folder, "there is a file in place of a folder")
    if error.errno in (errno.ENAMETOOLONG, errno.ELOOP, errno.EINVAL):
        return not_a_catalogue(folder, error.strerror or str(error))
    if error.errno == errno.ENOENT and not (folder / DATABASE).exists():
        return not_a_catalogue(folder, "it cannot be made there")
    return failure("damaged", folder, f"{error.strerror or error} ({error.filename})")


def _may_read(folder: Path) -> bool:
    return all(os.access(path, os.R_OK) for path in (folder, folder / DATABASE) if path.exists())


def disk_is_full(folder: Path) -> bool:
    """Whether hardly anything is free where the folder lies; False where that cannot be asked."""
    try:
        return shutil.disk_usage(folder).free < FULL_BELOW
    except OSError:
        return False
