"""`platekin identify PHOTO...`: which known variation is each card?"""

from __future__ import annotations

import csv
import json
import sys
from collections.abc import Callable, Iterable
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console
from rich.markup import escape

from matcher.catalogue import Catalogue
from matcher.cli.options import CatalogueOption, QuietOption, WorkersOption
from matcher.cli.output import messages, progress
from matcher.core.answer_json import CAUTIONS, CSV_COLUMNS, csv_rows
from matcher.core.settings import Settings
from matcher.jobs.workers import Job, identify_all


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
    jobs = [Job(str(photo), photo, picture) for photo in photos]
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
            failed += result["error"] is not None
            write(result)
            if result["error"] and (format is Format.table or not quiet):
                messages.print(f"{result['error']['message']}", markup=False)
    if format is Format.table and not quiet:
        messages.print("\n" + CAUTIONS[0] + "\n" + CAUTIONS[3])
    if failed:
        raise typer.Exit(1)


def _json_writer() -> Callable[[dict[str, Any]], None]:
    def write(result: dict[str, Any]) -> None:
        print(json.dumps(result, ensure_ascii=False), flush=True)

    return write


def _csv_writer() -> Callable[[dict[str, Any]], None]:
    writer = csv.DictWriter(sys.stdout, CSV_COLUMNS, restval="", lineterminator="\n")
    writer.writeheader()

    def write(result: dict[str, Any]) -> None:
        writer.writerows(csv_rows(result))
        sys.stdout.flush()

    return write


def _table_writer() -> Callable[[dict[str, Any]], None]:
    console = Console(highlight=False, soft_wrap=True)

    def write(result: dict[str, Any]) -> None:
        for number, card in enumerate(result["cards"], start=1):
            which = f", card {number}" if len(result["cards"]) > 1 else ""
            console.print(f"[bold]{escape(result['photo'])}{which}[/]   {_headline(card)}")
            for reason in card["reasons"]:
                console.print(f"    {reason}", markup=False)
            for line in _candidate_lines(card):
                console.print(f"    {line}", markup=False)
            console.print()

    return write


def _headline(card: dict[str, Any]) -> str:
    sure = card["confidence"]
    rungs = [("record", card["record_id"]), *((rung, card[rung]) for rung in ("pose", "crop", "caption"))]
    told = [f"{rung} {escape(_cell(value, sure[rung]))}" for rung, value in rungs if value or sure[rung] is not None]
    return "   ".join([f"[bold]{card['outcome']}[/]", *told])


def _candidate_lines(card: dict[str, Any]) -> Iterable[str]:
    if card["candidates"]:
        yield "closest records:"
    for candidate in card["candidates"]:
        sure = candidate["confidence"]
        rungs = [f"{rung} {100 * sure[rung]:.0f} %" for rung in ("pose", "crop", "caption") if sure[rung] is not None]
        place = (
            f"{candidate['pose']} {candidate['crop']} {candidate['caption']}, {candidate['evidence']['club']}".rstrip(
                ", "
            )
        )
        yield f"  {candidate['record_id']}   {place}   {', '.join(rungs) or 'could not be laid over it'}"


def _cell(value: str | None, probability: float | None) -> str:
    """'P0008 (99 %)'; a rung that was asked but not settled shows its probability alone."""
    sure = "" if probability is None else f"({100 * probability:.0f} %)"
    return f"{value or '-'} {sure}".strip()


_WRITERS: dict[Format, Callable[[], Callable[[dict[str, Any]], None]]] = {
    Format.table: _table_writer,
    Format.json: _json_writer,
    Format.csv: _csv_writer,
}
