"""The addresses of finds: cards that were taken for something new, listed, shown, and proposed."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import asdict
from typing import Annotated

from fastapi import APIRouter, Query, Request, Response
from starlette.concurrency import run_in_threadpool

from api import upload
from api.access import MayRead, allow
from api.curation import shapes
from api.curation.decision_requests import AboutFind
from api.curation.decisions import decision_shape
from api.curation.preconditions import (
    answered_with,
    asked_before,
    current_tag,
    headers_given,
    own_key,
    unchanged_since,
)
from api.paged import page_asked, picture_of
from api.parameters import KeyHeader, MatchHeader, PathWord, corners_of
from api.pictures import documented_jpeg, stored_bytes, stored_picture
from api.problems import ACCESS, PHOTO, REQUEST, SHOWING, STORAGE, WORK, WRITING, Problem, documented
from api.service import ServiceNow, answered, as_kept
from matcher.catalogue import Catalogue
from matcher.catalogue.finds import resolution
from matcher.catalogue.finds.outlining import outline_find
from matcher.catalogue.log.decisions import AskedBefore, DecisionRow
from matcher.jobs.job import Job

router = APIRouter(prefix="/v1")


@router.get("/finds", operation_id="list_finds", summary="List finds",
            responses=documented("validation", *ACCESS, *STORAGE))  # fmt: skip
def list_finds(service: ServiceNow, _: MayRead, query: Annotated[shapes.FindsQuery, Query()]) -> shapes.FindPage:
    """Finds by id, a page at a time."""
    rows = resolution.finds(service.catalogue, query.state, query.outcome, query.limit, query.offset)
    total = resolution.count_finds(service.catalogue, query.state, query.outcome)
    return shapes.FindPage(total=total, items=[shapes.Find.model_validate(asdict(row)) for row in rows])


@router.get("/finds/{find_id}", operation_id="show_find", summary="Show one find with its evidence",
            responses=documented("no_such_find", "validation", *ACCESS, *STORAGE))  # fmt: skip
def show_find(service: ServiceNow, _: MayRead, response: Response, find_id: PathWord) -> shapes.Find:
    # The tag first: what is decided in between makes it too old, and an If-Match with it fails. The other way round the
    # new tag would go with the old text, and would let a decision pass on what nobody has seen.
    response.headers["ETag"] = current_tag(service.catalogue, "find", find_id)
    row = resolution.find(service.catalogue, find_id)
    return shapes.Find.model_validate(asdict(row))


@router.get("/finds/{find_id}/image", operation_id="show_find_image", summary="Show the photo of a find",
            response_class=Response,
            responses={**documented_jpeg(),
                       **documented("no_such_find", "validation", *SHOWING, *ACCESS, *STORAGE)})  # fmt: skip
async def find_image(service: ServiceNow, _: MayRead, find_id: PathWord) -> Response:
    return await stored_picture(service, await run_in_threadpool(resolution.find, service.catalogue, find_id))


@router.post("/finds", operation_id="propose_finds", summary="Identify a photo and propose what is new on it",
             status_code=201, openapi_extra=upload.OPENAPI,
             responses=documented(*PHOTO, *REQUEST, "bad_outline", "bad_day", *WORK,
                                  "changed", *WRITING))  # fmt: skip
async def propose(
    request: Request, service: ServiceNow, query: Annotated[shapes.ProposeQuery, Query()], key: KeyHeader = None
) -> shapes.Proposed:
    """Each card that is a new crop, caption or pose becomes an open find; one proposed before stays as it is."""
    if key is None:
        raise Problem("key_needed")
    await run_in_threadpool(allow, request, "decide")
    key = own_key(request, key)
    service.queue.check_room()
    photo = await upload.read_upload(request)
    asked = await page_asked(service, photo, query.page, corners_of(query.quad), query.upright)
    request_hash = hashlib.sha256(photo.data + query.said).hexdigest()
    earlier = await run_in_threadpool(asked_before, service.catalogue, key, request_hash)
    if earlier is not None:
        return _proposed_by(service.catalogue, earlier, asked.pages)
    photo = await as_kept(service, photo, query.strip and asked.pages == 1)
    result = await answered(service, asked.of(photo).as_picture)
    data = picture_of(photo, result)

    def store() -> tuple[resolution.FindRow, ...]:
        return resolution.propose(
            service.catalogue, result.answer, data, source=query.source, seen_on=query.seen_on,
            only=range(len(result.answer.cards)) if query.whatever else None, idempotency=(key, request_hash),
        )  # fmt: skip

    try:
        return _proposed(await run_in_threadpool(store), asked.pages)
    except AskedBefore as before:
        made = await run_in_threadpool(answered_with, service.catalogue, before, request_hash)
        return await run_in_threadpool(_proposed_by, service.catalogue, made, asked.pages)


def _proposed_by(catalogue: Catalogue, decision: DecisionRow, pages: int) -> shapes.Proposed:
    return _proposed((resolution.find(catalogue, name) for name in decision.about.split()), pages)


@router.post("/finds/{find_id}/outline", operation_id="outline_find", summary="Give a find another outline",
             status_code=201,
             responses=documented("no_such_find", "already_decided", "nothing_changed", "precondition_needed",
                                  "changed_since", "bad_outline", "validation", *PHOTO, *WORK, "changed",
                                  *WRITING))  # fmt: skip
async def outline(
    request: Request, service: ServiceNow, find_id: PathWord, query: Annotated[shapes.OutlineQuery, Query()],
    key: KeyHeader = None, if_match: MatchHeader = None,
) -> shapes.Decision:  # fmt: skip
    """The find then proposes what is found within the outline; like every decision, it can be undone."""
    who = await run_in_threadpool(allow, request, "decide", query.by)
    key, if_match = headers_given(key, if_match)
    key = own_key(request, key)
    request_hash = hashlib.sha256(f"outline {find_id} {query.quad} {query.upright}".encode()).hexdigest()
    earlier = await run_in_threadpool(asked_before, service.catalogue, key, request_hash)
    if earlier is not None:
        return decision_shape(earlier)
    row = await run_in_threadpool(resolution.find, service.catalogue, find_id)
    service.queue.check_room()
    data = await run_in_threadpool(stored_bytes, service.catalogue.image_path(row), row.sha256)
    result = await answered(service, Job(row.name, data, quad=corners_of(query.quad), upright=query.upright))
    check = unchanged_since(AboutFind(find_id=find_id), if_match)

    def store() -> shapes.Decision:
        made = outline_find(
            service.catalogue, find_id, result.answer, data, who, idempotency=(key, request_hash), check=check
        )
        return decision_shape(made)

    try:
        return await run_in_threadpool(store)
    except AskedBefore as before:
        return decision_shape(await run_in_threadpool(answered_with, service.catalogue, before, request_hash))


def _proposed(rows: Iterable[resolution.FindRow], pages: int) -> shapes.Proposed:
    return shapes.Proposed(items=[shapes.Find.model_validate(asdict(row)) for row in rows], pages=pages)
