"""`POST /v1/listings`: a listing's text and pictures in, the same object out that `platekin listing` gives.

Each picture takes a place in the queue like any other photo; the words are weighed on a thread.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from fastapi import APIRouter, Depends, Request
from pydantic import Field
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile

from api.access import may_read
from api.problems import PROBLEMS, Fault, Problem, documented
from api.routes import ACCESS, PHOTO, REQUEST, STORAGE, ServiceNow
from api.schemas import Contract, Identification, PhotoError, Probability
from api.upload import Upload, as_upload, form_of
from matcher.jobs.job import Job
from matcher.jobs.listing.batch import MOST_PHOTOS
from matcher.jobs.listing.inspection import InspectCards, ListingPhoto
from matcher.jobs.listing.text import MOST_BYTES, words_of

Status = Literal["agrees", "contradicts", "cannot be told"]


class Claim(Contract):
    """One thing that the text says, and what the pictures say of it."""

    kind: str
    value: str = Field(description="In the catalogue's or the vocabulary's words.")
    denied: bool = Field(description="The text says that it is not so.")
    with_reserve: bool
    may_also_mean: list[str]
    unsure: str = Field(description="Why the reading is not sure; empty if it is.")
    words: str
    spans: list[tuple[int, int]] = Field(description="Places in `text`, counted in characters.")
    status: Status
    confidence: Probability | None = Field(description="That the status is right; null where it cannot be told.")
    reason: str
    about: str = Field(description="Photo and card that decided it.")
    evidence: dict[str, Any]


class Unread(Contract):
    words: str
    start: int
    end: int
    why: str = Field(description="Empty for words that are not known.")


class SeenBefore(Contract):
    kind: Literal["same file", "same card"]
    where: Literal["reference", "sighting"]
    number: int
    record_id: str
    seen_on: str
    source: str
    probability: float
    words: str
    photo: str


class Verdict(Contract):
    step: Literal["in accord", "at odds", "open"]
    meaning: str
    words: str


class Listing(Contract):
    """What the pictures say of a listing: never what it is worth, nor that it is genuine."""

    listing: str
    error: PhotoError | None
    verdict: Verdict | None
    claims: list[Claim]
    unread: list[Unread]
    seen_before: list[SeenBefore]
    notes: list[str]
    questions: list[str] = Field(description="Worth asking the seller.")
    cautions: list[str]
    text: str = Field(description="As it was given: show it as text, whatever it holds.")
    photos: list[Identification]
    versions: dict[str, str]


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
        "busy", "timeout", "worker_lost", *STORAGE,
    ),
)  # fmt: skip
async def weigh(request: Request, service: ServiceNow) -> dict[str, Any]:
    """Claim by claim: agrees, contradicts, cannot be told from these pictures; addresses in the text are not followed.

    A picture that cannot be read is told in its own answer, and the others go on.
    """
    service.queue.check_room()
    given = await read_listing(request)
    await run_in_threadpool(words_of, given.text)  # refused before any work is done
    assessor = await run_in_threadpool(service.assessors.now)
    pictures = []
    for photo in given.photos:
        result = await service.queue.answer(Job(photo.name, photo.data, steps=(InspectCards(),)), service.timeout)
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
