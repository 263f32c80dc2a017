"""The addresses of a lot's review: what waits for a person, and the decisions on it.

Deciding wants an Idempotency-Key, and If-Match with the case's `etag`, or for `confirm` and `undo` the ETag of the
lot's queue.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request, Response
from starlette.concurrency import run_in_threadpool

from api.access import MayRead, allow
from api.curation.decisions import decision_shape
from api.curation.preconditions import asked_before, hash_of, headers_given, own_key, tag_from, tags_in
from api.lots import shapes
from api.lots.routes import SENDING, without_folder
from api.parameters import KeyHeader, MatchHeader, Paged, corners_of
from api.problems import ACCESS, CLASHES, MISSING, PHOTO, SHOWING, STORAGE, WORK, Problem, documented
from api.service import ServiceNow, Turn, answered
from matcher.catalogue import Catalogue
from matcher.catalogue.finds.proposed_fields import Marks, fields_json, marks_of, proposed_fields
from matcher.catalogue.finds.resolution import RecordFields
from matcher.catalogue.log.decisions import Actor, AskedBefore, DecisionRow
from matcher.core.answer_json import to_json
from matcher.core.errors import CatalogueError
from matcher.jobs.lot import review, store
from matcher.jobs.lot.cards import cards_of
from matcher.jobs.lot.outlining import outline_card, outline_job
from matcher.jobs.lot.results import card_row
from matcher.jobs.lot.review_queue import Case, case_of, queue, to_confirm
from matcher.jobs.lot.store import LotRow

log = logging.getLogger("platekin")

router = APIRouter(prefix="/v1")


@router.get("/lots/{lot_id}/review/queue", operation_id="lot_queue", summary="List the decisions that wait",
            responses=documented("no_such_lot", "validation", *ACCESS, *STORAGE))  # fmt: skip
def waiting(
    service: ServiceNow, _: MayRead, response: Response, lot_id: shapes.LotId, query: Annotated[Paged, Query()]
) -> shapes.CasePage:
    """Those that settle most cards come first. The ETag is the lot's."""
    lot = store.lot(service.catalogue, lot_id)
    response.headers["ETag"] = _lot_tag(service.catalogue, lot)  # first, as for finds
    cards = cards_of(service.catalogue, lot)
    cases = queue(service.catalogue, lot, cards)
    marks = marks_of(service.catalogue)
    return shapes.CasePage(
        total=len(cases),
        cards=sum(len(case.cards) for case in cases),
        known=len(to_confirm(service.catalogue, cards, 0.0)),
        items=[_case(case, marks) for case in cases[query.offset : query.offset + query.limit]],
    )


@router.get("/lots/{lot_id}/cards/{card}/case", operation_id="lot_case", summary="Show one card that waits",
            responses=documented("no_such_lot", "no_such_card", "already_decided", "validation", *ACCESS,
                                 *STORAGE))  # fmt: skip
def one_case(service: ServiceNow, _: MayRead, lot_id: shapes.LotId, card: shapes.CardPath) -> shapes.Case:
    """Whatever was found on it: a known card too can be assigned to another record."""
    lot = store.lot(service.catalogue, lot_id)
    return _case(case_of(service.catalogue, lot, card), marks_of(service.catalogue))


@router.post("/lots/{lot_id}/cards/{card}/outline", operation_id="outline_lot_card", status_code=201,
             summary="Give a lot's card another outline",
             responses=documented("no_such_card", "already_decided", "nothing_changed", "bad_outline", "missing_file",
                                  *PHOTO, *WORK, "changed", *SENDING))  # fmt: skip
async def outline(
    request: Request, service: ServiceNow, lot_id: shapes.LotId, card: shapes.CardPath,
    query: Annotated[shapes.OutlineQuery, Query()],
) -> shapes.Case:  # fmt: skip
    """The card is identified anew within the outline. Sent again, it changes nothing."""
    who = await run_in_threadpool(allow, request, "decide", query.by)
    lot = await run_in_threadpool(store.lot, service.catalogue, lot_id)
    quad = corners_of(query.quad)
    assert quad is not None  # the query wants it
    job = await run_in_threadpool(outline_job, service.catalogue, lot, card, quad, query.upright)
    service.queue.check_room()
    result = await answered(service, job)

    def kept() -> shapes.Case:
        outline_card(service.catalogue, lot, card, result, who)
        return _case(case_of(service.catalogue, lot, card), marks_of(service.catalogue))

    return await run_in_threadpool(kept)


@router.post("/lots/{lot_id}/review", operation_id="decide_lot", summary="Decide on a lot: accept, choose, undo, ...",
             status_code=201,
             dependencies=[Turn],
             responses=documented("no_such_card", "precondition_needed", "changed_since", "missing_value", "no_name",
                                  "missing_file", *SHOWING, *MISSING, *CLASHES, *SENDING))  # fmt: skip
