"""`platekin tokens ...`: who may use the HTTP service from elsewhere."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

import typer

from matcher.catalogue import Catalogue
from matcher.catalogue import tokens as rights
from matcher.cli.options import CatalogueOption, FormatOption, QuietOption
from matcher.cli.output import print_rows, remark

app = typer.Typer(no_args_is_help=True, help="Make, renew, list and revoke tokens for the HTTP service.")

KEEP = "keep it safe; send it as: Authorization: Bearer TOKEN"

NameArgument = Annotated[str, typer.Argument(metavar="NAME", help="Whose it is; the log will show this name.")]


DaysOption = Annotated[
    int | None, typer.Option(min=1, max=3650, help="How many days it holds; until it is revoked, if not given.")
]


@app.command("make")
def make(
    name: NameArgument,
    catalogue: CatalogueOption,
    scope: Annotated[
        rights.Scope, typer.Option(help="read: look and identify; decide: settle finds too; manage: everything.")
    ] = "read",
    days: DaysOption = None,
    quiet: QuietOption = False,
) -> None:
    """Make a token and print it once; it is not kept in clear."""
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
def list_tokens(catalogue: CatalogueOption, format: FormatOption = "table") -> None:
    """List who has a token, until when, and when it was last used (to within an hour)."""
    with Catalogue.open(catalogue) as opened:
        rows = rights.tokens(opened)
    print_rows(
        format,
        rows,
        ("name", "scope", "made", "ends", "last used"),
        lambda row: (row.name, row.scope, *map(_moment, (row.made_at, row.expires_at, row.used_at))),
        lambda row: {
            "name": row.name,
            "scope": row.scope,
            "made_at": row.made_at,
            "expires_at": row.expires_at,
            "used_at": row.used_at,
        },
    )


@app.command("revoke")
def revoke(name: NameArgument, catalogue: CatalogueOption, quiet: QuietOption = False) -> None:
    """Revoke a token; it stops working at once."""
    with Catalogue.open(catalogue) as opened:
        rights.revoke_token(opened, name)
    remark(f"the token of {name} is revoked", quiet)


def _moment(at: datetime | None) -> str:
    return "" if at is None else f"{at:%Y-%m-%d %H:%M}"
