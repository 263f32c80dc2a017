"""`platekin formats ...`: which formats the cards of a catalogue have."""

from __future__ import annotations

from typing import Annotated

import typer

from matcher.catalogue import Catalogue
from matcher.catalogue.records.formats import FormatRow, list_formats, set_formats
from matcher.catalogue.records.indexing import outlined_anew
from matcher.cli.options import CatalogueOption, DecisionOptions, FormatOption, grouped
from matcher.cli.output import print_rows

app = typer.Typer(no_args_is_help=True, help="List the formats of cards; say which one records or a series have.")


@app.command("list")
def show(catalogue: CatalogueOption, format: FormatOption = "table") -> None:
    """List the formats that the catalogue's cards have, with the number of records, and the named ones."""
    with Catalogue.open(catalogue) as opened:
        rows = list_formats(opened)
    print_rows(format, rows, ("format", "width mm", "height mm", "records", "references"), _line)


def _line(row: FormatRow) -> tuple[object, ...]:
    return (row.format, f"{row.width_mm:g}", f"{row.height_mm:g}", row.records, row.references)


@app.command("set")
@grouped
def say(
    name: Annotated[
        str, typer.Argument(metavar="FORMAT", help="A name like cabinet, or the upright card's size in mm: 108x165.")
    ],
    decision: DecisionOptions,
    record: Annotated[
        list[str] | None, typer.Option("--record", metavar="RECORD", help="Of this record; may be repeated.")
    ] = None,
    series: Annotated[str, typer.Option(metavar="SERIES", help="Of all cards of this series.")] = "",
) -> None:
    """Say which format cards have; their pictures are outlined anew as such."""
    with decision.open() as opened:
        done = set_formats(opened, name, decision.actor, records=record or (), series=series, note=decision.note)
        outlined_anew(opened, done)
        decision.report(done)
