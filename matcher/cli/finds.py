"""`platekin finds ...`: cards that were taken for something new, proposed, shown, and decided by you."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console

from matcher.catalogue import Catalogue
from matcher.catalogue.finds import resolution
from matcher.catalogue.finds.resolution import FindRow, State, Wanted
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
    progress,
    tell,
)
from matcher.core.errors import PlatekinError
from matcher.core.settings import Settings
from matcher.jobs.workers import Job, identify_all

app = typer.Typer(no_args_is_help=True, help="Propose new variations, and accept, merge or reject them.")

FindArgument = Annotated[str, typer.Argument(metavar="FIND", help="The find's id, like F00001.")]


@app.command("propose")
def propose(
    photos: Annotated[list[Path], typer.Argument(metavar="PHOTO...", help="Photos or scans of cards.")],
    catalogue: CatalogueOption,
    source: Annotated[str, typer.Option(help="Where they were seen: an album, a sale.")] = "",
    seen_on: Annotated[str, typer.Option(metavar="DAY", help="When: 1987-05-23, 1987-05 or 1987.")] = "",
    workers: Annotated[int | None, typer.Option(min=1, help="Processes; as many as processors if not given.")] = None,
    quiet: QuietOption = False,
) -> None:
    """Identify photos, and propose every card that is a new crop, a new caption or a new pose."""
    resolution.check_day(seen_on)
    jobs = [Job(str(photo), photo) for photo in photos]
    failed = 0
    with Catalogue.open(catalogue) as opened, progress(quiet) as bar:
        answers = identify_all(jobs, catalogue, Settings(), workers)
        for job, answer in bar.track(zip(jobs, answers, strict=True), total=len(jobs), description="identifying"):
            failed += not _propose(opened, job, answer, source, seen_on, quiet)
    if failed:
        raise typer.Exit(1)


def _propose(opened: Catalogue, job: Job, answer: dict[str, Any], source: str, seen_on: str, quiet: bool) -> bool:
    """Propose one photo's new cards; False where that failed, which is told."""
    if answer["error"]:
        messages.print(answer["error"]["message"], markup=False)
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
        print(f"{row.find_id}  {_words(row)}  {job.name}")
    if not found and not quiet:
        outcomes = ", ".join(card["outcome"] for card in answer["cards"])
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
    if format == "json":
        for row in rows:
            print_json(asdict(row))
        return
    headings = ("find", "state", "outcome", "pose", "crop", "record", "photo", "source", "closest")
    print_table(headings, (_line(row) for row in rows))


def _line(row: FindRow) -> tuple[object, ...]:
    closest = row.evidence["candidates"][0]["record_id"] if row.evidence["candidates"] else ""
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
    console = Console(highlight=False, soft_wrap=True)
    console.print(f"{row.find_id}  {row.state}  {_words(row)}", markup=False)
    console.print(f"proposed   {row.proposed_at:%Y-%m-%d %H:%M} by {row.proposed_by} (the machine's suggestion)")
    console.print(f"photo      {row.name}\n           {path}", markup=False)
    for reason in row.evidence["reasons"]:
        console.print(f"because    {reason}", markup=False)
    for candidate in row.evidence["candidates"]:
        sure = candidate["confidence"]
        rungs = ", ".join(f"{k} {100 * v:.0f} %" for k, v in sure.items() if v is not None)
        console.print(
            f"compared   {candidate['record_id']} {candidate['crop']} {candidate['caption']}: {rungs}", markup=False
        )
    for entry in log:
        undone = "" if entry.standing else " (undone)"
        console.print(f"decision   {entry.number} by {entry.actor} {entry.by}: {entry.outcome}{undone}", markup=False)


@app.command("accept")
def accept(
    find: FindArgument,
    catalogue: CatalogueOption,
    caption: Annotated[str | None, typer.Option(help="The card's words as printed; '' where it has none.")] = None,
    subject: Annotated[str | None, typer.Option(help="Who is shown; needed for a new pose.")] = None,
    record: Annotated[str | None, typer.Option(help="Id of the new record; the next free one if not given.")] = None,
    pose: Annotated[str | None, typer.Option(help="Pose; as identified, or the next free id.")] = None,
    crop: Annotated[str | None, typer.Option(help="Crop; as identified, or the next free letter.")] = None,
    club: Annotated[str, typer.Option(help="The club as printed.")] = "",
    issuer: Annotated[str, typer.Option(help="Who issued the card.")] = "",
    year: Annotated[str, typer.Option(help="When it was issued, as far as known.")] = "",
    series: Annotated[str, typer.Option(help="The series it belongs to.")] = "",
    issuer_mark: Annotated[str, typer.Option(help="The issuer's mark as printed.")] = "",
    caption_place: Annotated[str, typer.Option(help="Where the words stand: below, in the picture, ...")] = "",
    copy: Annotated[str, typer.Option(help="Label of the physical card.")] = "",
    by: ByOption = None,
    note: NoteOption = "",
    quiet: QuietOption = False,
) -> None:
    """Accept a find: it becomes a new record, its photo the record's first reference."""
    wanted = Wanted(
        record_id=record, subject=subject, pose=pose, crop=crop, caption=caption, club=club, issuer=issuer, year=year,
        series=series, issuer_mark=issuer_mark, caption_place=caption_place, copy=copy,
    )  # fmt: skip
    with Catalogue.open(catalogue) as opened:
        decision = resolution.accept(opened, find, actor(by), wanted, note=note)
        print(resolution.find(opened, find).record_id)
    tell(decision, quiet)


@app.command("merge")
def merge(
    find: FindArgument,
    record: Annotated[str, typer.Argument(metavar="RECORD", help="The known record that it shows.")],
    catalogue: CatalogueOption,
    copy: Annotated[str, typer.Option(help="Label of the physical card.")] = "",
    by: ByOption = None,
    note: NoteOption = "",
    quiet: QuietOption = False,
) -> None:
    """Say that a find is a known record after all: its photo becomes a further reference of it."""
    with Catalogue.open(catalogue) as opened:
        tell(resolution.merge(opened, find, record, actor(by), copy, note=note), quiet)


@app.command("reject")
def reject(
    find: FindArgument,
    catalogue: CatalogueOption,
    by: ByOption = None,
    note: NoteOption = "",
    quiet: QuietOption = False,
) -> None:
    """Say that a find is none; it is not proposed again."""
    with Catalogue.open(catalogue) as opened:
        tell(resolution.reject(opened, find, actor(by), note=note), quiet)


def _words(row: FindRow) -> str:
    known = " ".join(part for part in (row.pose, row.crop) if part)
    return f"{row.outcome}{' of ' + known if known else ''}"
