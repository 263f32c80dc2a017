"""Somebody's own table in; a table with our columns out, after a look at what would become of it.

A CSV or JSON Lines file, and a mapping from its columns to ours; columns that are not mapped keep their names. The
mapped rows go the way of `enrol`.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from matcher.catalogue.records.csv_text import csv_bytes
from matcher.catalogue.records.table import OPTIONAL, REQUIRED, read_cells, read_text
from matcher.core.errors import BadTable

SHOWN = 5
JSON_LINES = (".jsonl", ".ndjson")


@dataclass(frozen=True)
class Preview:
    """What a mapping does. columns: (theirs, ours or ""). lacking: needed columns that nothing is mapped to.

    rows: the first few, by our columns. total: how many there are.
    """

    columns: tuple[tuple[str, str], ...]
    lacking: tuple[str, ...]
    rows: tuple[Mapping[str, str], ...]
    total: int


@dataclass(frozen=True)
class _Row:
    """A row as it stands in their table: its line, its cells by column, and cells beyond the last column."""

    line: int
    cells: Mapping[str, str]
    beyond: tuple[str, ...] = ()


def preview(path: Path, mapping: Mapping[str, str]) -> Preview:
    """Look at a table under a mapping (theirs -> ours); nothing is stored. Raises BadTable."""
    header, rows = _read(path)
    names = _names(path, header, mapping)
    cells = [row.cells for row in rows]
    ours = {*REQUIRED, *OPTIONAL}
    shown = tuple({name: row.get(theirs, "") for theirs, name in names.items()} for row in cells[:SHOWN])
    return Preview(
        columns=tuple((theirs, name if name in ours else "") for theirs, name in names.items()),
        lacking=tuple(name for name in REQUIRED if name not in names.values()),
        rows=shown,
        total=len(rows),
    )


def mapped_table(path: Path, mapping: Mapping[str, str]) -> bytes:
    """The table as CSV with our columns, image paths still relative to where it lies. Raises BadTable.

    Each row stands on the line that it stood on, so that what is told of a line is true of both.
    """
    header, rows = _read(path)
    names = _names(path, header, mapping)
    lines: list[list[str]] = []
    at = 2
    for row in rows:
        blank = max(0, row.line - at)
        cells = [row.cells.get(theirs, "") for theirs in names] + list(row.beyond)
        lines += [[]] * blank + [cells]
        at += blank + 1 + sum(cell.count("\n") for cell in cells)
    return csv_bytes(list(names.values()), lines)


def parse_mapping(given: Sequence[str]) -> dict[str, str]:
    """THEIRS=OURS texts as a mapping. Raises BadTable bad_mapping.

    >>> parse_mapping(["Sitter=subject"])
    {'Sitter': 'subject'}
    """
    mapping: dict[str, str] = {}
    for one in given:
        theirs, equals, ours = one.rpartition("=")
        if not equals or not theirs.strip() or theirs.strip() in mapping:
            raise BadTable("bad_mapping", f"{one!r} maps nothing, or again", "write THEIRS=OURS, once each")
        if ours.strip() not in (*REQUIRED, *OPTIONAL):
            raise BadTable(
                "bad_mapping", f"{ours.strip()!r} is none of our columns", f"one of {', '.join((*REQUIRED, *OPTIONAL))}"
            )
        mapping[theirs.strip()] = ours.strip()
    return mapping


def _names(path: Path, header: Sequence[str], mapping: Mapping[str, str]) -> dict[str, str]:
    """Theirs -> ours or their own name, in their order."""
    missing = [theirs for theirs in mapping if theirs not in header]
    if missing:
        found = ", ".join(header)
        raise BadTable("bad_mapping", f"{path}: no column {missing[0]!r}; found: {found}", "write it as in the table")
    ours = {*REQUIRED, *OPTIONAL}
    names = {theirs: mapping.get(theirs, theirs.lower() if theirs.lower() in ours else theirs) for theirs in header}
    twice = sorted({name for name in names.values() if list(names.values()).count(name) > 1})
    if twice:
        raise BadTable("bad_mapping", f"{path}: two columns would be {twice[0]!r}", "map one of them to another")
    return names


def _read(path: Path) -> tuple[list[str], list[_Row]]:
    if path.suffix.lower() in JSON_LINES:
        return _read_json_lines(path)
    lines = read_cells(path)
    _, header = next(lines, (1, []))
    twice = sorted({name for name in header if name and header.count(name) > 1})
    if twice:
        raise BadTable("duplicate_column", f"{path} line 1: two columns are called {twice[0]}", "rename one of them")
    rows = [_Row(line, dict(zip(header, cells, strict=False)), tuple(cells[len(header) :])) for line, cells in lines]
    return [name for name in header if name], rows


def _read_json_lines(path: Path) -> tuple[list[str], list[_Row]]:
    """An object a line; the line after its own is where it stands below a header."""
    header: dict[str, None] = {}
    rows = []
    for number, line in enumerate(read_text(path).splitlines(), start=1):
        if not line.strip():
            continue
        try:
            stored = json.loads(line)
            if not isinstance(stored, dict):
                raise ValueError("not an object")
        except ValueError as error:
            raise BadTable("not_csv", f"{path} line {number}: {error}", "write one JSON object a line") from None
        cells = {str(key): "" if value is None else str(value) for key, value in stored.items()}
        header |= dict.fromkeys(cells)
        rows.append(_Row(number + 1, cells))
    return list(header), rows
