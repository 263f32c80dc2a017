"""`platekin lots queue|accept|choose|...`: what waits for you in a lot, your decisions on it, and their undoing."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Any

import typer
from rich.console import Console

from matcher.catalogue import Catalogue
from matcher.catalogue.finds.resolution import Wanted
from matcher.catalogue.log.decisions import DecisionRow
from matcher.cli.lots import LotArgument, app, opened_lot
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
    tell,
)
from matcher.core.answer_json import CAUTIONS
from matcher.jobs.lot import review
from matcher.jobs.lot.cards import cards_of
from matcher.jobs.lot.results import card_row
from matcher.jobs.lot.review_queue import Case, case_of, queue, to_confirm
from matcher.jobs.lot.store import LotRow

__all__ = ["app"]
"""The commands of `lots`, these ones among them."""

CardArgument = Annotated[str, typer.Argument(metavar="CARD", help="The card, like 12.3: item and place on the page.")]
ApartOption = Annotated[
    list[str] | None, typer.Option("--not", metavar="CARD", help="Leave this one of its like out; may be repeated.")
]
AloneOption = Annotated[bool, typer.Option("--alone", help="Decide on this card only, not on its like.")]
PreviewOption = Annotated[bool, typer.Option("--preview", help="Say what would be settled, and decide nothing.")]


@app.command("queue")
def show_queue(
    lot: LotArgument,
    catalogue: CatalogueOption,
    limit: Annotated[int, typer.Option(min=1, help="At most so many cases.")] = 20,
    format: FormatOption = "table",
) -> None:
    """What waits for you, the decisions that settle most first."""
    with opened_lot(catalogue, lot) as (opened, row):
        cases = queue(opened, row)
        held = len(to_confirm(opened, cards_of(opened, row), 0.0))
    if format == "json":
        for case in cases[:limit]:
            print_json(_case_json(case))
        return
    headings = ("card", "settles", "outcome", "pose", "crop", "closest", "file", "find", "")
    print_table(headings, (_case_line(case) for case in cases[:limit]))
    cards = sum(len(case.cards) for case in cases)
    print(
        f"\n{len(cases)} decisions settle {cards} cards; {held} held cards can be confirmed at once: lots confirm {lot}"
    )


@app.command("accept")
def accept(
    lot: LotArgument,
    card: CardArgument,
    catalogue: CatalogueOption,
    caption: Annotated[str | None, typer.Option(help="The card's words as printed; '' where it has none.")] = None,
    subject: Annotated[str | None, typer.Option(help="Who is shown; needed for a new pose.")] = None,
    record: Annotated[str | None, typer.Option(help="Id of the new record; the next free one if not given.")] = None,
    pose: Annotated[str | None, typer.Option(help="Pose; as identified, or the next free id.")] = None,
    crop: Annotated[str | None, typer.Option(help="Crop; as identified, or the next free letter.")] = None,
    club: Annotated[str, typer.Option(help="The club as printed.")] = "",
    issuer: Annotated[str, typer.Option(help="Who issued the card.")] = "",
    year: Annotated[str, typer.Option(help="When it was issued, as far as known.")] = "",
    apart: ApartOption = None,
    alone: AloneOption = False,
    preview: PreviewOption = False,
    by: ByOption = None,
    note: NoteOption = "",
    quiet: QuietOption = False,
) -> None:
    """Accept a card as a new record; its like become sightings of it."""
    wanted = Wanted(
        record_id=record, subject=subject, pose=pose, crop=crop, caption=caption, club=club, issuer=issuer, year=year
    )
    with opened_lot(catalogue, lot) as (opened, row):
        if preview:
            _preview(opened, row, card, "a new record", "a sighting of it", apart, alone)
            return
        _caution(quiet)
        made = review.accept(opened, row, card, actor(by), wanted, apart=None if alone else apart or (), note=note)
    _tell_all(made, quiet)


@app.command("choose")
def choose(
    lot: LotArgument,
    card: CardArgument,
    catalogue: CatalogueOption,
    record: Annotated[
        str | None, typer.Argument(metavar="[RECORD]", help="The known record that it shows; the closest if not given.")
    ] = None,
    apart: ApartOption = None,
    alone: AloneOption = False,
    preview: PreviewOption = False,
    by: ByOption = None,
    note: NoteOption = "",
    quiet: QuietOption = False,
) -> None:
    """Say which known record a card is; its like are noted as the same."""
    with opened_lot(catalogue, lot) as (opened, row):
        if preview:
            seen = f"a sighting of {record or review.closest(opened, row, card)}"
            _preview(opened, row, card, seen, seen, apart, alone)
            return
        _caution(quiet)
        made = review.choose(opened, row, card, record, actor(by), apart=None if alone else apart or (), note=note)
    _tell_all(made, quiet)


@app.command("reject")
def reject(
    lot: LotArgument,
    card: CardArgument,
    catalogue: CatalogueOption,
    apart: ApartOption = None,
    alone: AloneOption = False,
    preview: PreviewOption = False,
    by: ByOption = None,
    note: NoteOption = "",
    quiet: QuietOption = False,
) -> None:
    """Say that a card, and its like, are nothing to keep: they are not asked about again."""
    with opened_lot(catalogue, lot) as (opened, row):
        if preview:
            _preview(opened, row, card, "rejected", "rejected", apart, alone)
            return
        made = review.reject(opened, row, card, actor(by), apart=None if alone else apart or (), note=note)
    _tell_all(made, quiet)


@app.command("skip")
def skip(
    lot: LotArgument,
    card: CardArgument,
    catalogue: CatalogueOption,
    back: Annotated[bool, typer.Option("--back", help="Take it up again.")] = False,
) -> None:
    """Put a case off: it goes to the end of the queue."""
    with opened_lot(catalogue, lot) as (opened, row):
        review.skip(opened, row, card, put_off=not back)


@app.command("confirm")
def confirm(
    lot: LotArgument,
    catalogue: CatalogueOption,
    above: Annotated[float, typer.Option(min=0, max=1, help="Only answers at least so sure.")] = 0.9,
    preview: PreviewOption = False,
    by: ByOption = None,
    note: NoteOption = "",
    quiet: QuietOption = False,
) -> None:
    """Confirm the held cards of a lot as sightings of their records, all at once."""
    with opened_lot(catalogue, lot) as (opened, row):
        cards = cards_of(opened, row)
        if preview:
            chosen = [card_row(card) for card in to_confirm(opened, cards, above)]
            names = ("card", "file", "tag", "caption", "confidence_record")
            print_table(names, ([each[name] for name in names] for each in chosen))
            print(f"{len(chosen)} cards would become sightings; nothing was decided")
            return
        _caution(quiet)
        made = review.confirm(opened, row, cards, actor(by), above=above, note=note)
    _tell_all(made, quiet)


@app.command("propose")
def propose(lot: LotArgument, catalogue: CatalogueOption) -> None:
    """Propose what is new in a lot as finds, one for all cards that seem to be one variation."""
    with opened_lot(catalogue, lot) as (opened, row):
        for find_id in review.propose(opened, row):
            print(find_id)


@app.command("undo")
def undo(
    lot: LotArgument,
    catalogue: CatalogueOption,
    whole: Annotated[bool, typer.Option("--all", help="Everything decided on this lot, proposals too.")] = False,
    by: ByOption = None,
    note: NoteOption = "",
    quiet: QuietOption = False,
) -> None:
    """Undo the last decision on a lot, with all that it settled; or all of them."""
    with opened_lot(catalogue, lot) as (opened, row):
        _tell_all(review.undo(opened, row, actor(by), whole=whole, note=note), quiet)


def _preview(
    opened: Catalogue, row: LotRow, card: str, first: str, others: str, apart: Sequence[str] | None, alone: bool
) -> None:
    case = case_of(opened, row, card)
    like = [] if alone else [each for each in case.like if each.card not in (apart or ())]
    rows = [(each, what) for each, what in ((case.card, first), *((each, others) for each in like))]
    print_table(
        ("card", "file", "outcome", "would become"),
        ((each.card, each.item.name, each.outcome, what) for each, what in rows),
    )
    print("nothing was decided; compare them on the contact sheet: lots sheet, lots faces")


def _case_line(case: Case) -> tuple[object, ...]:
    found = case.card.found
    closest = found["candidates"][0]["record_id"] if found["candidates"] else None
    put_off = "put off" if case.skipped else ""
    return (
        case.card.card, len(case.cards), found["outcome"], found["pose"], found["crop"], closest, case.card.item.name,
        case.find_id, put_off,
    )  # fmt: skip


def _case_json(case: Case) -> dict[str, Any]:
    told = {"find": case.find_id, "skipped": case.skipped, "like": [card.card for card in case.like]}
    return {**{k: v for k, v in card_row(case.card).items() if v is not None}, **told}


def _tell_all(made: Sequence[DecisionRow], quiet: bool) -> None:
    for decision in made:
        tell(decision, quiet)
    if not made and not quiet:
        Console(stderr=True).print("nothing to decide")


def _caution(quiet: bool) -> None:
    if not quiet:
        messages.print(CAUTIONS[0], markup=False)
