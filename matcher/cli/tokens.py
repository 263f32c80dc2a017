"""`platekin tokens ...`: who may use the HTTP service from elsewhere."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

import typer

from matcher.catalogue import Catalogue
from matcher.catalogue import tokens as rights
from matcher.cli.options import CatalogueOption, QuietOption
from matcher.cli.output import print_table, remark

app = typer.Typer(no_args_is_help=True, help="Tokens for the HTTP service: make, renew, list, revoke.")

KEEP = "keep it safe; send it as: Authorization: Bearer TOKEN"

NameArgument = Annotated[str, typer.Argument(metavar="NAME", help="Who uses it: the log will show this name.")]


DaysOption = Annotated[
    int | None, typer.Option(min=1, max=3650, help="How many days it holds; until it is revoked, if not given.")
]


@app.command("make")
def make(
    name: NameArgument,
    catalogue: CatalogueOption,
    scope: Annotated[rights.Scope, typer.Option(help="read; decide on finds; manage: all of it.")] = "read",
    days: DaysOption = None,
    quiet: QuietOption = False,
) -> None:
    """Make a token and print it, this once: only its hash is kept."""
    with Catalogue.open(catalogue) as opened:
        print(rights.make_token(opened, name, scope, days))
    remark(KEEP, quiet)


@app.command("renew")
def renew(name: NameArgument, catalogue: CatalogueOption, days: DaysOption = None, quiet: QuietOption = False) -> None:
    """Print a new token in place of the old one, which stops working at once, in browsers too."""
    with Catalogue.open(catalogue) as opened:
        print(rights.renew_token(opened, name, days))
    remark(KEEP, quiet)


@app.command("list")
def list_tokens(catalogue: CatalogueOption) -> None:
    """List who has a token, until when, and when it was last used (to within an hour)."""
    with Catalogue.open(catalogue) as opened:
        rows = rights.tokens(opened)
    print_table(
        ("name", "scope", "made", "ends", "last used"),
        ((row.name, row.scope, *map(_moment, (row.made_at, row.expires_at, row.used_at))) for row in rows),
    )


@app.command("revoke")
def revoke(name: NameArgument, catalogue: CatalogueOption, quiet: QuietOption = False) -> None:
    """Take a token away; it stops working at once."""
    with Catalogue.open(catalogue) as opened:
        rights.revoke_token(opened, name)
    remark(f"{name} has no token any more", quiet)


def _moment(at: datetime | None) -> str:
    return "" if at is None else f"{at:%Y-%m-%d %H:%M}"
