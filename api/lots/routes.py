"""The addresses of lots: photos sent together, worked on while nobody waits; how far they are, and what was found.

Sending wants an Idempotency-Key.
"""

from __future__ import annotations

import hashlib
from dataclasses import asdict
from typing import Annotated, Any, cast

from fastapi import APIRouter, Query, Request, Response
from starlette.concurrency import run_in_threadpool

from api import upload
from api.access import MayRead, allow, scope_held
from api.lots import shapes
from api.parameters import KeyHeader, Paged
from api.pictures import documented_jpeg
from api.problems import ACCESS, PROBLEMS, REQUEST, SHOWING, STORAGE, WRITING, Problem, documented
from api.service import Service, ServiceNow
from matcher.catalogue import Catalogue
from matcher.catalogue.log.decisions import Actor
from matcher.catalogue.records.files import picture_of_face
from matcher.core.errors import CatalogueError
from matcher.jobs.lot import store
from matcher.jobs.lot.cards import cards_of
from matcher.jobs.lot.cleaning import check_share, forget_lot
from matcher.jobs.lot.faces import LOST, mend_faces
from matcher.jobs.lot.job_queue import Sent, receive
from matcher.jobs.lot.results import Kind, as_bytes, rows_of
from matcher.jobs.lot.review_queue import card_named
from matcher.jobs.lot.store import LotRow

MEDIA = {"csv": "text/csv", "jsonl": "application/jsonl",
         "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"}  # fmt: skip
SENDING = ("no_such_lot", *WRITING, *REQUEST)

router = APIRouter(prefix="/v1")


@router.post("/lots", operation_id="send_lot", summary="Send photos to be tagged together", status_code=201,
             openapi_extra=upload.MANY, responses=documented("no_pictures", "share_used_up", *SENDING))  # fmt: skip
async def send(
    request: Request, service: ServiceNow, query: Annotated[shapes.NewLot, Query()], key: KeyHeader = None
) -> shapes.Lot:
    """A new lot. The answer comes at once, the work is done in the background. Sent again, it is the same lot.

    With `strip` each photo is read before the answer comes, and each page of a file becomes a photo of its own; one
    that cannot be read is a failed item, and not kept.
    """
    who, photos = await _sent(request, key)

    def made() -> shapes.Lot:
        known = hashlib.sha256(f"{who.name}\n{key}".encode()).hexdigest()
        options = store.options_of(query.sides, query.strip)
        name = query.name or photos[0].name
        check_share(service.catalogue, who.name, sum(len(photo.data) for photo in photos), service.share)
        lot = store.make_lot(service.catalogue, known, name, who.name, [], options, served=True)
        if lot.options != options or lot.name != name:  # the key was used for another one
            raise Problem("bad_key")
        try:
            receive(service.catalogue, lot, photos, service.catalogue.settings)
        except CatalogueError:
            if not any(store.counts(service.catalogue, lot.lot_id).values()):
                forget_lot(service.catalogue, lot.lot_id)  # nothing of it is here: asked again, it is made again
            raise
        return lot_shape(service.catalogue, lot)

    answer = await run_in_threadpool(made)
    service.lots.wake()
    return answer


@router.post("/lots/{lot_id}/photos", operation_id="send_more", summary="Send more photos of a lot", status_code=201,
             openapi_extra=upload.MANY,
             responses=documented("no_pictures", "lot_ended", "share_used_up", *SENDING))  # fmt: skip
async def send_more(request: Request, service: ServiceNow, lot_id: shapes.LotId, key: KeyHeader = None) -> shapes.Lot:
    """A photo of the same name and content is not taken twice."""
    who, photos = await _sent(request, key)

    def added() -> shapes.Lot:
        lot = store.lot(service.catalogue, lot_id)
        if not lot.served or lot.state != "open":
            raise Problem("lot_ended")
        check_share(service.catalogue, who.name, sum(len(photo.data) for photo in photos), service.share)
        receive(service.catalogue, lot, photos, service.catalogue.settings)
        return lot_shape(service.catalogue, lot)

    answer = await run_in_threadpool(added)
    service.lots.wake()
    return answer


@router.get("/lots", operation_id="list_lots", summary="List lots",
            responses=documented("validation", *ACCESS, *STORAGE))  # fmt: skip
def list_lots(service: ServiceNow, _: MayRead, query: Annotated[Paged, Query()]) -> shapes.LotPage:
    rows = store.lots(service.catalogue)[::-1]
    shown = rows[query.offset : query.offset + query.limit]
    return shapes.LotPage(total=len(rows), items=[lot_shape(service.catalogue, row) for row in shown])


