"""The command line, `platekin`: one file a command, none of which repeats a stage.

Data goes to stdout, progress and messages to stderr. Exit codes: 0 all done, 1 some failed, 2 wrong call.
"""

from __future__ import annotations

import sys
from importlib.metadata import version
from typing import Annotated

import typer

from matcher.cli.copies import app as copies
from matcher.cli.decisions import app as decisions
from matcher.cli.demo import demo
from matcher.cli.doctor import doctor
from matcher.cli.enrol import enrol
from matcher.cli.exchange import backup, check, export, import_
from matcher.cli.finds import app as finds
from matcher.cli.identify import identify
from matcher.cli.listing import listing
from matcher.cli.lot import lot
from matcher.cli.lots_review import app as lots
from matcher.cli.output import messages
from matcher.cli.poses import app as poses
from matcher.cli.records import app as records
from matcher.cli.rehearse import rehearse
from matcher.cli.scarcity import gaps, scarcity
from matcher.cli.series import app as series
from matcher.cli.serve import serve
from matcher.cli.subjects import app as subjects
from matcher.cli.tokens import app as tokens
from matcher.core.errors import PlatekinError

INTERRUPTED = 130
"""With this Typer ends after Ctrl-C, without a word."""

app = typer.Typer(
    name="platekin",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    help="Say which known variation an old studio-photograph card is, from a photo, with the evidence.",
)


@app.callback(invoke_without_command=True)
def _version(
    show: Annotated[bool, typer.Option("--version", help="Show the version.", is_eager=True)] = False,
) -> None:
    if show:
        print(f"platekin {version('platekin')}")
        raise typer.Exit


app.command()(enrol)
app.command()(identify)
app.command()(lot)
app.add_typer(lots, name="lots")
app.command()(listing)
app.add_typer(records, name="records")
app.add_typer(finds, name="finds")
app.add_typer(decisions, name="decisions")
app.add_typer(copies, name="copies")
app.add_typer(poses, name="poses")
app.add_typer(subjects, name="subjects")
app.add_typer(series, name="series")
app.command()(scarcity)
app.command()(gaps)
app.command()(export)
app.command("import")(import_)
app.command()(check)
app.command()(backup)
app.add_typer(tokens, name="tokens")
app.command()(doctor)
app.command()(rehearse)
app.command()(demo)
app.command()(serve)


def main() -> None:
    """Entry point of the `platekin` command."""
    try:
        app()
    except PlatekinError as error:
        messages.print(f"platekin: {error.message}", markup=False)
        if error.remedy:
            messages.print(f"  what to do: {error.remedy}", markup=False)
        sys.exit(2 if error.kind.wrong_call else 1)
    except BrokenPipeError:
        sys.exit(1)
    except SystemExit as end:
        if end.code == INTERRUPTED:
            messages.print("stopped; what was stored until now is kept")
        raise
