"""`platekin copies ...`: which cards have been seen, and which physical card each reference or sighting shows."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from matcher.catalogue import Catalogue
from matcher.catalogue.finds import sightings
from matcher.cli.options import CatalogueOption, DayOption, DecisionOptions, FormatOption, StripOption, grouped
from matcher.cli.output import messages, print_rows, remark
from matcher.core.calibration import percent
from matcher.core.errors import UnreadablePhoto
from matcher.core.settings import Settings
from matcher.core.strip import stripped
from matcher.jobs.job import Job
from matcher.jobs.workers import identify_all

app = typer.Typer(no_args_is_help=True, help="Sightings of cards, and the copies that you say they are.")

Kind = Annotated[
    Literal["reference", "sighting"], typer.Argument(metavar="reference|sighting", help="Which of the two it is.")
]
Number = Annotated[int, typer.Argument(metavar="NUMBER", min=1, help="Its number in the lists.")]


@app.command("see")
@grouped
def see(
    photos: Annotated[list[Path], typer.Argument(metavar="PHOTO...", help="Photos or scans of cards.")],
    decision: DecisionOptions,
    source: Annotated[str, typer.Option(help="Where they were seen.")] = "",
    seen_on: DayOption = "",
    strip: StripOption = False,
) -> None:
    """Identify photos, and note each known card as seen."""
    failed = 0
    with decision.open() as opened:
        jobs = [Job(str(photo), _bare(photo) if strip else photo) for photo in photos]
        results = identify_all(jobs, decision.catalogue, Settings())
        for photo, job, result in zip(photos, jobs, results, strict=True):
            if result.answer.error:
                failed += 1
                messages.print(result.answer.error.message, markup=False)
                continue
            noted = sightings.note_sightings(
                opened,
                result.answer,
                job.source if isinstance(job.source, bytes) else photo.read_bytes(),
                decision.actor,
                source=source,
                seen_on=seen_on,
                note=decision.note,
            )
            if noted:
                decision.report(noted)
            else:
                remark(f"{photo}: no known card that is not noted already", decision.quiet)
    if failed:
        raise typer.Exit(1)


def _bare(photo: Path) -> bytes | Path:
    """The photo without what its file says of itself; what is no photo stays, so that it is told what is wrong."""
    try:
        return stripped(photo.read_bytes(), name=str(photo))
    except (OSError, UnreadablePhoto):
        return photo


@app.command("list")
def list_sightings(
    catalogue: CatalogueOption,
    record: Annotated[str | None, typer.Option(help="Only of this record.")] = None,
    open_only: Annotated[bool, typer.Option("--open", help="Only those whose copy nobody has confirmed.")] = False,
    format: FormatOption = "table",
) -> None:
    """List sightings, with the copy that you confirmed or the machine suggests."""
    with Catalogue.open(catalogue) as opened:
        rows = sightings.sightings(opened, record, open_only)
    headings = ("sighting", "record", "seen on", "source", "who", "copy (confirmed)", "suggested: reference")
    print_rows(format, rows, headings, _line)


def _line(row: sightings.SightingRow) -> tuple[object, ...]:
    probability = row.suggested_probability
    suggested = "" if probability is None else f"{row.suggested_reference} ({percent(probability)})"
    return (row.id, row.record_id, row.seen_on, row.source, row.who, row.copy if row.confirmed else "", suggested)


@app.command("confirm")
@grouped
def confirm(
    kind: Kind,
    number: Number,
    decision: DecisionOptions,
    copy: Annotated[str | None, typer.Option(help="The copy's label; the suggested copy if not given.")] = None,
) -> None:
    """Say which physical card a reference or a sighting shows."""
    with decision.open() as opened:
        decision.report(sightings.join_copy(opened, kind, number, copy, decision.actor, note=decision.note))


@app.command("part")
@grouped
def part(kind: Kind, number: Number, decision: DecisionOptions) -> None:
    """Take back which physical card a reference or a sighting shows."""
    with decision.open() as opened:
        decision.report(sightings.part_copy(opened, kind, number, decision.actor, note=decision.note))
