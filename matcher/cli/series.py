"""`platekin series ...`: what is known of a series."""

from __future__ import annotations

from typing import Annotated

import typer

from matcher.catalogue import Catalogue
from matcher.catalogue.records.series import SeriesRow, all_series, set_series
from matcher.cli.options import CatalogueOption, DecisionOptions, FormatOption, grouped
from matcher.cli.output import print_rows

app = typer.Typer(no_args_is_help=True, help="List and describe series.")


@app.command("list")
def list_series(catalogue: CatalogueOption, format: FormatOption = "table") -> None:
    """List the series that are described or that records name, with the number of their records."""
    with Catalogue.open(catalogue) as opened:
        rows = all_series(opened)
    print_rows(format, rows, ("series", "title", "issuer", "years", "size mm", "records", "note"), _line)


def _line(row: SeriesRow) -> tuple[object, ...]:
    size = f"{row.width_mm or '?'} x {row.height_mm or '?'}" if row.width_mm or row.height_mm else ""
    return (row.series, row.title, row.issuer, row.years, size, row.records, row.note)


@app.command("set")
@grouped
def describe(
    name: Annotated[str, typer.Argument(metavar="SERIES", help="Its id, as records name it.")],
    decision: DecisionOptions,
    title: Annotated[str | None, typer.Option(help="What the series is called.")] = None,
    issuer: Annotated[str | None, typer.Option(help="Who issued it.")] = None,
    years: Annotated[str | None, typer.Option(help="When: 1884-1889.")] = None,
    width_mm: Annotated[str | None, typer.Option(help="Nominal width of its cards.")] = None,
    height_mm: Annotated[str | None, typer.Option(help="Nominal height of its cards.")] = None,
    about: Annotated[str | None, typer.Option(metavar="TEXT", help="A remark on the series.")] = None,
) -> None:
    """Describe a series."""
    given = {
        "title": title, "issuer": issuer, "years": years, "width_mm": width_mm, "height_mm": height_mm, "note": about,
    }  # fmt: skip
    fields = {key: value for key, value in given.items() if value is not None}
    with decision.open() as opened:
        decision.report(set_series(opened, name, fields, decision.actor, note=decision.note))
