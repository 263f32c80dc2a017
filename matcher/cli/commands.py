"""All commands, in the groups in which `platekin --help` shows them."""

from __future__ import annotations

from collections.abc import Callable
from importlib.metadata import version
from typing import Annotated, Any

import typer

from matcher.cli import lot_results, lot_review  # noqa: F401  (they add their commands to `lot`)
from matcher.cli.check import check
from matcher.cli.copies import app as copies
from matcher.cli.decisions import app as decisions
from matcher.cli.defaults import use
from matcher.cli.demo import demo
from matcher.cli.enrol import enrol
from matcher.cli.examples import add_examples, shown
from matcher.cli.exchange import backup, export
from matcher.cli.finds import app as finds
from matcher.cli.formats import app as formats
from matcher.cli.groups import MainGroup, PlainCommand, PlainGroup, RunGroup
from matcher.cli.identify import identify
from matcher.cli.listing import listing
from matcher.cli.lot_run import app as lot
from matcher.cli.poses import app as poses
from matcher.cli.records import app as records
from matcher.cli.rehearse import rehearse
from matcher.cli.scarcity import gaps, scarcity
from matcher.cli.series import app as series
from matcher.cli.serve import serve
from matcher.cli.subjects import app as subjects
from matcher.cli.tokens import app as tokens

GROUPS: dict[str, dict[str, Callable[..., Any] | typer.Typer]] = {
    "Ask": {"identify": identify, "serve": serve},
    "Lots and listings": {"lot": lot, "listing": listing},
    "Catalogue": {
        "enrol": enrol, "records": records, "finds": finds, "copies": copies, "poses": poses, "subjects": subjects,
        "series": series, "formats": formats, "scarcity": scarcity, "gaps": gaps,
    },
    "Share": {"export": export, "backup": backup, "tokens": tokens},
    "Upkeep": {"check": check, "decisions": decisions, "use": use, "rehearse": rehearse, "demo": demo},
}  # fmt: skip

app = typer.Typer(
    name="platekin",
    cls=MainGroup,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Identify old studio-photograph cards: which known variation each one is, from a photo, with the evidence.",
    epilog=shown("platekin"),
)


@app.callback(invoke_without_command=True)
def _version(
    show: Annotated[bool, typer.Option("--version", help="Show the version.", is_eager=True)] = False,
) -> None:
    if show:
        print(f"platekin {version('platekin')}")
        raise typer.Exit


for panel, commands in GROUPS.items():
    for name, command in commands.items():
        if isinstance(command, typer.Typer):
            add_examples(command, name)
            app.add_typer(command, name=name, rich_help_panel=panel, cls=RunGroup if command is lot else PlainGroup)
        else:
            app.command(name, cls=PlainCommand, rich_help_panel=panel, epilog=shown(f"platekin {name}"))(command)
