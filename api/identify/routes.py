"""`POST /v1/identify`: a photo in, every card on it with its record out, as far as that can be told."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query, Request

from api import upload
from api.access import may_read
from api.identify.shapes import Identification, IdentifyQuery
from api.parameters import corners_of
from api.problems import ACCESS, PHOTO, REQUEST, STORAGE, WORK, documented
from api.service import ServiceNow, answered
from matcher.core.answer_json import to_json
from matcher.jobs.job import Job

router = APIRouter(prefix="/v1", dependencies=[Depends(may_read)])


@router.post(
    "/identify",
    operation_id="identify",
    summary="Say which known variations a photo shows",
    response_model=Identification,
    openapi_extra=upload.OPENAPI,
    responses=documented(*PHOTO, *REQUEST, *ACCESS, "bad_outline", *WORK, *STORAGE),
)
async def identify(request: Request, service: ServiceNow, query: Annotated[IdentifyQuery, Query()]) -> dict[str, Any]:
    """Find every card in the photo and say which record it is, as far as that can be told.

    A photo in which no card is found is no problem: it is answered with an empty list of cards and the reason.
    """
    service.queue.check_room()
    photo = await upload.read_upload(request)
    result = await answered(service, Job(photo.name, photo.data, quad=corners_of(query.quad), upright=query.upright))
    return to_json(result.answer.with_candidates(query.top))
