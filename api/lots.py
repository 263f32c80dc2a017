"""The addresses of lots: photos sent together, worked on while nobody waits, then reviewed.

Sending and deciding want an Idempotency-Key; deciding also If-Match with the case's `etag`, or for `confirm` and
`undo` the ETag of the lot's queue.
"""

from __future__ import annotations

import hashlib
from dataclasses import asdict
from typing import Annotated, Any, cast

from fastapi import APIRouter, Query, Request, Response
from starlette.concurrency import run_in_threadpool

from api import lot_schemas as shapes
from api import upload
from api.access import MayRead, allow
from api.deciding import asked_before
from api.growth import CLASHES, MISSING, KeyHeader, MatchHeader, decision_shape
from api.growth_schemas import Paged
from api.lot_worker import LotWorker
from api.problems import PROBLEMS, Problem, documented
from api.routes import ACCESS, REQUEST, STORAGE, Service, ServiceNow
from matcher.catalogue import Catalogue
from matcher.catalogue.finds.resolution import RecordFields
from matcher.catalogue.log.changes import canonical
from matcher.catalogue.log.decisions import Actor, DecisionRow
from matcher.jobs.lot import review, store
from matcher.jobs.lot.cards import cards_of
from matcher.jobs.lot.job_queue import Sent, receive
from matcher.jobs.lot.results import Kind, as_bytes, card_row, rows_of
from matcher.jobs.lot.review_queue import Case, card_named, case_of, queue, to_confirm
from matcher.jobs.lot.store import LotRow

MEDIA = {"csv": "text/csv", "jsonl": "application/jsonl",
         "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"}  # fmt: skip
WRITING = ("no_such_lot", "bad_key", "key_needed", "read_only", *REQUEST, *ACCESS, *STORAGE)

router = APIRouter(prefix="/v1")


@router.post("/lots", operation_id="send_lot", summary="Send photos to be tagged together", status_code=201,
             openapi_extra=upload.MANY, responses=documented("no_pictures", *WRITING))  # fmt: skip
async def send(
    request: Request, service: ServiceNow, query: Annotated[shapes.NewLot, Query()], key: KeyHeader = None
) -> shapes.Lot:
    """A new lot; the answer comes at once, the work is done while nobody waits. Asked again, it is the same lot."""
    who, photos = await _sent(request, key)

    def made() -> shapes.Lot:
        known = hashlib.sha256(f"{who.name}\n{key}".encode()).hexdigest()
        options = {"sides": query.sides}
        name = query.name or photos[0].name
        lot = store.make_lot(service.catalogue, known, name, who.name, [], options, served=True)
        if lot.options != options or lot.name != name:  # the key was used for another one
            raise Problem("bad_key")
        receive(service.catalogue, lot, photos, service.catalogue.settings)
        return lot_shape(service.catalogue, lot)

    answer = await run_in_threadpool(made)
    worker_of(request).wake()
    return answer


@router.post("/lots/{lot_id}/photos", operation_id="send_more", summary="Send more photos of a lot", status_code=201,
             openapi_extra=upload.MANY, responses=documented("no_pictures", "lot_ended", *WRITING))  # fmt: skip
async def send_more(request: Request, service: ServiceNow, lot_id: shapes.LotId, key: KeyHeader = None) -> shapes.Lot:
    """A photo of the same name and content is not taken twice."""
    _, photos = await _sent(request, key)

    def added() -> shapes.Lot:
        lot = store.lot(service.catalogue, lot_id)
        if not lot.served or lot.state != "open":
            raise Problem("lot_ended")
        receive(service.catalogue, lot, photos, service.catalogue.settings)
        return lot_shape(service.catalogue, lot)

    answer = await run_in_threadpool(added)
    worker_of(request).wake()
    return answer


@router.get("/lots", operation_id="list_lots", summary="List lots",
            responses=documented("validation", *ACCESS, *STORAGE))  # fmt: skip
def list_lots(service: ServiceNow, _: MayRead, query: Annotated[Paged, Query()]) -> shapes.LotPage:
    rows = store.lots(service.catalogue)[::-1]
    shown = rows[query.offset : query.offset + query.limit]
    return shapes.LotPage(total=len(rows), items=[lot_shape(service.catalogue, row) for row in shown])


@router.get("/lots/{lot_id}", operation_id="show_lot", summary="Show how far a lot is",
            responses=documented("no_such_lot", "validation", *ACCESS, *STORAGE))  # fmt: skip
def show_lot(service: ServiceNow, _: MayRead, lot_id: shapes.LotId) -> shapes.Lot:
    return lot_shape(service.catalogue, store.lot(service.catalogue, lot_id))


@router.get("/lots/{lot_id}/items", operation_id="list_lot_items", summary="List a lot's pages with their state",
            responses=documented("no_such_lot", "validation", *ACCESS, *STORAGE))  # fmt: skip
