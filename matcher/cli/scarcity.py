"""`platekin scarcity` and `gaps`: how many different copies have been seen, and what the catalogue lacks."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Annotated

import typer

from matcher.catalogue import Catalogue
from matcher.catalogue.records import scarcity as counting
from matcher.cli.options import CatalogueOption, FormatOption, QuietOption, SeriesOption
from matcher.cli.output import counted, print_rows, remark
from matcher.cli.records import must_be_there

HEADINGS = (
    "record", "subject", "pose", "crop", "caption", "club", "mark", "seen", "copies", "first seen", "last seen",
    "best contrast", "worst",
)  # fmt: skip
OF_YOURS = "These are the cards that you have seen; of how many exist it says nothing."


def scarcity(
    catalogue: CatalogueOption,
    series: SeriesOption = None,
    mark: Annotated[
        str | None, typer.Option(help="Only with this issuer's mark; none: known to bear none; '': not said.")
    ] = None,
    plot: Annotated[Path | None, typer.Option(metavar="FILE", help="Draw a chart too: .svg, .png or .pdf.")] = None,
    format: FormatOption = "table",
) -> None:
    """Count the different copies seen of each record, the scarcest first."""
    with Catalogue.open(catalogue) as opened:
        must_be_there(opened, series=series, mark=mark)
        rows = counting.scarcity(opened, series, mark)
    if plot:
        counting.plot(rows, plot)
    print_rows(format, rows, HEADINGS, _line)
    remark(OF_YOURS, format == "json")


def _line(row: counting.Scarcity) -> tuple[object, ...]:
    best, worst = (None if value is None else f"{100 * value:.0f} %" for value in (row.best, row.worst))
    record = row.record
    copies = str(row.at_least) if row.at_least == row.at_most else f"{row.at_least} to {row.at_most}"
    return (
        record.record_id, record.subject, record.pose, record.crop, record.caption, record.club, record.mark,
        row.seen, copies, row.first, row.last, best, worst,
    )  # fmt: skip


def gaps(
    catalogue: CatalogueOption,
    series: SeriesOption = None,
    limit: Annotated[int, typer.Option(min=1, help="At most so many of each kind; json has all.")] = 10,
    format: FormatOption = "table",
    quiet: QuietOption = False,
) -> None:
    """List what the catalogue lacks: poses with one crop, records without a legible reference or with one copy."""
    with Catalogue.open(catalogue) as opened:
        rows = counting.gaps(opened, series)
    if format == "json":
        print_rows(format, rows, (), lambda row: ())
        return
    kinds = Counter(row.kind for row in rows)
    shown = [row for kind in kinds for row in [one for one in rows if one.kind == kind][:limit]]
    print_rows(format, shown, ("gap", "record or pose", "detail"), lambda row: (row.kind, row.about, row.detail))
    if len(shown) < len(rows):
        told = ", ".join(f"{count} of '{kind}'" for kind, count in kinds.items())
        remark(f"{counted(len(rows), 'gap')} in all: {told}; for more: --limit", quiet)
