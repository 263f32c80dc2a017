"""`platekin finds ...`: cards that were taken for something new, proposed, shown, and decided by you."""

from __future__ import annotations

import tempfile
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Annotated, Literal

import typer

from matcher.catalogue import Catalogue
from matcher.catalogue.finds import resolution
from matcher.catalogue.finds.resolution import FindRow, State
from matcher.cli.options import (
    CatalogueOption,
    CornersOption,
    DayOption,
    DecisionOptions,
    FormatOption,
    PhotosArgument,
    QuietOption,
    RecordOptions,
    StripOption,
    WorkersOption,
    grouped,
)
from matcher.cli.output import HarmlessConsole, counted, harmless, messages, print_json, print_rows, progress, remark
from matcher.cli.photos import Page, bytes_of, corners_of, jobs_of, kept_apart, pages_of
from matcher.core.answer import PhotoAnswer
from matcher.core.calibration import percent
from matcher.core.detect.given_outline import outline_text
from matcher.core.errors import PlatekinError
from matcher.core.parallel.guarded import Guarded
from matcher.core.settings import Settings
from matcher.jobs.workers import PATIENT, identify_all

app = typer.Typer(no_args_is_help=True, help="Propose new variations, then accept, merge or reject them.")

Said = Literal["new_pose", "new_crop", "new_caption", "new_mark"]

FindArgument = Annotated[str, typer.Argument(metavar="FIND", help="The find's id, like F00001.")]


@app.command("propose")
def propose(
    photos: PhotosArgument,
    catalogue: CatalogueOption,
    source: Annotated[str, typer.Option(help="Where they were seen: an album, a sale.")] = "",
    seen_on: DayOption = "",
    said: Annotated[
        Said | None,
        typer.Option(
            "--as", help="What the card is, in your eyes, whatever the answer was; for one photo of one card."
        ),
    ] = None,
    card: Annotated[
        int | None, typer.Option(min=1, metavar="NUMBER", help="With --as: which card of the photo.")
    ] = None,
    corners: CornersOption = None,
    strip: StripOption = False,
    workers: WorkersOption = None,
    quiet: QuietOption = False,
) -> None:
    """Identify photos, and propose every card that is a new mark, caption, crop or pose."""
    resolution.check_day(seen_on)
    pages = pages_of(photos, catalogue, quiet)
    if (said or corners) and len(pages) != 1:
        raise typer.BadParameter("they are of one card: name one photo", param_hint="--as, --corners")
    failed = 0
    with (
        Guarded(PATIENT) as guard, Catalogue.open(catalogue, elsewhere=guard) as opened,
        tempfile.TemporaryDirectory() as scratch, progress(quiet) as bar,
    ):  # fmt: skip
        asked = _Asked(opened, Path(scratch), source, seen_on, said, card, strip, quiet)
        jobs = kept_apart(jobs_of(pages, (), corners_of(corners)), pages, Path(scratch), strip)
        results = identify_all(jobs, catalogue, Settings(), workers)
        for page, result in bar.track(zip(pages, results, strict=True), total=len(jobs), description="identifying"):
            failed += not asked.propose(page, result.answer)
    if failed:
        raise typer.Exit(1)


