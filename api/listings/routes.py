"""`POST /v1/listings`: a listing's text and pictures in, the same object out that `platekin listing` gives.

Each picture takes a place in the queue like any other photo; the words are weighed on a thread.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from fastapi import APIRouter, Depends, Request
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile

from api.access import may_read
from api.listings.shapes import Listing
from api.paged import every_page
from api.problems import ACCESS, PHOTO, PROBLEMS, REQUEST, STORAGE, WORK, Fault, Problem, documented
from api.service import ServiceNow
from api.upload import Upload, as_upload, form_of
from matcher.jobs.listing.batch import MOST_PHOTOS
from matcher.jobs.listing.inspection import InspectCards, ListingPhoto
from matcher.jobs.listing.text import MOST_BYTES, words_of

OPENAPI: dict[str, Any] = {
    "requestBody": {
        "required": True,
        "content": {
            "multipart/form-data": {
                "schema": {
                    "type": "object",
                    "required": ["text", "photo"],
                    "additionalProperties": False,
                    "properties": {
                        "text": {"type": "string", "minLength": 1, "description": "Title and description; plain text."},
                        "photo": {
                            "type": "array",
                            "minItems": 1,
                            "maxItems": MOST_PHOTOS,
                            "items": {"type": "string", "format": "binary"},
                        },
                    },
                }
            }
        },
    }
}

router = APIRouter(prefix="/v1", dependencies=[Depends(may_read)])


@router.post(
    "/listings",
    operation_id="weigh_listing",
    summary="Compare what a sale listing says with what its pictures show",
    response_model=Listing,
    openapi_extra=OPENAPI,
    responses=documented(
        *PHOTO, *REQUEST, *ACCESS, "empty_text", "text_too_large", "no_photo", "too_many_photos", "bad_vocabulary",
        *WORK, *STORAGE,
    ),
)  # fmt: skip
async def weigh(request: Request, service: ServiceNow) -> dict[str, Any]:
    """Claim by claim: agrees, contradicts, cannot be told from these pictures; addresses in the text are not followed.

    Every page of a TIFF or PDF is a picture. One that cannot be read is told in its own answer, and the others go on.
    """
    service.queue.check_room()
    given = await read_listing(request)
    await run_in_threadpool(words_of, given.text)  # refused before any work is done
    assessor = await run_in_threadpool(service.assessors.now)
    jobs = [job for photo in given.photos for job in await every_page(service, photo)]
    if len(jobs) > MOST_PHOTOS:
        raise Problem("too_many_photos")
    pictures = []
    for job in jobs:
        result = await service.queue.answer(replace(job, steps=(InspectCards(),)), service.timeout)
        error = result.answer.error
        if error and error.code not in ("no_card", *PHOTO):
            raise Problem(error.code, error.message if error.code in PROBLEMS else "")
        pictures.append(ListingPhoto.of(result))
    return await run_in_threadpool(assessor.assess, "the text", given.text, pictures)


@dataclass(frozen=True)
class Given:
    """A listing as it came."""

    text: str
    photos: tuple[Upload, ...]


async def read_listing(request: Request) -> Given:
    """The form's text and its files. Raises Problem not_multipart, bad_form, validation, no_photo, ..."""
    try:
        # One more than is allowed, so that too many are told as such.
        async with form_of(request, MOST_PHOTOS + 1, max_part_size=MOST_BYTES) as form:
            text, files = _parts(form)
            return Given(text, tuple([await as_upload(file) for file in files]))
    except Problem as problem:
        if problem.code == "bad_form" and "exceeded maximum size" in problem.detail:
            raise Problem("text_too_large") from None
        raise


def _parts(form: FormData) -> tuple[str, list[UploadFile]]:
    parts = form.multi_items()
    strange = sorted({name for name, _ in parts if name not in ("text", "photo")})
    faults = [Fault("body", name, "is not expected: send text and photo") for name in strange]
    texts = [value for name, value in parts if name == "text"]
    files = [value for name, value in parts if name == "photo"]
    if len(texts) != 1 or not isinstance(texts[0], str):
        faults.append(Fault("body", "text", "must be given once, as a field without a file name"))
    if any(not isinstance(file, UploadFile) for file in files):
        faults.append(Fault("body", "photo", "must be a file: give the part a file name"))
    if faults:
        raise Problem("validation", faults=faults)
    pictures = [file for file in files if isinstance(file, UploadFile)]
    if not pictures or len(pictures) > MOST_PHOTOS:
        raise Problem("too_many_photos" if pictures else "no_photo")
    return str(texts[0]), pictures
