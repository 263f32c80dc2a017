"""Options and output that several commands share."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Sequence
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any, Literal

import typer
from rich.console import Console
from rich.markup import escape
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table

from matcher.catalogue.log.decisions import Actor, DecisionRow, person, whoever_runs_this

CatalogueOption = Annotated[
    Path, typer.Option("--catalogue", "-c", help="The catalogue's folder.", envvar="PLATEKIN_CATALOGUE")
]
QuietOption = Annotated[bool, typer.Option("--quiet", "-q", help="No progress and no remarks.")]
ByOption = Annotated[
    str | None,
    typer.Option("--by", help="Your name, for the log; your user name if not given.", envvar="PLATEKIN_PERSON"),
]
ClusterOption = Annotated[
    str | None,
    typer.Option("--cluster", metavar="ADDRESS", help="Work on a Dask cluster, as tcp://host:8786, not here."),
]
NoteOption = Annotated[str, typer.Option("--note", help="Why; kept in the log.")]
FormatOption = Annotated[Literal["table", "json"], typer.Option("--format", help="json: one object a line.")]

messages = Console(stderr=True, highlight=False, soft_wrap=True)


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


def actor(by: str | None) -> Actor:
    """Who decides on the command line: always a person."""
    return whoever_runs_this() if by is None else person(by)


def tell(decision: DecisionRow, quiet: bool) -> None:
    """Say on stderr what was decided, and how to take it back."""
    if not quiet:
        messages.print(f"{decision.outcome} (decision {decision.number} by {decision.by})", markup=False)


def print_json(value: Any) -> None:
    """One object on one line of stdout; moments in ISO 8601."""

    def plain(other: Any) -> Any:
        return other.isoformat() if isinstance(other, datetime) else str(other)

    print(json.dumps(value, ensure_ascii=False, default=plain))


def print_table(headings: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    """A plain table on stdout; None shows as nothing. Only a terminal's width shortens it: a file gets all of it."""
    table = Table(show_edge=False, pad_edge=False)
    for heading in headings:
        table.add_column(heading)
    for row in rows:
        table.add_row(*(escape("" if cell is None else str(cell)) for cell in row))
    width = None if sys.stdout.isatty() else 10_000  # a table is no wider than its words
    Console(highlight=False, width=width).print(table)