def list_items(
    service: ServiceNow, _: MayRead, lot_id: shapes.LotId, query: Annotated[shapes.ItemsQuery, Query()]
) -> shapes.ItemPage:
    lot = store.lot(service.catalogue, lot_id)
    rows = store.items(service.catalogue, lot_id, query.state)
    shown = rows[query.offset : query.offset + query.limit]
    return shapes.ItemPage(total=len(rows), items=[_item(lot, row) for row in shown])


@router.get("/lots/{lot_id}/cards", operation_id="list_lot_cards", summary="List a lot's results, one row a card",
            responses=documented("no_such_lot", "validation", *ACCESS, *STORAGE))  # fmt: skip
def list_cards(
    service: ServiceNow, _: MayRead, lot_id: shapes.LotId, query: Annotated[Paged, Query()]
) -> shapes.CardPage:
    rows = [row for row in rows_of(service.catalogue, store.lot(service.catalogue, lot_id)) if row["card"]]
    shown = rows[query.offset : query.offset + query.limit]
    return shapes.CardPage(total=len(rows), items=[_without_folder(row) for row in shown])


@router.get("/lots/{lot_id}/cards/{card}/face", operation_id="show_lot_face", summary="Show a card's flattened face",
            response_class=Response,
            responses={200: {"description": "JPEG.",
                             "content": {"image/jpeg": {"schema": {"type": "string", "format": "binary"}}}},
                       **documented("no_such_lot", "no_such_card", "missing_file", "validation", *ACCESS, *STORAGE)},
            )  # fmt: skip
def show_face(service: ServiceNow, _: MayRead, lot_id: shapes.LotId, card: shapes.CardPath) -> Response:
    lot = store.lot(service.catalogue, lot_id)
    chosen = card_named(cards_of(service.catalogue, lot), lot, card)
    try:
        data = chosen.face_path(store.faces_of(service.catalogue, lot_id)).read_bytes()
    except OSError:
        raise Problem("missing_file") from None
    return Response(data, headers={"Cache-Control": "private, no-cache"}, media_type="image/jpeg")


@router.get("/lots/{lot_id}/{name}", operation_id="save_lot", summary="A lot's results as a file",
            response_class=Response,
            responses={200: {"description": "The file.",
                             "content": {kind: {"schema": {"type": "string"}} for kind in MEDIA.values()}},
                       **documented("no_such_lot", "validation", *ACCESS, *STORAGE)})  # fmt: skip
def results(service: ServiceNow, _: MayRead, lot_id: shapes.LotId, name: shapes.ResultsName) -> Response:
    kind = cast(Kind, name.rpartition(".")[2])
    data = as_bytes(service.catalogue, store.lot(service.catalogue, lot_id), kind, folders=False)
    headers = {"Content-Disposition": f'attachment; filename="{lot_id}-{name}"'}
    return Response(data, headers=headers, media_type=MEDIA[kind])


@router.post("/lots/{lot_id}/cancel", operation_id="cancel_lot", summary="End a lot",
             responses=documented("no_such_lot", "validation", "read_only", *ACCESS, *STORAGE))  # fmt: skip
def cancel(request: Request, service: ServiceNow, lot_id: shapes.LotId) -> shapes.Lot:
    """It is not worked on any more; what was found stays. Cancelling twice is no different."""
    allow(request, "decide")
    store.lot(service.catalogue, lot_id)
    store.change_lot(service.catalogue, lot_id, state="cancelled")
    return lot_shape(service.catalogue, store.lot(service.catalogue, lot_id))


@router.post("/lots/{lot_id}/retry", operation_id="retry_lot", summary="Try failed pages again",
             responses=documented("no_such_lot", "validation", "read_only", *ACCESS, *STORAGE))  # fmt: skip
async def retry(
    request: Request, service: ServiceNow, lot_id: shapes.LotId, item: shapes.ItemNumber = None
) -> shapes.Lot:
    """All that failed, or one of them."""

    def again() -> shapes.Lot:
        allow(request, "decide")
        lot = store.lot(service.catalogue, lot_id)
        store.requeue(service.catalogue, lot_id, None if item is None else [item])
        return lot_shape(service.catalogue, lot)

    answer = await run_in_threadpool(again)
    worker_of(request).wake()
    return answer


@router.get("/lots/{lot_id}/review/queue", operation_id="lot_queue", summary="What waits for a person",
            responses=documented("no_such_lot", "validation", *ACCESS, *STORAGE))  # fmt: skip
def waiting(
    service: ServiceNow, _: MayRead, response: Response, lot_id: shapes.LotId, query: Annotated[Paged, Query()]
) -> shapes.CasePage:
    """The decisions that settle most come first. The ETag is the lot's."""
    lot = store.lot(service.catalogue, lot_id)
    cards = cards_of(service.catalogue, lot)
    cases = queue(service.catalogue, lot, cards)
    response.headers["ETag"] = _lot_tag(service.catalogue, lot)
    return shapes.CasePage(
        total=len(cases),
        cards=sum(len(case.cards) for case in cases),
        known=len(to_confirm(service.catalogue, cards, 0.0)),
        items=[_case(case) for case in cases[query.offset : query.offset + query.limit]],
    )