def decide(
    request: Request, service: ServiceNow, lot_id: shapes.LotId, wish: shapes.Wish, key: KeyHeader = None,
    if_match: MatchHeader = None,
) -> shapes.Decided:  # fmt: skip
    """One decision of the person who asks; what it settles with it is one batch."""
    who = allow(request, "decide", wish.by)
    key, if_match = headers_given(key, if_match)
    lot = store.lot(service.catalogue, lot_id)
    request_hash = hash_of(wish)
    batch = review.Batch(lot, wish.note, key=own_key(request, key), asked=request_hash)
    earlier = asked_before(service.catalogue, batch.key_of(0), request_hash)
    if earlier is not None:
        return _batch_of(service.catalogue, earlier)
    with one_at_a_time(lot_id):
        try:
            _unchanged(service.catalogue, lot, wish, if_match)
            rows = _carried_out(service.catalogue, lot, wish, who, batch)
        except (AskedBefore, Problem, CatalogueError) as refused:
            # Asked twice at once, the second finds the lot as the first has left it: it is told the same.
            earlier = asked_before(service.catalogue, batch.key_of(0), request_hash)
            if earlier is None or earlier.number in {row.number for row in batch.made}:  # of this very call
                raise
            log.info("lots: %s was asked again at the same moment: %s", lot_id, refused)
            return _batch_of(service.catalogue, earlier)
    return shapes.Decided(decisions=[decision_shape(row) for row in rows])


def _batch_of(catalogue: Catalogue, first: DecisionRow) -> shapes.Decided:
    return shapes.Decided(decisions=[decision_shape(row) for row in catalogue.decisions(batch=first.batch)])


@contextmanager
def one_at_a_time(lot_id: str) -> Iterator[None]:
    """One decision on a lot at a time in this service: each is several entries, and looks at what the others made."""
    with _ONE[hash(lot_id) % len(_ONE)]:
        yield


_ONE = tuple(threading.Lock() for _ in range(16))


def _carried_out(
    catalogue: Catalogue, lot: LotRow, wish: Any, who: Actor, batch: review.Batch
) -> tuple[DecisionRow, ...]:
    match wish:
        case shapes.AcceptCard():
            skipped = {"note", "by", "action", "card", "apart", "alone"}
            wanted = RecordFields(**wish.model_dump(exclude=skipped))
            return review.accept(catalogue, lot, wish.card, who, wanted, apart=_apart(wish), batch=batch)
        case shapes.ChooseRecord():
            return review.choose(catalogue, lot, wish.card, wish.record_id, who, apart=_apart(wish), batch=batch)
        case shapes.RejectCard():
            return review.reject(catalogue, lot, wish.card, who, apart=_apart(wish), batch=batch)
        case shapes.SkipCard():
            review.skip(catalogue, lot, wish.card, put_off=not wish.back)
            return ()
        case shapes.ConfirmKnown():
            return review.confirm(
                catalogue, lot, cards_of(catalogue, lot), who, above=wish.above, only=wish.cards, batch=batch
            )
        case shapes.UndoLot():
            return review.undo(catalogue, lot, who, whole=wish.whole, batch=batch)
        case _:
            raise TypeError(f"no decision: {wish!r}")


def _apart(wish: shapes.AboutCard) -> tuple[str, ...] | None:
    return None if wish.alone else wish.apart


def _unchanged(catalogue: Catalogue, lot: LotRow, wish: Any, if_match: str) -> None:
    """The client has seen the present state of what it decides on. Raises Problem changed_since."""
    seen = tags_in(if_match)
    if seen == {"*"}:
        return
    tag = (
        _case_tag(case_of(catalogue, lot, wish.card))
        if isinstance(wish, shapes.AboutCard)
        else _lot_tag(catalogue, lot)
    )
    if tag not in seen:
        raise Problem("changed_since")


def _case_tag(case: Case) -> str:
    """Another as soon as other cards belong to the case; the same whichever of them is asked about."""
    return tag_from([case.card.item.lot_id, *sorted(card.card for card in case.cards)])


def _lot_tag(catalogue: Catalogue, lot: LotRow) -> str:
    """Another as soon as something was decided on the lot, or undone, or its items have changed."""
    numbers = [row.number for row in review.decisions(catalogue, lot)]
    return tag_from([lot.lot_id, numbers, store.counts(catalogue, lot.lot_id)])


def _case(case: Case, marks: Marks) -> shapes.Case:
    return shapes.Case(
        etag=_case_tag(case), card=case.card.card, like=[card.card for card in case.like], find_id=case.find_id,
        skipped=case.skipped, row=without_folder(card_row(case.card)),
        candidates=list(map(to_json, case.card.found.candidates)),
        fields=fields_json(proposed_fields(case.card.found, marks)),
    )  # fmt: skip
