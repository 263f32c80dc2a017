"""The addresses: one short function each, which asks the part that knows and puts the answer in shape.

Reading from the catalogue blocks, so those are plain functions, which run on threads; only `identify`, which reads
a body and waits for a worker, is asynchronous.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass, field
from typing import Annotated, Any, cast

from fastapi import APIRouter, Depends, Path, Query, Request, Response

from api import browse, schemas, upload
from api.access import may_read
from api.deciding import tag_of
from api.kept import Keeper
from api.lot_worker import LotWorker
from api.pictures import entity_tag, showable
from api.problems import PROBLEMS, Problem, documented
from api.queue import WorkQueue
from matcher.catalogue import Catalogue
from matcher.catalogue.exchange.zipped import Limits
from matcher.catalogue.log.changes import Draft
from matcher.catalogue.records.name_search import Names
from matcher.core.answer_json import to_json
from matcher.jobs.job import Job, JobResult
from matcher.jobs.listing.assess import Assessors


@dataclass(frozen=True)
class Service:
    """What the addresses work with.

    names, assessors: kept ready for searching and for listings. decoding: how many reference images may be decoded at
    once. tokens_needed: whether requests have to come with a token, see `access`. lots: works on what was sent
    together. kept: comparisons whose pictures are still asked for. importing: one import at a time; unpacking: how
    much its zip may hold.
    """

    catalogue: Catalogue
    queue: WorkQueue
    timeout: float
    versions: dict[str, str]
    decoding: threading.Semaphore
    names: Names
    assessors: Assessors
    tokens_needed: bool = False
    lots: LotWorker | None = None
    kept: Keeper = field(default_factory=Keeper)
    importing: threading.Semaphore = field(default_factory=threading.Semaphore)
    unpacking: Limits = field(default_factory=Limits)


def the_service(request: Request) -> Service:
    return cast(Service, request.app.state.service)


ServiceNow = Annotated[Service, Depends(the_service)]
STORAGE = ("damaged", "locked", "not_a_catalogue", "newer_version", "unreachable", "disk_full", "unexpected")
ACCESS = ("no_token", "not_allowed")
PHOTO = ("empty_file", "not_an_image", "truncated", "too_many_pixels", "file_too_large", "too_small", "animated")
REQUEST = ("body_too_large", "bad_form", "bad_request", "not_multipart", "validation")

router = APIRouter(prefix="/v1", dependencies=[Depends(may_read)])


async def answered(service: Service, job: Job) -> JobResult:
    """What a worker says of a photo; that it shows no card is an answer. Raises Problem for what is wrong with it."""
    result = await service.queue.answer(job, service.timeout)
    error = result.answer.error
    if error and error.code != "no_card":
        raise Problem(error.code, error.message if error.code in PROBLEMS else "")
    return result


@router.post(
    "/identify",
    operation_id="identify",
    summary="Say which known variations a photo shows",
    response_model=schemas.Identification,
    openapi_extra=upload.OPENAPI,
    responses=documented(*PHOTO, *REQUEST, *ACCESS, "bad_outline", "busy", "timeout", "worker_lost", *STORAGE),
)
async def identify(
    request: Request, service: ServiceNow, query: Annotated[schemas.IdentifyQuery, Query()]
) -> dict[str, Any]:
    """Find every card in the photo and say which record it is, as far as that can be told.

    A photo in which no card is found is no problem: it is answered with an empty list of cards and the reason.
    """
    service.queue.check_room()
    photo = await upload.read_upload(request)
    result = await answered(service, Job(photo.name, photo.data, quad=schemas.corners_of(query.quad)))
    return to_json(result.answer.with_candidates(query.top))


@router.get(
    "/records",
    operation_id="list_records",
    summary="List records",
    responses=documented("validation", *ACCESS, *STORAGE),
)
def records(service: ServiceNow, query: Annotated[schemas.RecordsQuery, Query()]) -> schemas.RecordPage:
    """The known variations by id, a page at a time."""
    return browse.page_of_records(service.catalogue, query)


@router.get(
    "/records/{record_id:path}",  # :path, because a record's id is its owner's affair and may hold a slash
    operation_id="show_record",
    summary="Show one record with its references",
    responses=documented("no_such_record", "validation", *ACCESS, *STORAGE),
)
def record(
    service: ServiceNow, response: Response, record_id: Annotated[schemas.Words, Path(min_length=1)]
) -> schemas.RecordDetail:
    found = browse.record_detail(service.catalogue, record_id)
    with service.catalogue.reading() as connection:
        response.headers["ETag"] = tag_of(Draft(connection), "record", record_id)
    return found


@router.get(
    "/references/{reference_id}/image",
    operation_id="show_reference",
    summary="Show the image of a reference",
    response_class=Response,
    responses={
        200: {
            "description": "At most 1600 px on its longer side, without metadata.",
            "content": {"image/jpeg": {"schema": {"type": "string", "format": "binary"}}},
            "headers": {"ETag": {"schema": {"type": "string"}}},
        },
        304: {"description": "The client holds this image already."},
        **documented("no_such_reference", "validation", *ACCESS, *STORAGE),
    },
)
def reference_image(request: Request, service: ServiceNow, reference_id: schemas.RowId) -> Response:
    """The enrolled image, upright and made anew for showing."""
    reference = service.catalogue.reference(reference_id)
    tag = entity_tag(reference.sha256)
    headers = {"ETag": tag, "Cache-Control": "private, no-cache", "Content-Disposition": "inline"}
    if _holds(request.headers.get("if-none-match", ""), tag):
        return Response(status_code=304, headers=headers)
    with service.decoding:
        data = showable(service.catalogue.image_path(reference), reference.sha256)
    return Response(data, headers=headers, media_type="image/jpeg")


@router.get(
    "/health",
    operation_id="health",
    summary="Say how the service is",
    responses=documented(*ACCESS, *STORAGE),
)
def health(service: ServiceNow) -> schemas.Health:
    return browse.health(service.catalogue, service.queue.load(), service.versions)


def _holds(if_none_match: str, tag: str) -> bool:
    """Whether the header names this entity (RFC 9110, 13.1.2: weakly compared)."""
    named = [each.strip().removeprefix("W/") for each in if_none_match.split(",")]
    return tag in named or named == ["*"]
