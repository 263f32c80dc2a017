"""The addresses of noting cards as seen, and of the plot of scarcity."""

from __future__ import annotations

import hashlib
import tempfile
from pathlib import Path
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request, Response
from starlette.concurrency import run_in_threadpool

from api import growth_schemas as shapes
from api import upload
from api.access import MayRead, allow
from api.deciding import asked_before
from api.growth import WRITING, KeyHeader, decision_shape
from api.pictures import showable
from api.problems import Problem, documented
from api.routes import ACCESS, PHOTO, REQUEST, STORAGE, ServiceNow, answered
from api.schemas import corners_of
from matcher.catalogue.finds import sightings
from matcher.catalogue.finds.resolution import check_day
from matcher.catalogue.log.decisions import DecisionRow
from matcher.catalogue.records import scarcity
from matcher.jobs.workers import Job

router = APIRouter(prefix="/v1")


@router.get("/sightings/{number}/image", operation_id="show_sighting_image", summary="Show the photo of a sighting",
            response_class=Response,
            responses={200: {"description": "At most 1600 px on its longer side, without metadata.",
                             "content": {"image/jpeg": {"schema": {"type": "string", "format": "binary"}}}},
                       **documented("no_such_sighting", "validation", *ACCESS, *STORAGE)})  # fmt: skip
def sighting_image(service: ServiceNow, _: MayRead, number: shapes.DecisionNumber) -> Response:
    row = sightings.sighting(service.catalogue, number)
    with service.decoding:
        data = showable(service.catalogue.image_path(row), row.sha256)
    return Response(data, headers={"Cache-Control": "private, no-cache"}, media_type="image/jpeg")


@router.post("/sightings", operation_id="see", summary="Identify a photo, and note its known cards as seen",
             status_code=201, openapi_extra=upload.OPENAPI,
             responses=documented(*PHOTO, *REQUEST, "bad_outline", "bad_day", "no_name", "busy", "timeout",
                                  "worker_lost", "changed", *WRITING))  # fmt: skip
async def see(
    request: Request, service: ServiceNow, query: Annotated[shapes.SeeQuery, Query()], key: KeyHeader = None
) -> shapes.Seen:
    """Each card that is a known record becomes a sighting; `decision` is null where there is none, or none is new."""
    if key is None:
        raise Problem("key_needed")
    check_day(query.seen_on)
    who = await run_in_threadpool(allow, request, "decide", query.by)
    service.queue.check_room()
    photo = await upload.read_upload(request)
    asked = hashlib.sha256(b"see " + photo.data + query.said).hexdigest()
    before = await run_in_threadpool(asked_before, service.catalogue, key, asked)
    if before is not None:
        return _seen(before)
    answer = await answered(service, Job(photo.name, photo.data, quad=corners_of(query.quad)))

    def store() -> shapes.Seen:
        told: dict[str, Any] = {"source": query.source, "seen_on": query.seen_on, "idempotency": (key, asked)}
        return _seen(sightings.note_sightings(service.catalogue, answer, photo.data, who, **told))

    return await run_in_threadpool(store)


@router.get("/scarcity.svg", operation_id="scarcity_plot", summary="How many copies have been seen, as a plot",
            response_class=Response,
            responses={200: {"description": "The plot.", "content": {"image/svg+xml": {"schema": {"type": "string"}}}},
                       **documented("validation", *ACCESS, *STORAGE)})  # fmt: skip
def scarcity_plot(service: ServiceNow, _: MayRead, query: Annotated[shapes.PlotQuery, Query()]) -> Response:
    rows = scarcity.scarcity(service.catalogue, query.series)
    with tempfile.TemporaryDirectory() as scratch:
        scarcity.plot(rows, Path(scratch) / "scarcity.svg")
        drawn = (Path(scratch) / "scarcity.svg").read_bytes()
    return Response(drawn, media_type="image/svg+xml")


def _seen(row: DecisionRow | None) -> shapes.Seen:
    return shapes.Seen(decision=row and decision_shape(row), records=row.about.split() if row else [])
