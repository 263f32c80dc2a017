"""Options and output that several commands share."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

CatalogueOption = Annotated[
    Path, typer.Option("--catalogue", "-c", help="The catalogue's folder.", envvar="PLATEKIN_CATALOGUE")
]
QuietOption = Annotated[bool, typer.Option("--quiet", "-q", help="No progress and no remarks.")]

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
