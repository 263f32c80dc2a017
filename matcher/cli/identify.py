"""`platekin identify PHOTO...`: which known variation is each card?"""

from __future__ import annotations

import csv
import json
import sys
from collections.abc import Callable, Iterable
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer
from rich.markup import escape

from matcher.catalogue import Catalogue
from matcher.cli.options import CatalogueOption, QuietOption, WorkersOption
from matcher.cli.output import HarmlessConsole, harmless_json, messages, progress
from matcher.core.answer import CandidateResult, CardResult, PhotoAnswer
from matcher.core.answer_json import CAUTIONS, CSV_COLUMNS, csv_rows, to_json
from matcher.core.calibration import percent
from matcher.core.settings import Settings
from matcher.jobs.job import Job
from matcher.jobs.render.evidence import SaveEvidence
from matcher.jobs.workers import identify_all

Write = Callable[[PhotoAnswer], None]


class Format(StrEnum):
    table = "table"
    json = "json"
    csv = "csv"


def identify(
    photos: Annotated[list[Path], typer.Argument(help="Photos or scans of cards.", metavar="PHOTO...")],
    catalogue: CatalogueOption,
    format: Annotated[
        Format, typer.Option(help="table for people; json: one object a line; csv: one row a card.")
    ] = Format.table,
    picture: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Write one evidence picture a card into this folder.")
    ] = None,
    top: Annotated[int, typer.Option(min=1, max=50, help="Candidates to show for each card.")] = 5,
    workers: WorkersOption = None,
    quiet: QuietOption = False,
) -> None:
    """Say which known variation each card in the photos is, how surely, and why."""
    with Catalogue.open(catalogue) as opened:
        if not opened.counts().references:
            todo = f"enrol a table first: platekin enrol RECORDS.csv --catalogue {catalogue}"
            raise typer.BadParameter(f"{catalogue} holds no references yet; {todo}", param_hint="--catalogue")
    steps = (SaveEvidence(picture),) if picture else ()
    jobs = [Job(str(photo), photo, steps=steps) for photo in photos]
    if picture:
        try:
            picture.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise typer.BadParameter(
                f"{picture}: {error.strerror}; name another folder", param_hint="--picture"
            ) from None
    write = _WRITERS[format]()
    failed = 0
    with progress(quiet) as bar:
        for result in bar.track(
            identify_all(jobs, catalogue, Settings(top=top), workers), total=len(jobs), description="identifying"
        ):
            fault = result.answer.error
            failed += fault is not None
            write(result.answer)
            if fault and (format is Format.table or not quiet):
                messages.print(fault.message, markup=False)
    if format is Format.table and not quiet:
        messages.print("\n" + CAUTIONS[0] + "\n" + CAUTIONS[3])
    if failed:
        raise typer.Exit(1)


def _json_writer() -> Write:
    def write(answer: PhotoAnswer) -> None:
        print(harmless_json(json.dumps(to_json(answer), ensure_ascii=False)), flush=True)

    return write


def _csv_writer() -> Write:
    writer = csv.DictWriter(sys.stdout, CSV_COLUMNS, restval="", lineterminator="\n")
    writer.writeheader()

    def write(answer: PhotoAnswer) -> None:
        writer.writerows(csv_rows(answer))
        sys.stdout.flush()

    return write


def _table_writer() -> Write:
    console = HarmlessConsole(highlight=False, soft_wrap=True)

    def write(answer: PhotoAnswer) -> None:
        for number, card in enumerate(answer.cards, start=1):
            which = f", card {number}" if len(answer.cards) > 1 else ""
            console.print(f"[bold]{escape(answer.photo)}{which}[/]   {_headline(card)}")
            for reason in card.reasons:
                console.print(f"    {reason}", markup=False)
            for line in _candidate_lines(card):
                console.print(f"    {line}", markup=False)
            console.print()

    return write


def _headline(card: CardResult) -> str:
    sure = card.confidence
    rungs = (
        ("record", card.record_id, sure.record), ("pose", card.pose, sure.pose), ("crop", card.crop, sure.crop),
        ("caption", card.caption, sure.caption),
    )  # fmt: skip
    told = [f"{rung} {escape(_cell(value, share))}" for rung, value, share in rungs if value or share is not None]
    return "   ".join([f"[bold]{card.outcome}[/]", *told])


def _candidate_lines(card: CardResult) -> Iterable[str]:
    if card.candidates:
        yield "closest records:"
    yield from map(_candidate_line, card.candidates)


def _candidate_line(candidate: CandidateResult) -> str:
    sure = candidate.confidence
    rungs = (("pose", sure.pose), ("crop", sure.crop), ("caption", sure.caption))
    told = ", ".join(f"{rung} {percent(share)}" for rung, share in rungs if share is not None)
    place = f"{candidate.pose} {candidate.crop} {candidate.caption}, {candidate.evidence.club or ''}".rstrip(", ")
    return f"  {candidate.record_id}   {place}   {told or 'could not be laid over it'}"


def _cell(value: str | None, probability: float | None) -> str:
    """'P0008 (99 %)'; a rung that was asked but not settled shows its probability alone."""
    sure = "" if probability is None else f"({percent(probability)})"
    return f"{value or '-'} {sure}".strip()


_WRITERS: dict[Format, Callable[[], Write]] = {
    Format.table: _table_writer,
    Format.json: _json_writer,
    Format.csv: _csv_writer,
}
