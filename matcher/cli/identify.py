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
from matcher.catalogue.tables.targets import writing_out
from matcher.cli.options import (
    CatalogueOption,
    CornersOption,
    PhotosArgument,
    QuietOption,
    WorkersOption,
)
from matcher.cli.output import HarmlessConsole, caution, harmless_json, messages, progress
from matcher.cli.photos import corners_of, jobs_of, pages_of
from matcher.core.answer import CandidateResult, CardResult, PhotoAnswer
from matcher.core.answer_json import CSV_COLUMNS, csv_rows, to_json
from matcher.core.calibration import percent
from matcher.core.ladder.mark import NO_MARK
from matcher.core.settings import Settings, Thresholds
from matcher.jobs.job import JobResult
from matcher.jobs.render.evidence import EvidenceLost, SaveEvidence
from matcher.jobs.workers import identify_all

Write = Callable[[PhotoAnswer], None]


class Format(StrEnum):
    table = "table"
    json = "json"
    csv = "csv"


def identify(
    photos: PhotosArgument,
    catalogue: CatalogueOption,
    format: Annotated[
        Format,
        typer.Option(help="table for people; json for programs, one object per photo; csv, one row per card."),
    ] = Format.table,
    picture: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Write an evidence picture of each card into this folder.")
    ] = None,
    top: Annotated[int, typer.Option(min=1, max=50, help="How many of the closest records to show.")] = 5,
    corners: CornersOption = None,
    workers: WorkersOption = None,
    quiet: QuietOption = False,
    verbose: Annotated[bool, typer.Option("--verbose", "-v", help="Show the measurements behind each answer.")] = False,
) -> None:
    """Identify each card in the photos: which known variation it is, how surely, and why."""
    must_hold_references(catalogue)
    pages = pages_of(photos, catalogue, quiet)
    if corners and len(pages) > 1:
        raise typer.BadParameter("they are of one card: name one photo", param_hint="--corners")
    steps = (SaveEvidence(picture),) if picture else ()
    jobs = jobs_of(pages, steps, corners_of(corners))
    if picture:
        with writing_out(picture):
            picture.mkdir(parents=True, exist_ok=True)
    write = (
        _json_writer() if format is Format.json else _csv_writer() if format is Format.csv else _table_writer(verbose)
    )
    failed = read = 0
    with progress(quiet) as bar:
        results = identify_all(jobs, catalogue, Settings(top=top), workers)
        for result in bar.track(results, total=len(jobs), description="identifying"):
            write(result.answer)
            read += not result.answer.error
            failed += tell_failure(result, quiet and format is not Format.table)
    if format is Format.table:
        caution(quiet or not read)
    if failed:
        raise typer.Exit(1)


def must_hold_references(catalogue: Path) -> None:
    """Refuse a catalogue with which nothing can be compared."""
    with Catalogue.open(catalogue) as opened:
        if not opened.counts().references:
            todo = f"enrol a table first: platekin enrol RECORDS.csv --catalogue {catalogue}"
            raise typer.BadParameter(f"{catalogue} holds no references yet; {todo}", param_hint="--catalogue")


WHERE_IT_LIES = " (show all its edges on a ground that differs from it, or say where it lies: --corners)"


def tell_failure(result: JobResult, quiet: bool) -> bool:
    """Say on stderr what went wrong with a photo, or with its picture; whether something did."""
    fault, lost = result.answer.error, result.extra(EvidenceLost)
    if fault and not quiet:
        messages.print(f"{fault.message}{WHERE_IT_LIES if fault.code == 'no_card' else ''}", markup=False)
    if lost:
        messages.print(lost.message, markup=False)
    return bool(fault or lost)


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


def _table_writer(verbose: bool) -> Write:
    console = HarmlessConsole(highlight=False, soft_wrap=True)

    def write(answer: PhotoAnswer) -> None:
        for number, card in enumerate(answer.cards, start=1):
            which = f", card {number} ({place_of(answer, card)})" if len(answer.cards) > 1 else ""
            console.print(f"[bold]{escape(answer.photo)}{escape(which)}[/]   {_headline(card)}")
            for reason in card.reasons:
                console.print(f"    {reason}", markup=False)
            for line in _candidate_lines(card, verbose):
                console.print(f"    {line}", markup=False)
            console.print()

    return write


def place_of(answer: PhotoAnswer, card: CardResult) -> str:
    """Where a card lies in its photo, in words: 'upper left', 'right', 'middle'."""
    across = sum(x for x, _ in card.quad) / 4 / (answer.width or 1)
    down = sum(y for _, y in card.quad) / 4 / (answer.height or 1)
    words = [
        "upper" if down < 0.4 else "lower" if down > 0.6 else "",
        "left" if across < 0.4 else "right" if across > 0.6 else "",
    ]
    return " ".join(filter(None, words)) or "middle"


