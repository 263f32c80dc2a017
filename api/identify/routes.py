"""`POST /v1/identify`: a photo in, every card on it with its record out, as far as that can be told."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query, Request

from api import upload
from api.access import may_read
from api.identify.shapes import Identification, IdentifyQuery
from api.paged import page_asked
from api.parameters import corners_of
from api.problems import ACCESS, PHOTO, REQUEST, STORAGE, WORK, documented
from api.service import ServiceNow, answered
from matcher.core.answer_json import to_json

router = APIRouter(prefix="/v1", dependencies=[Depends(may_read)])


@router.post(
    "/identify",
    operation_id="identify",
    summary="Identify the cards in a photo",
    response_model=Identification,
    response_model_exclude_unset=True,
    openapi_extra=upload.OPENAPI,
    responses=documented(*PHOTO, *REQUEST, *ACCESS, "bad_outline", *WORK, *STORAGE),
)
async def identify(request: Request, service: ServiceNow, query: Annotated[IdentifyQuery, Query()]) -> dict[str, Any]:
    """Find every card in the photo and tell which record it is, as far as the picture shows.

    A photo in which no card is found is not an error: it is answered with an empty list of cards and the reason. Of a
    TIFF or PDF with several pages this is the one that `page` names, and `pages` says how many there are.
    """
    service.queue.check_room()
    photo = await upload.read_upload(request)
    asked = await page_asked(service, photo, query.page, corners_of(query.quad), query.upright)
    result = await answered(service, asked.job)
    answer = to_json(result.answer.with_candidates(query.top))
    return {**answer, "pages": asked.pages} if asked.pages > 1 else answer