@router.get("/lots/{lot_id}", operation_id="show_lot", summary="Show the progress of a lot",
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
    return shapes.ItemPage(total=len(rows), items=[item_shape(lot, row) for row in shown])


@router.get("/lots/{lot_id}/cards", operation_id="list_lot_cards", summary="List a lot's results, one row per card",
            responses=documented("no_such_lot", "validation", *ACCESS, *STORAGE))  # fmt: skip
def list_cards(
    service: ServiceNow, _: MayRead, lot_id: shapes.LotId, query: Annotated[Paged, Query()]
) -> shapes.CardPage:
    rows = [row for row in rows_of(service.catalogue, store.lot(service.catalogue, lot_id)) if row["card"]]
    shown = rows[query.offset : query.offset + query.limit]
    return shapes.CardPage(total=len(rows), items=[without_folder(row) for row in shown])


@router.get("/lots/{lot_id}/cards/{card}/face", operation_id="show_lot_face", summary="Show a card's front, flattened",
            response_class=Response,
            responses={**documented_jpeg("JPEG."),
                       **documented("no_such_lot", "no_such_card", "missing_file", "validation", *SHOWING, *ACCESS,
                                    *STORAGE)})  # fmt: skip
def show_face(service: ServiceNow, _: MayRead, lot_id: shapes.LotId, card: shapes.CardPath) -> Response:
    lot = store.lot(service.catalogue, lot_id)
    chosen = card_named(cards_of(service.catalogue, lot), lot, card)
    if mend_faces(service.catalogue, lot, service.catalogue.settings, [chosen]):
        raise Problem("missing_file", f"Card {card}: {LOST}.")
    try:
        data = picture_of_face(chosen.face_path(store.faces_of(service.catalogue, lot_id)).read_bytes())
    except OSError:
        raise Problem("missing_file") from None
    return Response(data, headers={"Cache-Control": "private, no-cache"}, media_type="image/jpeg")


@router.get("/lots/{lot_id}/{name}", operation_id="save_lot", summary="Download a lot's results as a file",
            response_class=Response,
            responses={200: {"description": "The file.",
                             "content": {kind: {"schema": {"type": "string"}} for kind in MEDIA.values()}},
                       **documented("no_such_lot", "validation", *ACCESS, *STORAGE)})  # fmt: skip
def results(service: ServiceNow, _: MayRead, lot_id: shapes.LotId, name: shapes.ResultsName) -> Response:
    kind = cast(Kind, name.rpartition(".")[2])
    data = as_bytes(service.catalogue, store.lot(service.catalogue, lot_id), kind, folders=False)
    headers = {"Content-Disposition": f'attachment; filename="{lot_id}-{name}"'}
    return Response(data, headers=headers, media_type=MEDIA[kind])


@router.post("/lots/{lot_id}/cancel", operation_id="cancel_lot", summary="Cancel a lot",
             responses=documented("no_such_lot", "validation", "read_only", *ACCESS, *STORAGE))  # fmt: skip
def cancel(request: Request, service: ServiceNow, lot_id: shapes.LotId) -> shapes.Lot:
    """No more work is done on it; what was found stays. Cancelling it again changes nothing. Another person's lot needs
    the scope manage."""
    _own(request, service, lot_id)
    store.change_lot(service.catalogue, lot_id, state="cancelled")
    return lot_shape(service.catalogue, store.lot(service.catalogue, lot_id))


@router.delete("/lots/{lot_id}", operation_id="forget_lot", summary="Delete a lot", status_code=204,
               responses=documented("no_such_lot", "lot_busy", "validation", "read_only", *ACCESS,
                                    *STORAGE))  # fmt: skip
def take_away(request: Request, service: ServiceNow, lot_id: shapes.LotId) -> None:
    """Deletes its photos and fronts; what was decided on it stays. Another person's lot needs the scope manage."""
    _own(request, service, lot_id)
    forget_lot(service.catalogue, lot_id)


@router.post("/lots/{lot_id}/retry", operation_id="retry_lot", summary="Try failed pages again",
             responses=documented("no_such_lot", "validation", "read_only", *ACCESS, *STORAGE))  # fmt: skip
async def retry(
    request: Request, service: ServiceNow, lot_id: shapes.LotId, item: shapes.ItemNumber = None
) -> shapes.Lot:
    """All pages that failed, or one of them."""

    def again() -> shapes.Lot:
        allow(request, "decide")
        lot = store.lot(service.catalogue, lot_id)
        store.requeue(service.catalogue, lot_id, None if item is None else [item])
        return lot_shape(service.catalogue, lot)

    answer = await run_in_threadpool(again)
    service.lots.wake()
    return answer


def _own(request: Request, service: Service, lot_id: str) -> None:
    """Raises Problem not_allowed where it is another person's, CatalogueError no_such_lot."""
    who = allow(request, "decide")
    if store.lot(service.catalogue, lot_id).who != who.name and scope_held(request) != "manage":
        raise Problem("not_allowed", "The lot is another person's.")


async def _sent(request: Request, key: str | None) -> tuple[Actor, list[Sent]]:
    who = await run_in_threadpool(allow, request, "decide")
    if key is None:
        raise Problem("key_needed")
    photos = await upload.read_uploads(request)
    return who, [Sent(photo.name, photo.data) for photo in photos]


def lot_shape(catalogue: Catalogue, row: LotRow) -> shapes.Lot:
    """A lot as it is answered, with its items counted by state."""
    counts = shapes.Counts(**store.counts(catalogue, row.lot_id))
    return shapes.Lot(**{**asdict(row), "compared": bool(row.compared), "items": counts})


def item_shape(lot: LotRow, row: store.ItemRow) -> shapes.Item:
    """Messages about files of this machine may name its folders: of those only the table's advice is passed on, but
    for what is told of the item by its name alone."""
    message = row.message
    if lot.sources and row.code and not _names_no_folder(row):
        message = PROBLEMS[row.code].advice if row.code in PROBLEMS else ""
    fields = {**asdict(row), "page": row.page + 1, "message": message}
    return shapes.Item(**{name: fields[name] for name in shapes.Item.model_fields})


def _names_no_folder(row: store.ItemRow) -> bool:
    told = row.message.removeprefix(f"{row.label}: ")
    return told != row.message and not any(mark in told for mark in "/\\")


def without_folder(row: dict[str, Any]) -> dict[str, Any]:
    """A row of the results without the folder of its scan, which is no client's affair."""
    return {name: value for name, value in row.items() if name != "folder"}
