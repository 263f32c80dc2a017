"""`platekin finds ...`: cards that were taken for something new, proposed, shown, and decided by you."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from matcher.catalogue import Catalogue
from matcher.catalogue.finds import resolution
from matcher.catalogue.finds.resolution import FindRow, State
from matcher.cli.options import (
    CatalogueOption,
    DayOption,
    DecisionOptions,
    FormatOption,
    QuietOption,
    RecordOptions,
    WorkersOption,
    grouped,
)
from matcher.cli.output import HarmlessConsole, harmless, messages, print_json, print_rows, progress
from matcher.core.answer import PhotoAnswer
from matcher.core.calibration import percent
from matcher.core.errors import PlatekinError
from matcher.core.settings import Settings
from matcher.jobs.job import Job
from matcher.jobs.workers import identify_all

app = typer.Typer(no_args_is_help=True, help="Propose new variations, and accept, merge or reject them.")

FindArgument = Annotated[str, typer.Argument(metavar="FIND", help="The find's id, like F00001.")]


@app.command("propose")
def propose(
    photos: Annotated[list[Path], typer.Argument(metavar="PHOTO...", help="Photos or scans of cards.")],
    catalogue: CatalogueOption,
    source: Annotated[str, typer.Option(help="Where they were seen: an album, a sale.")] = "",
    seen_on: DayOption = "",
    workers: WorkersOption = None,
    quiet: QuietOption = False,
) -> None:
    """Identify photos, and propose every card that is a new crop, a new caption or a new pose."""
    resolution.check_day(seen_on)
    jobs = [Job(str(photo), photo) for photo in photos]
    failed = 0
    with Catalogue.open(catalogue) as opened, progress(quiet) as bar:
        results = identify_all(jobs, catalogue, Settings(), workers)
        for job, result in bar.track(zip(jobs, results, strict=True), total=len(jobs), description="identifying"):
            failed += not _propose(opened, job, result.answer, source, seen_on, quiet)
    if failed:
        raise typer.Exit(1)


def _propose(opened: Catalogue, job: Job, answer: PhotoAnswer, source: str, seen_on: str, quiet: bool) -> bool:
    """Propose one photo's new cards; False where that failed, which is said on stderr."""
    if answer.error:
        messages.print(answer.error.message, markup=False)
        return False
    assert isinstance(job.source, Path)
    try:
        data = job.source.read_bytes()
    except OSError as error:
        messages.print(f"{job.name}: {error.strerror}", markup=False)
        return False
    try:
        found = resolution.propose(opened, answer, data, source=source, seen_on=seen_on)
    except PlatekinError as error:
        if error.code in ("locked", "disk_full", "read_only"):
            raise
        messages.print(str(error), markup=False)
        return False
    for row in found:
        print(harmless(f"{row.find_id}  {_words(row)}  {job.name}"))
    if not found and not quiet:
        outcomes = ", ".join(card.outcome for card in answer.cards)
        messages.print(f"{job.name}: nothing to propose ({outcomes})", markup=False)
    return True


@app.command("list")
def list_finds(
    catalogue: CatalogueOption,
    state: Annotated[State | None, typer.Option(help="Only finds in this state.")] = "open",
    all_states: Annotated[bool, typer.Option("--all", help="In whatever state.")] = False,
    format: FormatOption = "table",
) -> None:
    """List finds; without options, those that wait for you."""
    with Catalogue.open(catalogue) as opened:
        rows = resolution.finds(opened, None if all_states else state)
    headings = ("find", "state", "outcome", "pose", "crop", "record", "photo", "source", "closest")
    print_rows(format, rows, headings, _line)


def _line(row: FindRow) -> tuple[object, ...]:
    candidates = row.found.candidates
    closest = candidates[0].record_id if candidates else ""
    return (
        row.find_id, row.state, row.outcome, row.pose, row.crop, row.record_id, row.name, row.source, closest,
    )  # fmt: skip


@app.command("show")
def show(find: FindArgument, catalogue: CatalogueOption, format: FormatOption = "table") -> None:
    """Show one find with its evidence and what was decided on it."""
    with Catalogue.open(catalogue) as opened:
        row = resolution.find(opened, find)
        log = opened.decisions(about=find)
        path = opened.image_path(row)
    if format == "json":
        print_json(asdict(row))
        return
    console = HarmlessConsole(highlight=False, soft_wrap=True)
    console.print(f"{row.find_id}  {row.state}  {_words(row)}", markup=False)
    console.print(f"proposed   {row.proposed_at:%Y-%m-%d %H:%M} by {row.proposed_by} (the machine's suggestion)")
    console.print(f"photo      {row.name}\n           {path}", markup=False)
    for reason in row.found.reasons:
        console.print(f"because    {reason}", markup=False)
    for candidate in row.found.candidates:
        sure = asdict(candidate.confidence)
        rungs = ", ".join(f"{k} {percent(v)}" for k, v in sure.items() if v is not None)
        console.print(f"compared   {candidate.record_id} {candidate.crop} {candidate.caption}: {rungs}", markup=False)
    for entry in log:
        undone = "" if entry.standing else " (undone)"
        console.print(
            f"decision   {entry.number} by {entry.actor} {entry.told_by}: {entry.outcome}{undone}", markup=False
        )


@app.command("accept")
@grouped
def accept(
    find: FindArgument,
    decision: DecisionOptions,
    fields: RecordOptions,
    copy: Annotated[str, typer.Option(help="Label of the physical card.")] = "",
) -> None:
    """Accept a find: it becomes a new record, its photo the record's first reference."""
    with decision.open() as opened:
        made = resolution.accept(opened, find, decision.actor, fields.said(copy), note=decision.note)
        print(resolution.find(opened, find).record_id)
    decision.report(made)


@app.command("merge")
@grouped
def merge(
    find: FindArgument,
    record: Annotated[str, typer.Argument(metavar="RECORD", help="The known record that it shows.")],
    decision: DecisionOptions,
    copy: Annotated[str, typer.Option(help="Label of the physical card.")] = "",
) -> None:
    """Say that a find is a known record after all: its photo becomes a further reference of it."""
    with decision.open() as opened:
        decision.report(resolution.merge(opened, find, record, decision.actor, copy, note=decision.note))


@app.command("reject")
@grouped
def reject(find: FindArgument, decision: DecisionOptions) -> None:
    """Say that a find is none; it is not proposed again."""
    with decision.open() as opened:
        decision.report(resolution.reject(opened, find, decision.actor, note=decision.note))


def _words(row: FindRow) -> str:
    known = " ".join(part for part in (row.pose, row.crop) if part)
    return f"{row.outcome}{' of ' + known if known else ''}"
