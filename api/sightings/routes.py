"""The addresses of cards that were seen: listed, shown, and noted."""

from __future__ import annotations

import hashlib
from dataclasses import asdict, replace
from typing import Annotated

from fastapi import APIRouter, Query, Request, Response
from starlette.concurrency import run_in_threadpool

from api import upload
from api.access import MayRead, allow
from api.curation.decisions import decision_shape
from api.curation.preconditions import answered_with, asked_before, own_key
from api.paged import page_asked, picture_of
from api.parameters import KeyHeader, PathNumber, corners_of
from api.pictures import documented_jpeg, stored_picture
from api.problems import ACCESS, PHOTO, REQUEST, SHOWING, STORAGE, WORK, WRITING, Problem, documented
from api.service import ServiceNow, answered, as_kept
from api.sightings import shapes
from matcher.catalogue.finds import sightings
from matcher.catalogue.finds.resolution import check_day
from matcher.catalogue.log.decisions import AskedBefore, DecisionRow
from matcher.core.answer import KNOWN, PhotoAnswer

router = APIRouter(prefix="/v1")


@router.get("/sightings", operation_id="list_sightings", summary="List sightings: cards seen that are not references",
            responses=documented("validation", *ACCESS, *STORAGE))  # fmt: skip
def list_sightings(
    service: ServiceNow, _: MayRead, query: Annotated[shapes.SightingsQuery, Query()]
) -> shapes.SightingPage:
    rows = sightings.sightings(service.catalogue, query.record)
    shown = rows[query.offset : query.offset + query.limit]
    items = [shapes.Sighting.model_validate(asdict(row)) for row in shown]
    return shapes.SightingPage(total=len(rows), items=items)


@router.get("/sightings/{number}/image", operation_id="show_sighting_image", summary="Show the photo of a sighting",
            response_class=Response,
            responses={**documented_jpeg(),
                       **documented("no_such_sighting", "validation", *SHOWING, *ACCESS, *STORAGE)})  # fmt: skip
async def sighting_image(service: ServiceNow, _: MayRead, number: PathNumber) -> Response:
    return await stored_picture(service, await run_in_threadpool(sightings.sighting, service.catalogue, number))


@router.post("/sightings", operation_id="see", summary="Identify a photo and note its known cards as seen",
             status_code=201, openapi_extra=upload.OPENAPI,
             responses=documented(*PHOTO, *REQUEST, "bad_outline", "bad_day", "no_name", *WORK, "changed",
                                  "no_such_record", *WRITING))  # fmt: skip
async def see(
    request: Request, service: ServiceNow, query: Annotated[shapes.SeeQuery, Query()], key: KeyHeader = None
) -> shapes.Seen:
    """Each card that is a known record becomes a sighting; `decision` is null where there is none, or none is new.

    With `record`, the person who asks says which record the card within `quad` is.
    """
    if key is None:
        raise Problem("key_needed")
    check_day(query.seen_on)
    if query.record is not None:
        if query.quad is None:
            raise Problem("validation", "Say with `quad` which card it is.")
        await run_in_threadpool(service.catalogue.record, query.record)
    who = await run_in_threadpool(allow, request, "decide", query.by)
    key = own_key(request, key)
    service.queue.check_room()
    photo = await upload.read_upload(request)
    asked = await page_asked(service, photo, query.page, corners_of(query.quad), query.upright)
    request_hash = hashlib.sha256(b"see " + photo.data + query.said).hexdigest()
    earlier = await run_in_threadpool(asked_before, service.catalogue, key, request_hash)
    if earlier is not None:
        return _seen(earlier, asked.pages)
    photo = await as_kept(service, photo, query.strip and asked.pages == 1)
    result = await answered(service, asked.of(photo).as_picture)
    data = picture_of(photo, result)

    def store() -> shapes.Seen:
        decision = sightings.note_sightings(
            service.catalogue, _by_word(result.answer, query.record), data, who, source=query.source,
            seen_on=query.seen_on, idempotency=(key, request_hash),
        )  # fmt: skip
        return _seen(decision, asked.pages)

    try:
        return await run_in_threadpool(store)
    except AskedBefore as before:
        made = await run_in_threadpool(answered_with, service.catalogue, before, request_hash)
        return _seen(made, asked.pages)


def _by_word(answer: PhotoAnswer, record_id: str | None) -> PhotoAnswer:
    """The answer with its cards as a person has named them."""
    if record_id is None:
        return answer
    return replace(answer, cards=tuple(replace(card, outcome=KNOWN, record_id=record_id) for card in answer.cards))


def _seen(row: DecisionRow | None, pages: int) -> shapes.Seen:
    records = row.about.split() if row else []
    return shapes.Seen(decision=row and decision_shape(row), records=records, pages=pages)
