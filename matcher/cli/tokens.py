"""`platekin tokens ...`: who may use the HTTP service from elsewhere."""

from __future__ import annotations

from typing import Annotated

import typer

from matcher.catalogue import Catalogue
from matcher.catalogue import tokens as rights
from matcher.cli.options import CatalogueOption, QuietOption
from matcher.cli.output import print_table, remark

app = typer.Typer(no_args_is_help=True, help="Tokens for the HTTP service: make, list, revoke.")

NameArgument = Annotated[str, typer.Argument(metavar="NAME", help="Who uses it: the log will show this name.")]


@app.command("make")
def make(
    name: NameArgument,
    catalogue: CatalogueOption,
    scope: Annotated[rights.Scope, typer.Option(help="read; decide on finds; manage: all of it.")] = "read",
    quiet: QuietOption = False,
) -> None:
    """Make a token and print it, this once: only its hash is kept."""
    with Catalogue.open(catalogue) as opened:
        print(rights.make_token(opened, name, scope))
    remark("keep it safe; send it as: Authorization: Bearer TOKEN", quiet)


@app.command("list")
def list_tokens(catalogue: CatalogueOption) -> None:
    """List who has a token."""
    with Catalogue.open(catalogue) as opened:
        rows = rights.tokens(opened)
    print_table(("name", "scope", "made"), ((row.name, row.scope, f"{row.made_at:%Y-%m-%d %H:%M}") for row in rows))


@app.command("revoke")
def revoke(name: NameArgument, catalogue: CatalogueOption, quiet: QuietOption = False) -> None:
    """Take a token away; it stops working at once."""
    with Catalogue.open(catalogue) as opened:
        rights.revoke_token(opened, name)
    remark(f"{name} has no token any more", quiet)
