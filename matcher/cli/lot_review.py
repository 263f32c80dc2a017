"""`platekin lot queue|accept|choose|...`: what waits for you in a lot, your decisions on it, and their undoing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Any

import typer

from matcher.catalogue import Catalogue
from matcher.catalogue.finds.proposed_fields import marks_of, proposed_fields
from matcher.catalogue.finds.resolution import club_left_blank
from matcher.catalogue.log.decisions import DecisionRow
from matcher.catalogue.log.telling import takes_back
from matcher.cli.lot_results import LotArgument, opened_lot
from matcher.cli.lot_run import app
from matcher.cli.options import CatalogueOption, DecisionOptions, FormatOption, QuietOption, RecordOptions, grouped
from matcher.cli.output import counted, print_json, print_table, remark
from matcher.core.answer_json import CAUTIONS
from matcher.jobs.lot import review
from matcher.jobs.lot.cards import cards_of
from matcher.jobs.lot.results import card_row
from matcher.jobs.lot.review_queue import Case, case_of, queue, to_confirm
from matcher.jobs.lot.store import LotRow

__all__ = ["app"]
"""The commands of `lot`, these ones among them."""

CardArgument = Annotated[str, typer.Argument(metavar="CARD", help="The card, like 12.3: scan 12, third card on it.")]
SURE = 0.9
"""From which on a card of a known record is confirmed with others, unless a person says otherwise; own choice."""

PreviewOption = Annotated[bool, typer.Option("--preview", help="Show what would be settled; decide nothing.")]


@dataclass(frozen=True, kw_only=True)
class LikeOptions:
    """Which cards a decision settles besides the one that it names."""

    apart: Annotated[
        list[str] | None, typer.Option("--not", metavar="CARD", help="Leave this similar card out; may be repeated.")
    ] = None
    alone: Annotated[bool, typer.Option("--alone", help="Decide on this card only, not on the cards like it.")] = False
    preview: PreviewOption = False

    @property
    def left_out(self) -> Sequence[str] | None:
        """Cards that are left out; None: all but the one that is named."""
        return None if self.alone else self.apart or ()


@app.command("queue")
def show_queue(
    lot: LotArgument,
    catalogue: CatalogueOption,
    limit: Annotated[int, typer.Option(min=1, help="At most so many cases.")] = 20,
    format: FormatOption = "table",
) -> None:
    """List the decisions that wait for you, those that settle most cards first."""
    with opened_lot(catalogue, lot) as (opened, row):
        cases = queue(opened, row)
        known, sure = (len(to_confirm(opened, cards_of(opened, row), above)) for above in (0.0, SURE))
    if format == "json":
        for case in cases[:limit]:
            print_json(_case_json(case))
        return
    headings = ("card", "settles", "outcome", "pose", "crop", "closest", "file", "find", "state")
    print_table(headings, (_case_line(case) for case in cases[:limit]))
    cards = sum(len(case.cards) for case in cases)
    settle = f"{counted(len(cases), 'decision')} {'settles' if len(cases) == 1 else 'settle'} {counted(cards, 'card')}"
    print(f"\n{settle}; {counted(sure, 'card')} of known records can be confirmed at once: platekin lot confirm {lot}")
    if known > sure:
        print(_less_sure(known - sure, SURE, lot))


@app.command("accept")
@grouped
def accept(
    lot: LotArgument, card: CardArgument, decision: DecisionOptions, fields: RecordOptions, like: LikeOptions
) -> None:
    """Accept a card as a new record; the cards like it become sightings of it."""
    with opened_lot(decision.catalogue, lot) as (opened, row):
        if like.preview:
            _preview(opened, row, card, "a new record", "a sighting of it", like)
            return
        read = proposed_fields(case_of(opened, row, card).card.found, marks_of(opened)).get("club")
        said = fields.said()
        made = review.accept(opened, row, card, decision.actor, said, apart=like.left_out, note=decision.note)
    _report(made, decision)
    blank = club_left_blank(said, read.value if read else "")
    remark(blank, decision.quiet or not blank)


@app.command("choose")
@grouped
def choose(
    lot: LotArgument,
    card: CardArgument,
    decision: DecisionOptions,
    like: LikeOptions,
    record: Annotated[
        str | None,
        typer.Argument(metavar="[RECORD]", help="The known record that it shows; the closest one if not given."),
    ] = None,
) -> None:
    """Assign a card, and the cards like it, to a known record."""
    with opened_lot(decision.catalogue, lot) as (opened, row):
        if like.preview:
            seen = f"a sighting of {record or review.closest(opened, row, card)}"
            _preview(opened, row, card, seen, seen, like)
            return
        made = review.choose(opened, row, card, record, decision.actor, apart=like.left_out, note=decision.note)
    _report(made, decision)


@app.command("reject")
@grouped
def reject(lot: LotArgument, card: CardArgument, decision: DecisionOptions, like: LikeOptions) -> None:
    """Reject a card and the cards like it: they are not asked about again."""
    with opened_lot(decision.catalogue, lot) as (opened, row):
        if like.preview:
            _preview(opened, row, card, "rejected", "rejected", like)
            return
        made = review.reject(opened, row, card, decision.actor, apart=like.left_out, note=decision.note)
    _report(made, decision)


@app.command("skip")
def skip(
    lot: LotArgument,
    card: CardArgument,
    catalogue: CatalogueOption,
    back: Annotated[bool, typer.Option("--back", help="Take it up again.")] = False,
) -> None:
    """Put a decision off: it goes to the end of the queue."""
    with opened_lot(catalogue, lot) as (opened, row):
        review.skip(opened, row, card, put_off=not back)
    print(f"card {card} is back in its place" if back else f"card {card} goes to the end of the queue")


@app.command("confirm")
@grouped
def confirm(
    lot: LotArgument,
    decision: DecisionOptions,
    above: Annotated[float, typer.Option(min=0, max=1, help="Only answers at least this sure, from 0 to 1.")] = SURE,
    preview: PreviewOption = False,
) -> None:
    """Confirm the cards of known records in a lot as sightings, all at once; a card scanned twice counts once."""
    with opened_lot(decision.catalogue, lot) as (opened, row):
        cards = cards_of(opened, row)
        if preview:
            chosen = [card_row(card) for card in to_confirm(opened, cards, above)]
            names = ("card", "file", "tag", "caption", "confidence_record")
            print_table(names, ([each[name] for name in names] for each in chosen))
            print(f"{counted(len(chosen), 'card')} would become sightings; nothing was decided")
            return
        made = review.confirm(opened, row, cards, decision.actor, above=above, note=decision.note)
        left = len(to_confirm(opened, cards, 0.0))
    _report(made, decision)
    remark(_less_sure(left, above, lot), decision.quiet or not left)


def _less_sure(left: int, above: float, lot: str) -> str:
    """Known cards that `lot confirm` leaves alone, and how to come to them."""
    those = f"{counted(left, 'more card')} of known records {'is' if left == 1 else 'are'} less sure"
    return f"{those} than {100 * above:g} %: platekin lot confirm {lot} --above 0 --preview lists them with the others"


@app.command("propose")
def propose(lot: LotArgument, catalogue: CatalogueOption, quiet: QuietOption = False) -> None:
    """Propose what is new in a lot as finds, one for all cards that seem to be the same variation."""
    with opened_lot(catalogue, lot) as (opened, row):
        made = review.propose(opened, row)
    for find_id in made:
        print(find_id)
    if not made:
        remark("nothing new to propose", quiet)


@app.command("undo")
@grouped
def undo(
    lot: LotArgument,
    decision: DecisionOptions,
    whole: Annotated[bool, typer.Option("--all", help="Undo everything decided on this lot, proposals too.")] = False,
) -> None:
    """Undo the last decision on a lot with all that it settled, or everything decided on it."""
    with opened_lot(decision.catalogue, lot) as (opened, row):
        made = review.undo(opened, row, decision.actor, whole=whole, note=decision.note)
        _report(made, decision)
        for words in takes_back([opened.decision(one.undoes) for one in made if one.undoes]):
            remark(f"  {words}", decision.quiet)


def _preview(opened: Catalogue, row: LotRow, card: str, first: str, others: str, options: LikeOptions) -> None:
    case = case_of(opened, row, card)
    like = [] if options.alone else [each for each in case.like if each.card not in (options.apart or ())]
    rows = [(each, what) for each, what in ((case.card, first), *((each, others) for each in like))]
    print_table(
        ("card", "file", "outcome", "would become"),
        ((each.card, each.item.name, each.outcome, what) for each, what in rows),
    )
    print("nothing was decided; compare them on the contact sheet: platekin lot sheet")


def _case_line(case: Case) -> tuple[object, ...]:
    found = case.card.found
    closest = found.closest.record_id if found.closest else None
    put_off = "put off" if case.skipped else ""
    return (
        case.card.card, len(case.cards), found.outcome, found.pose, found.crop, closest, case.card.item.name,
        case.find_id, put_off,
    )  # fmt: skip


def _case_json(case: Case) -> dict[str, Any]:
    return {
        **card_row(case.card),
        "find": case.find_id,
        "skipped": case.skipped,
        "like": [card.card for card in case.like],
    }


def _report(made: Sequence[DecisionRow], decision: DecisionOptions) -> None:
    """What was decided; what it does not mean is said beside it, once."""
    decision.report(*made)
    if any(row.action != "undo" for row in made):
        remark(CAUTIONS[0], decision.quiet)
    if not made:
        remark("nothing to decide", decision.quiet)
