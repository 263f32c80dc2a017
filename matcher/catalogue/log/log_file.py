"""The log as a file of JSON Lines, read and found whole: lines in, decisions in their order out.

The first line says of which catalogue the log is, how many decisions follow, and the digest of the last.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from matcher.catalogue.log.changes import odd_texts
from matcher.catalogue.log.decisions import (
    BY_MACHINE,
    DecisionRow,
    digest_of,
    from_json,
)
from matcher.catalogue.tables.content import is_plain
from matcher.core.errors import BadTable, CatalogueError
from matcher.core.ordinary_files import open_ordinary

LONGEST_LINE = 64 * 1024 * 1024
VERSION = 1


@dataclass(frozen=True)
class LogHead:
    """The first line of an exported log."""

    catalogue: str
    decisions: int
    digest: str


@contextmanager
def opened(log: Path) -> Iterator[IO[bytes]]:
    """The log's file, read. Raises BadTable missing_file."""
    try:
        stream = open_ordinary(log)
    except OSError as error:
        raise BadTable("missing_file", f"{log}: {error.strerror}", "check the path of the log") from None
    with stream:
        yield stream


def read_head(stream: IO[bytes], log: Path) -> LogHead:
    """What the first line says. Raises BadTable bad_log, CatalogueError newer_version."""
    stored = _line(stream, log, 1)
    if stored is None or stored.get("platekin") != "log":
        raise bad_log(log, 1, "this is not a log of platekin")
    if stored.get("version") != VERSION:
        raise CatalogueError("newer_version", f"{log}: the log was made by a newer version", "upgrade platekin")
    try:
        return LogHead(str(stored["catalogue"]), int(stored["decisions"]), str(stored["digest"]))
    except (KeyError, TypeError, ValueError):
        raise bad_log(log, 1, "it does not say of which catalogue it is") from None


def decisions_in(stream: IO[bytes], log: Path) -> Iterator[tuple[int, DecisionRow]]:
    """(place from 1, decision) of all lines below the head."""
    place = 0
    while (stored := _line(stream, log, place + 2)) is not None:
        place += 1
        try:
            row = from_json(stored)
        except (ValueError, KeyError, TypeError) as error:
            raise bad_log(log, place + 1, f"no decision: {error}") from None
        odd = next(_odd_texts(row), "")
        if odd:
            raise bad_log(log, place + 1, f"{odd} holds control characters, or is too long")
        if row.actor == "machine" and row.action not in BY_MACHINE:
            raise bad_log(log, place + 1, f"the program may not {row.action}")
        yield place, row


def chained(stream: IO[bytes], log: Path, before: str) -> Iterator[DecisionRow]:
    """The log's decisions, each found to follow from the one before; before: what the first is chained to."""
    for place, row in decisions_in(stream, log):
        if row.number != place or digest_of(row, before) != row.digest:
            raise bad_log(log, place + 1, "it does not follow from the lines before: the log was changed")
        before = row.digest
        yield row


def _odd_texts(row: DecisionRow) -> Iterator[str]:
    """What of an entry no person has written: names of its texts that hold control characters or never end."""
    if not is_plain(row.by) or not row.by.strip() or len(row.by) > 100:
        yield "the name of who decided"
    for name in ("action", "about", "outcome", "note"):
        if not is_plain(getattr(row, name)):
            yield name
    yield from odd_texts(row.changes)


def _line(stream: IO[bytes], log: Path, line: int) -> dict[str, Any] | None:
    data = stream.readline(LONGEST_LINE)
    if not data:
        return None
    if len(data) >= LONGEST_LINE:
        raise bad_log(log, line, "longer than any decision")
    try:
        stored = json.loads(data)
    except (ValueError, RecursionError) as error:
        raise bad_log(log, line, f"not JSON: {error}") from None
    if not isinstance(stored, dict):
        raise bad_log(log, line, "not an object")
    return stored


def bad_log(log: Path, line: int, why: str) -> BadTable:
    """The error for a line that cannot be right; line: from 1."""
    return BadTable("bad_log", f"{log} line {line}: {why}", "export the log again, and copy it whole")
