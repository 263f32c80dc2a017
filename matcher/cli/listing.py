"""`platekin listing`: does the picture show what the listing says?"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from enum import StrEnum
from functools import partial
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.text import Text

from matcher.catalogue import Catalogue
from matcher.catalogue.finds import sightings
from matcher.catalogue.tables.targets import writing_out
from matcher.cli.copies import nothing_noted
from matcher.cli.identify import tell_failure
from matcher.cli.options import ByOption, CatalogueOption, QuietOption, WorkersOption, actor, report
from matcher.cli.output import HarmlessConsole, caution, harmless, print_json, progress, remark
from matcher.cli.photos import bytes_of, jobs_of, kept_apart, pages_of
from matcher.core.answer import PhotoAnswer
from matcher.core.answer_json import CAUTIONS
from matcher.core.calibration import percent
from matcher.core.errors import BadListing
from matcher.core.settings import Settings
from matcher.jobs.listing.assess import Assessor
from matcher.jobs.listing.batch import MOST_PHOTOS, read_rows, read_text, text_of, too_large, weigh_all
from matcher.jobs.listing.inspection import InspectCards, ListingPhoto
from matcher.jobs.listing.text import MOST_BYTES, words_of
from matcher.jobs.render.evidence import SaveEvidence
from matcher.jobs.workers import identify_all

WORDS = {"in accord": "matches", "at odds": "conflicts", "open": "can't tell"}
"""The steps of a verdict, as people read them."""


class Format(StrEnum):
    text = "text"
    json = "json"


def listing(
    photos: Annotated[
        list[Path] | None,
        typer.Argument(help="The listing's pictures, or a folder of them.", metavar="[PHOTO...]"),
    ] = None,
    *,
    catalogue: CatalogueOption,
    text: Annotated[
        str | None,
        typer.Option("--text", metavar="FILE|-", help="A text file of its title and description; - reads stdin."),
    ] = None,
    table: Annotated[
        Path | None,
        typer.Option(
            metavar="TABLE",
            help="Many listings (CSV, XLSX, ODS): columns listing, text or text_file, photos (a;b or a folder).",
        ),
    ] = None,
    output: Annotated[
        Path | None,
        typer.Option(metavar="FILE.jsonl", help="With --table: the results, one per line; resumes what was stopped."),
    ] = None,
    format: Annotated[
        Format, typer.Option(help="text for people; json for programs, one object per listing.")
    ] = Format.text,
    picture: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Write an evidence picture of each card into this folder.")
    ] = None,
    note_sightings: Annotated[
        bool, typer.Option("--note-sightings", help="Note each known card on the pictures as seen.")
    ] = False,
    source: Annotated[str, typer.Option(help="With --note-sightings: where they were seen.")] = "",
    seen_on: Annotated[
        str, typer.Option(metavar="DAY", help="With --note-sightings: 1987-05-23, 1987-05 or 1987.")
    ] = "",
    strip: Annotated[
        bool,
        typer.Option(
            "--strip",
            help="With --note-sightings: keep the pictures without what their files say of place, device and owner.",
        ),
    ] = False,
    by: ByOption = None,
    workers: WorkersOption = None,
    quiet: QuietOption = False,
) -> None:
    """Compare what a sale listing says with what its pictures show, claim by claim."""
    _check_call(photos, text, table, output, note_sightings, strip)
    write = _json if format is Format.json else partial(_people, quiet=quiet)
    if table is not None and output is not None:
        _many(table, catalogue, output, workers, quiet, write)
        return
    assert text is not None  # checked
    assert photos
    words = _given(text)
    words_of(words)
    with Catalogue.open(catalogue) as opened:
        assessor = Assessor.of(opened)
    pages = pages_of(photos, catalogue, quiet)
    _few_enough(len(pages))
    steps = (SaveEvidence(picture), InspectCards()) if picture else (InspectCards(),)
    if picture:
        with writing_out(picture):
            picture.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as scratch:
        jobs = kept_apart(jobs_of(pages, steps), pages, Path(scratch), strip)
        with progress(quiet) as bar:
            found = identify_all(jobs, catalogue, Settings(), workers)
            results = list(bar.track(found, total=len(jobs), description="identifying"))
        answers = [one.answer for one in results]
        result = assessor.assess("the text" if text == "-" else text, words, list(map(ListingPhoto.of, results)))
        write(result)
        if note_sightings:
            files = [
                bytes_of(page, one, Path(scratch), strip)
                for page, one in zip(pages, answers, strict=True)
                if not one.error
            ]
            _note(catalogue, [one for one in answers if not one.error], files, result, source, seen_on, by, quiet)
    failed = [tell_failure(one, quiet=True) for one in results]
    if any(failed):
        raise typer.Exit(1)


def _check_call(
    photos: Sequence[Path] | None, text: str | None, table: Path | None, output: Path | None, noting: bool, strip: bool
) -> None:
    if (text is None) == (table is None):
        raise typer.BadParameter("give one listing with --text, or many with --table", param_hint="--text")
    if strip and not noting:
        raise typer.BadParameter("only pictures that are kept can be: add --note-sightings", param_hint="--strip")
    if table is not None and (output is None or photos or noting):
        raise typer.BadParameter("with --table give --output, and no PHOTO nor --note-sightings", param_hint="--table")
    if table is None and not photos:
        raise BadListing("no_photo", "no picture is given", "name at least one PHOTO of the listing")


def _few_enough(pictures: int) -> None:
    if pictures > MOST_PHOTOS:
        told = f"{pictures} pictures; a listing may have {MOST_PHOTOS}"
        raise BadListing("too_many_photos", told, "leave some out")


def _given(text: str) -> str:
    if text != "-":
        return read_text(Path(text))
    data = sys.stdin.buffer.read(MOST_BYTES + 1)
    if len(data) > MOST_BYTES:
        raise too_large("the text")
    return text_of("the text", data)


def _many(table: Path, catalogue: Path, output: Path, workers: int | None, quiet: bool, write: Any) -> None:
    failed, seen, counts = 0, False, dict[str, int]()
    total = len(read_rows(table))
    with progress(quiet) as bar:
        results = weigh_all(table, catalogue, output, Settings(), workers)
        for result in bar.track(results, total=total, description="comparing"):
            step = "error" if result["error"] else result["verdict"]["step"]
            counts[step] = counts.get(step, 0) + 1
            seen = seen or _shows_cards(result)
            failed += bool(result["error"]) or any(photo["error"] for photo in result["photos"])
            if write is _json:
                write(result)
            else:
                print(harmless(_short(result)), flush=True)
    steps = ", ".join(f"{count} {WORDS.get(step, step)}" for step, count in sorted(counts.items()))
    remark(f"{steps}; the results are in {output}", quiet)
    caution(quiet or not seen)
    if failed:
        raise typer.Exit(1)


def _shows_cards(result: Mapping[str, Any]) -> bool:
    """Whether there is a result that anybody could act on."""
    return any(photo["cards"] for photo in result["photos"])


def _short(result: Mapping[str, Any]) -> str:
    """One listing on one line."""
    if result["error"]:
        return f"{result['listing']}   error   {result['error']['message']}"
    step = result["verdict"]["step"]
    return f"{result['listing']}   {WORDS.get(step, step)}   {result['verdict']['words']}"


def _note(
    catalogue: Path, answers: Sequence[PhotoAnswer], files: Sequence[bytes], result: Mapping[str, Any],
    source: str, seen_on: str, by: str | None, quiet: bool,
) -> None:  # fmt: skip
    note = f"listing {result['listing']}: {result['verdict']['step']}"
    with Catalogue.open(catalogue) as opened:
        for data, answer in zip(files, answers, strict=True):
            decision = sightings.note_sightings(
                opened, answer, data, actor(by), source=source, seen_on=seen_on, note=note
            )
            if decision:
                report(decision, quiet)
            else:
                remark(f"{answer.photo}: {nothing_noted(answer)}", quiet)


def _json(result: Mapping[str, Any]) -> None:
    print_json(result)


def _people(result: Mapping[str, Any], quiet: bool) -> None:
    console = HarmlessConsole(highlight=False, soft_wrap=True)
    verdict = result["verdict"]
    step = WORDS.get(verdict["step"], verdict["step"])
    console.print(Text.assemble((step.upper(), "bold"), f"   {verdict['words']}"))
    for claim in result["claims"]:
        console.print(Text.assemble("\n", (f"{claim['kind']}: {_claimed(claim)}", "bold"), f"   {_status(claim)}"))
        console.print(Text(f"    said: {_on_one_line(claim['words'])!r}"))
        console.print(Text(f"    {claim['reason']}"))
    for heading, lines in _sections(result, quiet):
        console.print(Text(f"\n{heading}", "bold"))
        for line in lines:
            console.print(Text(f"    {line}"))


def _claimed(claim: Mapping[str, Any]) -> str:
    denied = "not " if claim["denied"] else ""
    reserve = " (hedged)" if claim["with_reserve"] else ""
    return denied + " or ".join([claim["value"], *claim["may_also_mean"]]) + reserve


def _status(claim: Mapping[str, Any]) -> str:
    told: str = "can't tell" if claim["status"] == "cannot be told" else claim["status"]
    return told if claim["confidence"] is None else f"{told} ({percent(claim['confidence'])})"


def _sections(result: Mapping[str, Any], quiet: bool) -> Iterator[tuple[str, list[str]]]:
    unread = [f"{_on_one_line(one['words'])!r}" + (f": {one['why']}" if one["why"] else "") for one in result["unread"]]
    notes = [CAUTIONS[0], CAUTIONS[2], CAUTIONS[3]] if _shows_cards(result) else [CAUTIONS[2]]
    for heading, lines in (
        ("worth knowing", result["notes"]),
        ("not read", unread),
        ("worth asking", result["questions"]),
        ("please note", [] if quiet else notes),
    ):
        if lines:
            yield heading, lines


def _on_one_line(words: str) -> str:
    return " ".join("".join(c if c.isprintable() else " " for c in words).split())
