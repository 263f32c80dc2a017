"""`platekin scarcity` and `gaps`: how many different copies have been seen, and what the catalogue lacks."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from matcher.catalogue import Catalogue
from matcher.catalogue.records import scarcity as counting
from matcher.cli.options import CatalogueOption, FormatOption, SeriesOption
from matcher.cli.output import print_rows


def scarcity(
    catalogue: CatalogueOption,
    series: SeriesOption = None,
    plot: Annotated[Path | None, typer.Option(metavar="FILE", help="Draw it too: .svg, .png or .pdf.")] = None,
    format: FormatOption = "table",
) -> None:
    """How many different copies of each record have been seen, the scarcest first."""
    with Catalogue.open(catalogue) as opened:
        rows = counting.scarcity(opened, series)
    if plot:
        counting.plot(rows, plot)
    headings = ("record", "caption", "seen", "copies: at least", "at most", "first", "last", "best contrast", "worst")
    print_rows(format, rows, headings, _line)


def _line(row: counting.Scarcity) -> tuple[object, ...]:
    best, worst = (None if value is None else f"{100 * value:.0f} %" for value in (row.best, row.worst))
    record = row.record
    return (
        record.record_id, record.caption, row.seen, row.at_least, row.at_most, row.first, row.last, best, worst,
    )  # fmt: skip


def gaps(catalogue: CatalogueOption, series: SeriesOption = None, format: FormatOption = "table") -> None:
    """What the catalogue lacks: poses with one crop, records without a legible reference or with one copy."""
    with Catalogue.open(catalogue) as opened:
        rows = counting.gaps(opened, series)
    print_rows(format, rows, ("gap", "of", "detail"), lambda row: (row.kind, row.about, row.detail))
