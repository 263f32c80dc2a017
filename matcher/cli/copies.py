"""`platekin copies ...`: which cards have been seen, and which physical card each reference or sighting shows."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Annotated, Literal

import typer

from matcher.catalogue import Catalogue
from matcher.catalogue.finds import sightings
from matcher.catalogue.finds.proposals import check_day
from matcher.catalogue.log.decisions import DecisionRow
from matcher.cli.options import (
    CatalogueOption,
    DayOption,
    DecisionOptions,
    FormatOption,
    PhotosArgument,
    StripOption,
    grouped,
)
from matcher.cli.output import counted, messages, print_rows, remark
from matcher.cli.photos import bytes_of, jobs_of, kept_apart, pages_of
from matcher.core.answer import PhotoAnswer
from matcher.core.calibration import percent
from matcher.core.settings import Settings
from matcher.jobs.workers import identify_all

app = typer.Typer(no_args_is_help=True, help="Note cards as seen; confirm which physical card each one is.")

HEADINGS = ("sighting", "record", "seen on", "source", "noted by", "copy", "suggested reference")
KIND = "Which of the two it is."

Kind = Annotated[Literal["reference", "sighting"], typer.Argument(metavar="reference|sighting", help=KIND)]
Number = Annotated[int, typer.Argument(metavar="NUMBER", min=1, help="Its number in the lists.")]


@app.command("see")
@grouped
def see(
    photos: PhotosArgument,
    decision: DecisionOptions,
    source: Annotated[str, typer.Option(help="Where they were seen.")] = "",
    seen_on: DayOption = "",
    strip: StripOption = False,
) -> None:
    """Identify photos, and note each known card as seen."""
    check_day(seen_on)
    pages = pages_of(photos, decision.catalogue, decision.quiet)
    failed = 0
    with decision.open() as opened, tempfile.TemporaryDirectory() as scratch:
        jobs = kept_apart(jobs_of(pages), pages, Path(scratch), strip)
        results = identify_all(jobs, decision.catalogue, Settings())
        for page, result in zip(pages, results, strict=True):
            if result.answer.error:
                failed += 1
                messages.print(result.answer.error.message, markup=False)
                continue
            data = bytes_of(page, result.answer, Path(scratch), strip)
            noted = sightings.note_sightings(
                opened, result.answer, data, decision.actor, source=source, seen_on=seen_on, note=decision.note
            )
            if noted:
                decision.report(noted)
            else:
                remark(f"{page.name}: {nothing_noted(result.answer)}", decision.quiet)
    if failed:
        raise typer.Exit(1)


def nothing_noted(answer: PhotoAnswer) -> str:
    """Why no card of a photo became a sighting."""
    if any(card.is_known for card in answer.cards):
        return "its known cards were noted before"
    return f"no known card ({', '.join(card.outcome for card in answer.cards)})"


@app.command("list")
def list_sightings(
    catalogue: CatalogueOption,
    record: Annotated[str | None, typer.Option(help="Only of this record.")] = None,
    open_only: Annotated[bool, typer.Option("--open", help="Only those whose copy nobody has confirmed.")] = False,
    format: FormatOption = "table",
) -> None:
    """List sightings, with the copy that you confirmed or that is suggested."""
    with Catalogue.open(catalogue) as opened:
        rows = sightings.sightings(opened, record, open_only)
    print_rows(format, rows, HEADINGS, _line)


def _line(row: sightings.SightingRow) -> tuple[object, ...]:
    probability = row.suggested_probability
    suggested = "" if probability is None else f"{row.suggested_reference} ({percent(probability)})"
    return (row.id, row.record_id, row.seen_on, row.source, row.who, row.copy if row.confirmed else "", suggested)


@app.command("confirm")
@grouped
def confirm(
    decision: DecisionOptions,
    kind: Annotated[
        Literal["reference", "sighting"] | None, typer.Argument(metavar="[reference|sighting]", help=KIND)
    ] = (None),
    number: Annotated[int | None, typer.Argument(metavar="[NUMBER]", min=1, help="Its number in the lists.")] = None,
    copy: Annotated[str | None, typer.Option(help="The copy's label; the suggested copy if not given.")] = None,
    above: Annotated[
        float | None, typer.Option(min=0.5, max=1, help="Confirm all suggestions that are at least this sure.")
    ] = None,
    yes: Annotated[bool, typer.Option("--yes", help="With --above: do not ask.")] = False,
) -> None:
    """Confirm which physical card a reference or a sighting shows; many at once with --above."""
    if (above is None) == (number is None or kind is None):
        raise typer.BadParameter("name one, like 'sighting 12', or many with --above 0.95", param_hint="NUMBER")
    with decision.open() as opened:
        if above is not None:
            _confirm_all(opened, above, yes, decision)
            return
        assert kind is not None  # checked
        assert number is not None
        decision.report(sightings.join_copy(opened, kind, number, copy, decision.actor, note=decision.note))


def _confirm_all(opened: Catalogue, above: float, yes: bool, decision: DecisionOptions) -> None:
    """Show what would be confirmed, ask, and confirm it as one batch that can be undone as a whole."""
    rows = [r for r in sightings.sightings(opened, open_only=True) if (r.suggested_probability or 0.0) >= above]
    if not rows:
        remark(f"no suggestion is at least {percent(above)} sure", decision.quiet)
        return
    print_rows("table", rows, HEADINGS, _line)
    if not yes:
        typer.confirm(f"Confirm {counted(len(rows), 'suggestion')}?", abort=True, err=True)
    made: list[DecisionRow] = []
    for row in rows:
        batch = made[0].number if made else 0
        made.append(
            sightings.join_copy(opened, "sighting", row.id, None, decision.actor, note=decision.note, batch=batch)
        )
    decision.report(*made)
    remark("to take them all back: platekin decisions undo --batch", decision.quiet)


@app.command("unlink")
@grouped
def unlink(kind: Kind, number: Number, decision: DecisionOptions) -> None:
    """Take back which physical card a reference or a sighting shows."""
    with decision.open() as opened:
        decision.report(sightings.part_copy(opened, kind, number, decision.actor, note=decision.note))


@app.command("part", hidden=True)
@grouped
def part(kind: Kind, number: Number, decision: DecisionOptions) -> None:
    """Old name of `unlink`."""
    remark("'copies part' is now called 'copies unlink'", decision.quiet)
    with decision.open() as opened:
        decision.report(sightings.part_copy(opened, kind, number, decision.actor, note=decision.note))
