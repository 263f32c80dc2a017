"""`platekin tokens ...`: who may use the HTTP service from elsewhere."""

from __future__ import annotations

from typing import Annotated

import typer

from matcher.catalogue import Catalogue
from matcher.catalogue import tokens as rights
from matcher.cli.options import CatalogueOption, FormatOption, QuietOption
from matcher.cli.output import print_rows, remark

app = typer.Typer(no_args_is_help=True, help="Make, list and revoke tokens for the HTTP service.")

NameArgument = Annotated[str, typer.Argument(metavar="NAME", help="Whose it is; the log will show this name.")]


@app.command("make")
def make(
    name: NameArgument,
    catalogue: CatalogueOption,
    scope: Annotated[
        rights.Scope, typer.Option(help="read: look and identify; decide: settle finds too; manage: everything.")
    ] = "read",
    quiet: QuietOption = False,
) -> None:
    """Make a token and print it once; it is not kept in clear."""
    with Catalogue.open(catalogue) as opened:
        print(rights.make_token(opened, name, scope))
    remark("keep it safe; send it as: Authorization: Bearer TOKEN", quiet)


@app.command("list")
def list_tokens(catalogue: CatalogueOption, format: FormatOption = "table") -> None:
    """List who has a token."""
    with Catalogue.open(catalogue) as opened:
        rows = rights.tokens(opened)
    print_rows(
        format, rows, ("name", "scope", "made"), lambda row: (row.name, row.scope, f"{row.made_at:%Y-%m-%d %H:%M}"),
        lambda row: {"name": row.name, "scope": row.scope, "made_at": row.made_at},
    )  # fmt: skip


@app.command("revoke")
def revoke(name: NameArgument, catalogue: CatalogueOption, quiet: QuietOption = False) -> None:
    """Revoke a token; it stops working at once."""
    with Catalogue.open(catalogue) as opened:
        rights.revoke_token(opened, name)
    remark(f"the token of {name} is revoked", quiet)