def _headline(card: CardResult) -> str:
    """Sitter, club, crop, record, each with what is established and how surely."""
    sure, closest = card.confidence, card.closest
    same_pose = closest is not None and card.pose == closest.pose
    sitter = closest.evidence.subject if closest and same_pose else None
    club = closest.evidence.club if closest and card.record_id == closest.record_id else None
    mark = closest.evidence.mark if closest and card.record_id == closest.record_id and sure.mark is not None else None
    rungs = (
        ("record", card.record_id, sure.record), ("pose", card.pose, sure.pose), ("crop", card.crop, sure.crop),
        ("caption", card.caption, sure.caption), ("mark", mark, sure.mark),
    )  # fmt: skip
    nearest = _names(closest) if closest else {}
    told = [
        f"{rung} {escape(_cell(value, share, nearest.get(rung)))}"
        for rung, value, share in rungs
        if value or share is not None
    ]
    who = [escape(", ".join(filter(None, (sitter, club))))] if sitter else []
    return "   ".join([f"[bold]{card.outcome}[/]", *who, *told])


def _candidate_lines(card: CardResult, verbose: bool) -> Iterable[str]:
    if card.candidates:
        yield "closest records:"
    for candidate in card.candidates:
        yield candidate_line(candidate)
        if verbose:
            yield f"    measured: {_measured(candidate)}"


LEAST_TOLD = 0.005
"""Up to here `percent` tells no more than 'under 1 %'."""


def candidate_line(candidate: CandidateResult) -> str:
    """A candidate in one line: what its record is, and how sure each rung is."""
    told = ", ".join(_rungs(candidate))
    place = f"{candidate.pose} {candidate.crop} {candidate.caption}, {candidate.evidence.club or ''}".rstrip(", ")
    mark = _mark(candidate.evidence.mark)
    return f"  {candidate.record_id}   {place}{mark}   {told or 'not compared'}"


def _rungs(candidate: CandidateResult) -> Iterable[str]:
    """What is above an improbable pose holds only if that is right, and is not told."""
    sure = candidate.confidence
    if sure.pose is None or not candidate.is_compared:
        return
    if sure.pose > 1 - Thresholds().pose:
        rungs = (("pose", sure.pose), ("crop", sure.crop), ("caption", sure.caption), ("mark", sure.mark))
        yield from (f"{rung} {percent(share)}" for rung, share in rungs if share is not None)
        return
    if candidate.fits_alone:
        yield "by itself it fits as well: much alike, or the same negative enrolled twice"
    if not candidate.fits_alone or sure.pose > LEAST_TOLD:
        yield f"pose {percent(sure.pose)}"


def _mark(mark: str | None) -> str:
    """Two records may differ in nothing else."""
    if not mark:
        return ""
    return ", no mark" if mark == NO_MARK else f", mark {mark}"


MEASURES = {
    "inliers": "matching points", "correlation": "correlation of the pictures", "agreement": "agreement",
    "expected_agreement": "agreement expected of one negative", "judged": "share of the face judged",
    "caption_agreement": "agreement of the words' ink", "caption_worst_letter": "worst letter falls short by",
}  # fmt: skip
"""Names of the numbers that --verbose shows; 1 is everything, except for points and the letter."""


def _measured(candidate: CandidateResult) -> str:
    evidence = candidate.evidence
    told = [f"{words} {value:zg}" for name, words in MEASURES.items() if (value := getattr(evidence, name)) is not None]
    shift = candidate.crop_shift_mm
    if shift:
        told.append(f"picture shifted {shift.dx:+z.1f} mm across, {shift.dy:+z.1f} mm down (± {shift.sigma_mm:.1f} mm)")
    return ", ".join(told) or "nothing"


def _names(closest: CandidateResult) -> dict[str, str | None]:
    """What the closest candidate has on each rung."""
    printed = ", ".join(filter(None, [closest.caption, closest.evidence.club]))  # of both one or the other may differ
    words, mark = f"'{printed}'" if printed else "without words", closest.evidence.mark
    told = {"record": closest.record_id, "pose": closest.pose, "crop": closest.crop, "caption": words}
    return {**told, "mark": f"'{mark}'" if mark and mark != NO_MARK else None}


def _cell(value: str | None, probability: float | None, nearest: str | None = None) -> str:
    """'P0008 (99 %)'; of a rung that was asked but not settled the nearest: 'not P0008 (1 %)', 'P0008? (40 %)'."""
    sure = "" if probability is None else f"({percent(probability)})"
    if value is None and probability is not None and nearest:
        value = f"not {nearest}" if probability <= 1 - Thresholds().pose else f"{nearest}?"
    return f"{value or '-'} {sure}".strip()