@router.post("/lots/{lot_id}/review", operation_id="decide_lot", summary="Decide on a lot: accept, choose, undo, ...",
             status_code=201,
             responses=documented("no_such_card", "precondition_needed", "changed_since", "missing_value", "no_name",
                                  "missing_file", *MISSING, *CLASHES, *WRITING))  # fmt: skip
def decide(
    request: Request, service: ServiceNow, lot_id: shapes.LotId, wish: shapes.Wish, key: KeyHeader = None,
    if_match: MatchHeader = None,
) -> shapes.Decided:  # fmt: skip
    """One decision of the person who asks; what it settles with it is one batch."""
    who = allow(request, "decide", wish.by)
    if key is None:
        raise Problem("key_needed")
    if if_match is None:
        raise Problem("precondition_needed")
    lot = store.lot(service.catalogue, lot_id)
    asked = hashlib.sha256(canonical(wish.model_dump(mode="json")).encode()).hexdigest()
    batch = review.Batch(lot, wish.note, key=key, asked=asked)
    before = asked_before(service.catalogue, batch.key_of(0), asked)
    if before is not None:
        made = service.catalogue.decisions(batch=before.batch)
        return shapes.Decided(decisions=[decision_shape(row) for row in made])
    _unchanged(service.catalogue, lot, wish, if_match)
    rows = _carried_out(service.catalogue, lot, wish, who, batch)
    return shapes.Decided(decisions=[decision_shape(row) for row in rows])


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
        case shapes.ConfirmHeld():
            return review.confirm(catalogue, lot, cards_of(catalogue, lot), who, above=wish.above, batch=batch)
        case shapes.UndoLot():
            return review.undo(catalogue, lot, who, whole=wish.whole, batch=batch)
        case _:
            raise TypeError(f"no decision: {wish!r}")


def _apart(wish: shapes.AboutCard) -> tuple[str, ...] | None:
    return None if wish.alone else wish.apart


async def _sent(request: Request, key: str | None) -> tuple[Actor, list[Sent]]:
    who = await run_in_threadpool(allow, request, "decide")
    if key is None:
        raise Problem("key_needed")
    photos = await upload.read_uploads(request)
    return who, [Sent(photo.name, photo.data) for photo in photos]


def _unchanged(catalogue: Catalogue, lot: LotRow, wish: Any, if_match: str) -> None:
    """The client has seen the present state of what it decides on. Raises Problem changed_since."""
    named = {each.strip() for each in if_match.split(",")}
    if named == {"*"}:
        return
    tag = _tag(case_of(catalogue, lot, wish.card)) if isinstance(wish, shapes.AboutCard) else _lot_tag(catalogue, lot)
    if tag not in named:
        raise Problem("changed_since")


def _tag(case: Case) -> str:
    """Another as soon as other cards belong to the case; the same whichever of them is asked about."""
    told = [case.card.item.lot_id, *sorted(card.card for card in case.cards)]
    return f'"{hashlib.sha256(canonical(told).encode()).hexdigest()[:32]}"'


def _lot_tag(catalogue: Catalogue, lot: LotRow) -> str:
    """Another as soon as something was decided on the lot, or undone, or its items have changed."""
    told = [row.number for row in review.decisions(catalogue, lot)], store.counts(catalogue, lot.lot_id)
    return f'"{hashlib.sha256(canonical([lot.lot_id, *told]).encode()).hexdigest()[:32]}"'


def lot_shape(catalogue: Catalogue, row: LotRow) -> shapes.Lot:
    counts = shapes.Counts(**store.counts(catalogue, row.lot_id))
    return shapes.Lot(**{**asdict(row), "compared": bool(row.compared), "items": counts})


def _item(lot: LotRow, row: store.ItemRow) -> shapes.Item:
    """Messages about files of this machine may name its folders: of those the table's text is told."""
    message = (
        row.message if not lot.sources or not row.code else PROBLEMS[row.code].detail if row.code in PROBLEMS else ""
    )
    told = {**asdict(row), "page": row.page + 1, "message": message}
    return shapes.Item(**{name: told[name] for name in shapes.Item.model_fields})


def _case(case: Case) -> shapes.Case:
    return shapes.Case(
        etag=_tag(case), card=case.card.card, like=[card.card for card in case.like], find_id=case.find_id,
        skipped=case.skipped, row=_without_folder(card_row(case.card)),
        candidates=list(case.card.found["candidates"]),
    )  # fmt: skip


def _without_folder(row: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in row.items() if name != "folder"}


def worker_of(request: Request) -> LotWorker:
    service: Service = request.app.state.service
    return cast(LotWorker, service.lots)
