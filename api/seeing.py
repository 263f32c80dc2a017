"""Noting over HTTP that a known card was seen: a photo in, sightings of the records that it holds out."""

from __future__ import annotations

import hashlib
from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.concurrency import run_in_threadpool

from api import growth_schemas, upload
from api import viewing_schemas as shapes
from api.access import allow
from api.deciding import asked_before
from api.growth import WRITING, KeyHeader
from api.problems import Problem, documented
from api.routes import PHOTO, REQUEST, ServiceNow, answered
from api.schemas import corners_of
from matcher.catalogue import copies
from matcher.catalogue.decisions import DecisionRow
from matcher.workers import Job

router = APIRouter(prefix="/v1")


@router.post("/sightings", operation_id="note_sightings", summary="Note that known cards were seen in a photo",
             status_code=201, openapi_extra=upload.OPENAPI,
             responses=documented(*PHOTO, *REQUEST, "bad_outline", "bad_day", "busy", "timeout", "worker_lost",
                                  "changed", *WRITING))  # fmt: skip
async def note(
    request: Request, service: ServiceNow, query: Annotated[growth_schemas.ProposeQuery, Query()],
    key: KeyHeader = None,
) -> shapes.Noted:  # fmt: skip
    """Each card that is held becomes a sighting; one that was noted before stays as it is."""
    if key is None:
        raise Problem("key_needed")
    who = await run_in_threadpool(allow, request, "decide")
    service.queue.check_room()
    photo = await upload.read_upload(request)
    asked = hashlib.sha256(photo.data + query.said).hexdigest()
    before = await run_in_threadpool(asked_before, service.catalogue, key, asked)
    if before is not None:
        return shapes.Noted(decision=before.number, records=before.about.split())
    answer = await answered(service, Job(photo.name, photo.data, quad=corners_of(query.quad)))

    def store() -> DecisionRow | None:
        said = {"source": query.source, "seen_on": query.seen_on}
        return copies.see(service.catalogue, answer, photo.data, who, idempotency=(key, asked), **said)

    made = await run_in_threadpool(store)
    return shapes.Noted(decision=made and made.number, records=made.about.split() if made else [])
