"""The command line, `platekin`: one file a command, none of which repeats a stage.

Data goes to stdout, progress and messages to stderr. Exit codes: 0 all done, 1 some failed, 2 wrong call.
"""

from __future__ import annotations

import sys

import typer
from rich.console import Console

from matcher.commands.demo import demo
from matcher.commands.doctor import doctor
from matcher.commands.enrol import enrol
from matcher.commands.identify import identify
from matcher.commands.records import app as records
from matcher.commands.serve import serve
from matcher.errors import BadTable, CatalogueError, PlatekinError

app = typer.Typer(
    name="platekin",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    help="Say which known variation an old studio-photograph card is, from a photo, with the evidence.",
)
app.command()(enrol)
app.command()(identify)
app.add_typer(records, name="records")
app.command()(doctor)
app.command()(demo)
app.command()(serve)


def main() -> None:
    """Entry point of the `platekin` command."""
    try:
        app()
    except PlatekinError as error:
        Console(stderr=True).print(f"[bold]platekin:[/] {error.message}", highlight=False, soft_wrap=True)
        if error.remedy:
            Console(stderr=True).print(f"  what to do: {error.remedy}", highlight=False, soft_wrap=True)
        sys.exit(2 if isinstance(error, BadTable | CatalogueError) else 1)
    except BrokenPipeError:
        sys.exit(1)
