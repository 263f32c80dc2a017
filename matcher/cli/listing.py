"""`platekin listing`: does the picture show what the listing says?"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping, Sequence
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.text import Text

from matcher.catalogue import Catalogue
from matcher.catalogue.finds import sightings
from matcher.cli.options import ByOption, CatalogueOption, QuietOption, WorkersOption, actor, report
from matcher.cli.output import HarmlessConsole, harmless, messages, print_json, progress
from matcher.core.answer import PhotoAnswer
from matcher.core.answer_json import CAUTIONS
from matcher.core.errors import BadListing
from matcher.core.settings import Settings
from matcher.jobs.job import Job
from matcher.jobs.listing.assess import Assessor
from matcher.jobs.listing.batch import MOST_PHOTOS, read_rows, read_text, too_large, weigh_all
from matcher.jobs.listing.inspection import InspectCards, ListingPhoto
from matcher.jobs.listing.text import MOST_BYTES, words_of
from matcher.jobs.render.evidence import SaveEvidence
from matcher.jobs.workers import identify_all


class Format(StrEnum):
    people = "people"
    json = "json"


def listing(
    photos: Annotated[list[Path] | None, typer.Argument(help="The listing's pictures.", metavar="[PHOTO]...")] = None,
    *,
    catalogue: CatalogueOption,
    text: Annotated[
        str | None,
        typer.Option("--text", metavar="FILE|-", help="Title and description, UTF-8; - reads them from stdin."),
    ] = None,
    table: Annotated[
        Path | None,
        typer.Option(
            metavar="CSV", help="Many listings: columns listing, text or text_file, photos (a;b or a folder)."
        ),
    ] = None,
    output: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="With --table: results, one a line; goes on where it was stopped."),
    ] = None,
    format: Annotated[Format, typer.Option(help="people: for reading; json: one object a listing.")] = Format.people,
    picture: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Write one evidence picture a card into this folder.")
    ] = None,
    note_sightings: Annotated[
        bool, typer.Option("--note-sightings", help="Note each known card on the pictures as seen.")
    ] = False,
    source: Annotated[str, typer.Option(help="With --note-sightings: where they were seen.")] = "",
    seen_on: Annotated[
        str, typer.Option(metavar="DAY", help="With --note-sightings: 1987-05-23, 1987-05 or 1987.")
    ] = "",
    by: ByOption = None,
    workers: WorkersOption = None,
    quiet: QuietOption = False,
) -> None:
    """Compare what a sale listing says with what its pictures show, claim by claim."""
    _check_call(photos, text, table, output, note_sightings)
    write = _json if format is Format.json else _people
    if table is not None and output is not None:
        _many(table, catalogue, output, workers, quiet, write)
        return
    assert text is not None  # checked
    assert photos
    words = _given(text)
    words_of(words)
    with Catalogue.open(catalogue) as opened:
        assessor = Assessor.of(opened)
    steps = (SaveEvidence(picture), InspectCards()) if picture else (InspectCards(),)
    jobs = [Job(str(photo), photo, steps=steps) for photo in photos]
    if picture:
        picture.mkdir(parents=True, exist_ok=True)
    with progress(quiet) as bar:
        found = bar.track(identify_all(jobs, catalogue, Settings(), workers), total=len(jobs), description="looking")
        pictures = list(map(ListingPhoto.of, found))
    answers = [shown.answer for shown in pictures]
    result = assessor.assess("the text" if text == "-" else text, words, pictures)
    write(result)
    if note_sightings:
        _note(catalogue, answers, photos, result, source, seen_on, by, quiet)
    if any(answer.error for answer in answers):
        raise typer.Exit(1)


def _check_call(
    photos: Sequence[Path] | None, text: str | None, table: Path | None, output: Path | None, noting: bool
) -> None:
    if (text is None) == (table is None):
        raise typer.BadParameter("give one listing with --text, or many with --table", param_hint="--text")
    if table is not None and (output is None or photos or noting):
        raise typer.BadParameter("with --table give --output, and no PHOTO nor --note-sightings", param_hint="--table")
    if table is None and not photos:
        raise BadListing("no_photo", "no picture is given", "name at least one PHOTO of the listing")
    if photos and len(photos) > MOST_PHOTOS:
        raise BadListing(
            "too_many_photos", f"{len(photos)} pictures; a listing may have {MOST_PHOTOS}", "leave some out"
        )


def _given(text: str) -> str:
    if text != "-":
        return read_text(Path(text))
    data = sys.stdin.buffer.read(MOST_BYTES + 1)
    if len(data) > MOST_BYTES:
        raise too_large("the text")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise BadListing("not_utf8", "the text is not UTF-8", "send it as plain text in UTF-8") from None


def _many(table: Path, catalogue: Path, output: Path, workers: int | None, quiet: bool, write: Any) -> None:
    failed, counts = 0, dict[str, int]()
    total = len(read_rows(table))
    with progress(quiet) as bar:
        results = weigh_all(table, catalogue, output, Settings(), workers)
        for result in bar.track(results, total=total, description="weighing"):
            step = "error" if result["error"] else result["verdict"]["step"]
            counts[step] = counts.get(step, 0) + 1
            failed += bool(result["error"]) or any(photo["error"] for photo in result["photos"])
            if write is _json:
                write(result)
            else:
                print(harmless(_short(result)), flush=True)
    if not quiet:
        steps = ", ".join(f"{count} {step}" for step, count in sorted(counts.items()))
        messages.print(f"{steps}; all of it is in {output}", markup=False)
        messages.print("\n" + CAUTIONS[0] + "\n" + CAUTIONS[3], markup=False)
    if failed:
        raise typer.Exit(1)


def _short(result: Mapping[str, Any]) -> str:
    """One listing on one line."""
    if result["error"]:
        return f"{result['listing']}   error   {result['error']['message']}"
    return f"{result['listing']}   {result['verdict']['step']}   {result['verdict']['words']}"


def _note(
    catalogue: Path, answers: Sequence[PhotoAnswer], photos: Sequence[Path], result: Mapping[str, Any],
    source: str, seen_on: str, by: str | None, quiet: bool,
) -> None:  # fmt: skip
    note = f"listing {result['listing']}: {result['verdict']['step']}"
    with Catalogue.open(catalogue) as opened:
        for photo, answer in zip(photos, answers, strict=True):
            if answer.error:
                continue
            decision = sightings.note_sightings(
                opened, answer, photo.read_bytes(), actor(by), source=source, seen_on=seen_on, note=note
            )
            if decision:
                report(decision, quiet)
            elif not quiet:
                messages.print(f"{photo}: no known card that is not noted already", markup=False)


def _json(result: Mapping[str, Any]) -> None:
    print_json(result)


def _people(result: Mapping[str, Any]) -> None:
    console = HarmlessConsole(highlight=False, soft_wrap=True)
    verdict = result["verdict"]
    console.print(Text.assemble((verdict["step"].upper(), "bold"), f"   {verdict['words']}"))
    for claim in result["claims"]:
        console.print(Text.assemble("\n", (f"{claim['kind']}: {_claimed(claim)}", "bold"), f"   {_status(claim)}"))
        console.print(Text(f"    said: {_on_one_line(claim['words'])!r}"))
        console.print(Text(f"    {claim['reason']}"))
    for heading, lines in _sections(result):
        console.print(Text(f"\n{heading}", "bold"))
        for line in lines:
            console.print(Text(f"    {line}"))


def _claimed(claim: Mapping[str, Any]) -> str:
    denied = "not " if claim["denied"] else ""
    reserve = " (with reserve)" if claim["with_reserve"] else ""
    return denied + " or ".join([claim["value"], *claim["may_also_mean"]]) + reserve


def _status(claim: Mapping[str, Any]) -> str:
    return claim["status"] if claim["confidence"] is None else f"{claim['status']} ({claim['confidence']:.2f})"


def _sections(result: Mapping[str, Any]) -> Iterator[tuple[str, list[str]]]:
    unread = [f"{_on_one_line(one['words'])!r}" + (f": {one['why']}" if one["why"] else "") for one in result["unread"]]
    for heading, lines in (
        ("worth knowing", result["notes"]),
        ("not read", unread),
        ("worth asking", result["questions"]),
        ("please note", [CAUTIONS[0], CAUTIONS[2], CAUTIONS[3]]),
    ):
        if lines:
            yield heading, lines


def _on_one_line(words: str) -> str:
    return " ".join("".join(c if c.isprintable() else " " for c in words).split())
