"""`platekin copies ...`, `scarcity`, `gaps`: which cards have been seen, how many different ones, what is lacking."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Literal

import typer

from matcher.catalogue import Catalogue
from matcher.catalogue.finds import sightings as catalogue_copies
from matcher.catalogue.records import scarcity as counting
from matcher.cli.shared import (
    ByOption,
    CatalogueOption,
    FormatOption,
    NoteOption,
    QuietOption,
    actor,
    messages,
    print_json,
    print_table,
    tell,
)
from matcher.core.settings import Settings
from matcher.jobs.workers import Job, identify_all

app = typer.Typer(no_args_is_help=True, help="Sightings of cards, and the copies that you say they are.")

Kind = Annotated[
    Literal["reference", "sighting"], typer.Argument(metavar="reference|sighting", help="Which of the two it is.")
]
Number = Annotated[int, typer.Argument(metavar="NUMBER", min=1, help="Its number in the lists.")]
SeriesOption = Annotated[str | None, typer.Option(help="Only of this series.")]


@app.command("see")
def see(
    photos: Annotated[list[Path], typer.Argument(metavar="PHOTO...", help="Photos or scans of cards.")],
    catalogue: CatalogueOption,
    source: Annotated[str, typer.Option(help="Where they were seen.")] = "",
    seen_on: Annotated[str, typer.Option(metavar="DAY", help="When: 1987-05-23, 1987-05 or 1987.")] = "",
    by: ByOption = None,
    note: NoteOption = "",
    quiet: QuietOption = False,
) -> None:
    """Identify photos, and note each known card as seen."""
    failed = 0
    with Catalogue.open(catalogue) as opened:
        answers = identify_all([Job(str(photo), photo) for photo in photos], catalogue, Settings())
        for photo, answer in zip(photos, answers, strict=True):
            if answer["error"]:
                failed += 1
                messages.print(answer["error"]["message"], markup=False)
                continue
            decision = catalogue_copies.see(
                opened, answer, photo.read_bytes(), actor(by), source=source, seen_on=seen_on, note=note
            )
            if decision:
                tell(decision, quiet)
            elif not quiet:
                messages.print(f"{photo}: no known card that is not noted already", markup=False)
    if failed:
        raise typer.Exit(1)


@app.command("list")
def list_sightings(
    catalogue: CatalogueOption,
    record: Annotated[str | None, typer.Option(help="Only of this record.")] = None,
    open_only: Annotated[bool, typer.Option("--open", help="Only those whose copy nobody has confirmed.")] = False,
    format: FormatOption = "table",
) -> None:
    """List sightings, with the copy that you confirmed or the machine suggests."""
    with Catalogue.open(catalogue) as opened:
        rows = catalogue_copies.sightings(opened, record, open_only)
    if format == "json":
        for row in rows:
            print_json(asdict(row))
        return
    headings = ("sighting", "record", "seen on", "source", "who", "copy (confirmed)", "suggested: reference")
    print_table(headings, (_line(row) for row in rows))


def _line(row: catalogue_copies.SightingRow) -> tuple[object, ...]:
    sure = row.suggested_probability
    suggested = "" if sure is None else f"{row.suggested_reference} ({100 * sure:.0f} %)"
    return (row.id, row.record_id, row.seen_on, row.source, row.who, row.copy if row.confirmed else "", suggested)


@app.command("confirm")
def confirm(
    kind: Kind,
    number: Number,
    catalogue: CatalogueOption,
    copy: Annotated[str | None, typer.Option(help="The copy's label; the suggested copy if not given.")] = None,
    by: ByOption = None,
    note: NoteOption = "",
    quiet: QuietOption = False,
) -> None:
    """Say which physical card a reference or a sighting shows."""
    with Catalogue.open(catalogue) as opened:
        tell(catalogue_copies.join(opened, kind, number, copy, actor(by), note=note), quiet)


@app.command("part")
def part(
    kind: Kind, number: Number, catalogue: CatalogueOption, by: ByOption = None, note: NoteOption = "",
    quiet: QuietOption = False,
) -> None:  # fmt: skip
    """Take back which physical card a reference or a sighting shows."""
    with Catalogue.open(catalogue) as opened:
        tell(catalogue_copies.part(opened, kind, number, actor(by), note=note), quiet)


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
    if format == "json":
        for row in rows:
            print_json(asdict(row))
        return
    headings = ("record", "caption", "seen", "copies: at least", "at most", "first", "last", "best contrast", "worst")
    print_table(headings, (_scarce(row) for row in rows))


def _scarce(row: counting.Scarcity) -> tuple[object, ...]:
    best, worst = (None if value is None else f"{100 * value:.0f} %" for value in (row.best, row.worst))
    record = row.record
    return (
        record.record_id, record.caption, row.seen, row.at_least, row.at_most, row.first, row.last, best, worst,
    )  # fmt: skip


def gaps(catalogue: CatalogueOption, series: SeriesOption = None, format: FormatOption = "table") -> None:
    """What the catalogue lacks: poses with one crop, records without a legible reference or with one copy."""
    with Catalogue.open(catalogue) as opened:
        rows = counting.gaps(opened, series)
    if format == "json":
        for row in rows:
            print_json(asdict(row))
        return
    print_table(("gap", "of", "detail"), ((row.kind, row.about, row.detail) for row in rows))