@dataclass(frozen=True)
class _Asked:
    """What the command was asked to propose."""

    opened: Catalogue
    scratch: Path
    source: str
    seen_on: str
    said: Said | None
    card: int | None
    strip: bool
    quiet: bool

    def propose(self, page: Page, answer: PhotoAnswer) -> bool:
        """Propose one photo's new cards; False where that failed, which is said on stderr."""
        if answer.error:
            messages.print(answer.error.message, markup=False)
            return False
        try:
            data = bytes_of(page, answer, self.scratch, self.strip)
        except OSError as error:
            messages.print(f"{page.name}: {error.strerror}", markup=False)
            return False
        answer, only = self._as_said(answer)
        try:
            found = resolution.propose(self.opened, answer, data, source=self.source, seen_on=self.seen_on, only=only)
        except PlatekinError as error:
            if error.code in ("locked", "disk_full", "read_only"):
                raise
            messages.print(str(error), markup=False)
            return False
        for row in found:
            print(harmless(f"{row.find_id}  {_words(row)}  {page.name}"))
        if not found:
            outcomes = ", ".join(card.outcome for card in answer.cards)
            remark(f"{page.name}: nothing new ({outcomes}); to propose it all the same, say --as", self.quiet)
        return True

    def _as_said(self, answer: PhotoAnswer) -> tuple[PhotoAnswer, tuple[int, ...] | None]:
        """The answer with the card as the person sees it, and the place of that card."""
        if self.said is None:
            return answer, None
        if self.card is None and len(answer.cards) > 1:
            raise typer.BadParameter(f"the photo shows {len(answer.cards)} cards: say which", param_hint="--card")
        place = (self.card or 1) - 1
        if place >= len(answer.cards):
            raise typer.BadParameter(f"the photo shows {counted(len(answer.cards), 'card')}", param_hint="--card")
        card = answer.cards[place]
        closest = card.closest
        known = self.said != "new_pose" and closest is not None
        pose = (card.pose or closest.pose) if known and closest else None
        crop = (card.crop or closest.crop) if self.said in ("new_caption", "new_mark") and closest else None
        cards = list(answer.cards)
        cards[place] = replace(card, outcome=self.said, record_id=None, pose=pose, crop=crop, caption=None)
        return replace(answer, cards=tuple(cards)), (place,)


@app.command("list")
def list_finds(
    catalogue: CatalogueOption,
    state: Annotated[State | None, typer.Option(help="Only finds in this state.")] = "open",
    all_states: Annotated[bool, typer.Option("--all", help="Finds in any state.")] = False,
    format: FormatOption = "table",
) -> None:
    """List finds; without options those that wait for you."""
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
    console.print(f"proposed   {row.proposed_at:%Y-%m-%d %H:%M} by {row.proposed_by} (the program's suggestion)")
    console.print(f"photo      {row.name}\n           {path}", markup=False)
    cards = int(row.facts.get("outlines", 1))
    if cards > 1:
        console.print(f"card       one of {cards} in it, with its corners at {outline_text(row.quad)}", markup=False)
    if row.source:
        console.print(f"source     {row.source}", markup=False)
    if row.seen_on:
        console.print(f"seen on    {row.seen_on}", markup=False)
    for name, one in row.found.fields.items():
        told = f"{one.value!r}, {one.origin}" if one.value else one.origin
        console.print(f"{name:13} {told}{': please confirm' if one.confirm else ''}", markup=False)
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
    as_read: Annotated[bool, typer.Option("--as-read", help="Take over the words that were read on the card.")] = False,
) -> None:
    """Accept a find as a new record; its photo becomes the record's first reference."""
    with decision.open() as opened:
        row = resolution.find(opened, find)
        said = fields.said(copy).with_read(row.found.fields) if as_read else fields.said(copy)
        club = row.found.fields.get("club")
        read = club.value if club else ""
        wanted, words = resolution.as_closest(opened, row.outcome, row.found.candidates, said, read)
        made = resolution.accept(opened, find, decision.actor, wanted, note=decision.note)
        print(resolution.find(opened, find).record_id)
    decision.report(made)
    remark(words, decision.quiet or not words)


@app.command("merge")
@grouped
def merge(
    find: FindArgument,
    record: Annotated[str, typer.Argument(metavar="RECORD", help="The known record that it shows.")],
    decision: DecisionOptions,
    copy: Annotated[str, typer.Option(help="Label of the physical card.")] = "",
) -> None:
    """Merge a find into a known record; its photo becomes a further reference of it."""
    with decision.open() as opened:
        decision.report(resolution.merge(opened, find, record, decision.actor, copy, note=decision.note))


@app.command("reject")
@grouped
def reject(find: FindArgument, decision: DecisionOptions) -> None:
    """Reject a find: it is not proposed again."""
    with decision.open() as opened:
        decision.report(resolution.reject(opened, find, decision.actor, note=decision.note))


def _words(row: FindRow) -> str:
    known = " ".join(part for part in (row.pose, row.crop) if part)
    return f"{row.outcome}{' of ' + known if known else ''}"
