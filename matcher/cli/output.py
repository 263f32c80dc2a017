"""How commands speak: data on stdout as a table or as JSON, messages and progress on stderr."""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict
from datetime import datetime
from typing import Any, Literal, TypeVar

from rich.console import Console
from rich.markup import escape
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table

from matcher.core.answer_json import CAUTIONS

Row = TypeVar("Row")

_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f]")


def harmless(text: str) -> str:
    r"""A text without what would give orders to a terminal (ECMA-48): shown as it would be written in a program.

    >>> print(harmless("Zoë\x1b[31m"))
    Zoë\x1b[31m
    """
    return _CONTROL.sub(lambda found: f"\\x{ord(found[0]):02x}", text)


class HarmlessConsole(Console):
    """A console on which no text of others gives orders to the terminal; its own colours are left."""

    def print(self, *objects: Any, **options: Any) -> None:
        super().print(*(harmless(one) if isinstance(one, str) else one for one in objects), **options)


messages = HarmlessConsole(stderr=True, highlight=False, soft_wrap=True)


def progress(quiet: bool) -> Progress:
    """A progress bar on stderr, shown only on a terminal and unless told to be quiet."""
    return Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
        console=Console(stderr=True),
        disable=quiet or not sys.stderr.isatty(),
    )


def remark(words: str, quiet: bool) -> None:
    """One line on stderr, unless told to be quiet."""
    if not quiet:
        messages.print(words, markup=False)


def caution(quiet: bool) -> None:
    """What a result is not, on stderr; at the end of a run that has one, and unless told to be quiet."""
    remark(f"\n{CAUTIONS[0]}\n{CAUTIONS[3]}", quiet)


def counted(number: int, one: str, many: str = "") -> str:
    """A number with its noun.

    >>> counted(1, "page"), counted(3, "copy", "copies"), counted(1200, "row")
    ('1 page', '3 copies', '1,200 rows')
    """
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def print_json(value: Any) -> None:
    """One object on one line of stdout; moments in ISO 8601."""

    def plain(other: Any) -> Any:
        return other.isoformat() if isinstance(other, datetime) else str(other)

    print(harmless_json(json.dumps(value, ensure_ascii=False, default=plain)))


def harmless_json(text: str) -> str:
    """JSON in which what would give orders to a terminal is escaped too (RFC 8259 lets it stand, from 0x7F on)."""
    return _CONTROL.sub(lambda found: f"\\u{ord(found[0]):04x}", text)


def print_rows(
    format: Literal["table", "json"], rows: Iterable[Row], headings: Sequence[str],
    line: Callable[[Row], Sequence[object]], as_object: Callable[[Any], Any] = asdict,
) -> None:  # fmt: skip
    """What a command lists: a table for people, of each row's `line`; or its `as_object` as JSON, one a line."""
    if format == "json":
        for row in rows:
            print_json(as_object(row))
    else:
        print_table(headings, map(line, rows))


def print_table(headings: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    """A plain table on stdout; None shows as nothing. Only a terminal's width shortens it: a file gets all of it."""
    table = Table(show_edge=False, pad_edge=False)
    for heading in headings:
        table.add_column(heading)
    for row in rows:
        table.add_row(*(escape(harmless("" if cell is None else str(cell))) for cell in row))
    width = None if sys.stdout.isatty() else 10_000  # a table is no wider than its words
    Console(highlight=False, width=width).print(table)
