"""Every error that the service tells, in one table, and how it is told: RFC 9457 problem details.

A deliberate error of the matcher is found here by its code. Its own message may name folders of this machine, so
what is told is the table's text; only what a worker says of the client's own photo is passed on.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException

from matcher.core.errors import PlatekinError

log = logging.getLogger("platekin")

MEDIA_TYPE = "application/problem+json"


@dataclass(frozen=True)
class Kind:
    """One row: HTTP status, title, what to do, and after how many seconds it is worth trying again."""

    status: int
    title: str
    detail: str
    retry_after: int | None = None


PROBLEMS: Mapping[str, Kind] = {
    # the photo
    "empty_file": Kind(422, "The photo is empty", "Copy or download it again."),
    "not_an_image": Kind(415, "Not a picture of a known format", "Send a JPEG, PNG, TIFF, WebP, BMP or GIF."),
    "truncated": Kind(422, "The picture breaks off", "Copy it again from where it came from."),
    "too_many_pixels": Kind(413, "The picture has too many pixels", "Scan at 300 to 600 dpi, or save it smaller."),
    "file_too_large": Kind(413, "The photo's file is too large", "Save it as a JPEG at quality 90."),
    "too_small": Kind(422, "The picture is too small", "Send the original photograph, not a thumbnail."),
    "animated": Kind(415, "The picture is an animation", "Save one frame of it as a JPEG or PNG."),
    "no_card": Kind(422, "No card was found", "Show all four edges, on a ground that differs from the card."),
    "bad_outline": Kind(422, "The outline is no card's", "Give four corners round the card, inside the photo."),
    "missing_file": Kind(422, "A file is missing", "Check its name."),
    "changed": Kind(409, "A file was changed while it was being read", "Try again."),
    # listings
    "empty_text": Kind(422, "The listing's text is empty", "Send its title and description."),
    "text_too_large": Kind(413, "The listing's text is too large", "Send its title and description alone."),
    "no_photo": Kind(422, "The listing has no picture", "Send at least one file called photo."),
    "too_many_photos": Kind(422, "The listing has too many pictures", "Leave some out."),
    "bad_vocabulary": Kind(
        500, "The catalogue's vocabulary cannot be read", "The service's owner has to put it right."
    ),
    "bad_results": Kind(422, "The file holds no results of listings", "Name another."),
    # tables of records
    "not_csv": Kind(422, "The table is not CSV", "Look for a quotation mark that is not closed."),
    "not_utf8": Kind(422, "The table is not UTF-8", "Save it as CSV in UTF-8."),
    "empty_table": Kind(422, "The table has no rows", "Add one row an image."),
    "missing_column": Kind(422, "The table lacks a column", "Add it."),
    "duplicate_column": Kind(422, "Two columns have one name", "Rename one of them."),
    "extra_cells": Kind(422, "A row has more cells than the header", "Put texts with commas in quotation marks."),
    "missing_value": Kind(422, "A row lacks a value", "Fill it in."),
    "clash": Kind(409, "Rows contradict each other or the catalogue", "Make them say the same."),
    "bad_evaluation": Kind(422, "These pictures cannot be evaluated", "See the message."),
    "duplicate_image": Kind(409, "One image stands for two records", "Decide which record it shows."),
    "bad_day": Kind(422, "A day is not written as one", "Write it like 1987-05-23, 1987-05 or 1987."),
    "bad_mapping": Kind(422, "Columns are mapped wrongly", "Map each of your columns to one of ours."),
    "table_too_large": Kind(413, "The table is too large", "Divide it into smaller tables."),
    # the log, finds and corrections
    "no_name": Kind(422, "A decision needs a name", "Say who decides."),
    "no_such_find": Kind(404, "There is no such find", "List the finds to see their ids."),
    "no_such_sighting": Kind(404, "There is no such sighting", "List the sightings."),
    "no_such_decision": Kind(404, "There is no such decision", "List the log."),
    "already_decided": Kind(409, "The find is decided already", "Undo that decision first."),
    "already_undone": Kind(409, "The decision cannot be turned round", "Look at the log for what stands."),
    "in_the_way": Kind(409, "Later decisions build on this one", "Undo those first, the newest first."),
    "nothing_changed": Kind(409, "That is how it is already", "Look at it again."),
    "no_such_lot": Kind(404, "There is no such lot", "List the lots to see their ids."),
    "lot_ended": Kind(409, "The lot takes no more photos", "Send them as a new lot."),
    "no_such_card": Kind(404, "There is no such card in the lot", "List the lot's results."),
    "no_cards": Kind(409, "The lot holds no cards yet", "Wait until it has been worked on."),
    "bad_sidecar": Kind(409, "A sidecar cannot be merged with what is there", "Mend it, or take it away."),
    "no_such_folder": Kind(404, "There is no such folder of scans", "List the folders; `serve --scans` names theirs."),
    "no_pictures": Kind(422, "There are no pictures in the lot", "Send scans or photos of cards."),
    "lot_busy": Kind(409, "The lot is being worked on", "Wait until that run has ended.", 30),
    "bad_log": Kind(422, "The log is damaged or was changed", "Export it again, and copy it whole."),
    "does_not_fit": Kind(409, "The log does not fit the catalogue", "Replay it into an empty catalogue."),
    "another_catalogue": Kind(409, "The log is of another catalogue", "Replay it into an empty catalogue."),
    "bad_bag": Kind(422, "The export is damaged or was changed", "Copy it again, whole."),
    "bad_zip": Kind(422, "The zip cannot be unpacked", "Pack the files anew, without links and passwords."),
    "zip_too_large": Kind(413, "The zip unpacks to too much", "Divide it."),
    "target_exists": Kind(409, "There is a file already", "Name one that is not there yet."),
    "no_such_comparison": Kind(404, "The comparison is not kept any more", "Send the photo again."),
    "no_such_token": Kind(404, "There is no such token", "List the tokens."),
    "bad_target": Kind(422, "The file cannot be written", "Name another."),
    # the catalogue
    "no_such_record": Kind(404, "There is no such record", "List the records to see their ids."),
    "no_such_reference": Kind(404, "There is no such reference", "It may have been removed; look at its record."),
    "too_few_poses": Kind(422, "The catalogue holds too few poses for that", "Enrol more."),
    "missing_part": Kind(500, "A part of platekin is not installed", "The service's owner has to install it."),
    "locked": Kind(503, "The catalogue is being written to", "Try again in a few seconds.", 5),
    "read_only": Kind(503, "The catalogue may not be written", "The service's owner has to allow it."),
    "disk_full": Kind(507, "The disk of the service is full", "The service's owner has to free some space."),
    "damaged": Kind(500, "The catalogue is damaged", "The service's owner has to examine it: platekin doctor."),
    "not_a_catalogue": Kind(503, "The catalogue cannot be found", "The service's owner has to check its place."),
    "newer_version": Kind(503, "The catalogue is of a newer version", "The service's owner has to upgrade platekin."),
    "unreachable": Kind(503, "The catalogue's database does not answer", "Try again in a while.", 30),
    # the work
    "busy": Kind(429, "The queue is full", "Try again in a few seconds.", 2),
    "timeout": Kind(503, "The answer took too long", "Try again, or send a smaller photo.", 10),
    "worker_lost": Kind(503, "The process at work came to a sudden end", "Try again, or send a smaller photo.", 2),
    "no_cluster": Kind(503, "No cluster answers", "Start its scheduler and its workers.", 30),
    "cluster_differs": Kind(503, "The cluster runs other versions", "Install the same versions on every machine."),
    "cluster_blind": Kind(503, "The cluster does not see the files", "Keep them where every machine sees them."),
    "unexpected": Kind(500, "Something unexpected happened", "Please report it, with the photo."),
    # the request
    "bad_request": Kind(400, "The request cannot be read", "See the description at /openapi.json."),
    "bad_form": Kind(400, "The form cannot be read", "Send multipart/form-data as /openapi.json says."),
    "not_found": Kind(404, "There is nothing at this address", "See the description at /openapi.json."),
    "method_not_allowed": Kind(405, "This address has no such method", "See the header Allow."),
    "body_too_large": Kind(413, "The request is too large", "Save a photo as a JPEG at quality 90."),
    "not_multipart": Kind(415, "The request is no form", "Send multipart/form-data as /openapi.json says."),
    "not_json": Kind(415, "The request is not JSON", "Send application/json."),
    "bad_key": Kind(422, "The Idempotency-Key was used for another request", "Use a new key for each request."),
    "key_needed": Kind(400, "The header Idempotency-Key is missing", "Send one, new for each thing to be made."),
    "precondition_needed": Kind(428, "The header If-Match is missing", "Send the ETag of what you have seen."),
    "changed_since": Kind(412, "Somebody has changed it since", "Read it again, then decide."),
    "no_token": Kind(401, "A token is needed", "Send Authorization: Bearer TOKEN."),
    "not_allowed": Kind(403, "The token does not allow this", "Ask the service's owner for a token that does."),
    "cross_site": Kind(403, "The request comes from another site", "Open the page at the service's own address."),
    "unknown_host": Kind(421, "The service does not go by this name", "Use the address that it was started with."),
    "validation": Kind(422, "The request says something that is not allowed", "See errors."),
}

TOLD_IN_FULL = (
    "no_such_card", "no_such_lot",
    "no_such_find", "no_such_sighting", "already_decided", "already_undone", "in_the_way", "missing_value", "no_name",
)  # fmt: skip
"""Codes whose own messages name nothing but what the client asked about."""

_BY_STATUS = {400: "bad_request", 404: "not_found", 405: "method_not_allowed"}


@dataclass(frozen=True)
class Fault:
    """One thing wrong with a request: in "path", "query", "header" or "body", its name there, and what is wrong."""

    place: str
    name: str
    detail: str


@dataclass(eq=False)  # nor frozen: Python itself sets an exception's traceback
class Problem(Exception):
    """Stops a request; `code` is a row of PROBLEMS, `detail` replaces that row's text."""

    code: str
    detail: str = ""
    faults: Sequence[Fault] = ()
    headers: Mapping[str, str] = field(default_factory=dict)


def respond(problem: Problem) -> JSONResponse:
    """The problem as an answer; a code that has no row is told as `unexpected`."""
    code = problem.code if problem.code in PROBLEMS else "unexpected"
    kind = PROBLEMS[code]
    body: dict[str, Any] = {
        "type": type_of(code),
        "title": kind.title,
        "status": kind.status,
        "detail": problem.detail or kind.detail,
        "code": code,
    }
    if problem.faults:
        body["errors"] = [{"in": fault.place, "name": fault.name, "detail": fault.detail} for fault in problem.faults]
    headers = dict(problem.headers)
    if kind.retry_after is not None:
        headers["Retry-After"] = str(kind.retry_after)
    return JSONResponse(body, kind.status, headers, MEDIA_TYPE)


def type_of(code: str) -> str:
    """The problem type's URI."""
    return f"urn:platekin:problem:{code}"


def documented(*codes: str) -> dict[int | str, dict[str, Any]]:
    """OpenAPI responses for these problems, by status."""
    responses: dict[int | str, dict[str, Any]] = {}
    for status in sorted({PROBLEMS[code].status for code in codes}):
        kinds = {code: PROBLEMS[code] for code in codes if PROBLEMS[code].status == status}
        responses[status] = {
            "description": "; ".join(f"`{code}`: {kind.title}" for code, kind in kinds.items()),
            "content": {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/ProblemDetails"}}},
        }
        if any(kind.retry_after is not None for kind in kinds.values()):
            retry = {"description": "Seconds after which to try again.", "schema": {"type": "integer"}}
            responses[status]["headers"] = {"Retry-After": retry}
    return responses


def install(app: FastAPI) -> None:
    """Tell every error of the application by the table."""
    app.add_exception_handler(Problem, _on_problem)
    app.add_exception_handler(PlatekinError, _on_platekin_error)
    app.add_exception_handler(RequestValidationError, _on_validation)
    app.add_exception_handler(HTTPException, _on_http)


async def _on_problem(_: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, Problem)
    return respond(error)


async def _on_platekin_error(request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, PlatekinError)
    # What people decide on is told in full; other messages may name folders of this machine.
    response = respond(Problem(error.code, str(error) if error.code in TOLD_IN_FULL else ""))
    if response.status_code >= 500:  # the service's owner is told what the client is not
        log.error("%s %s: %s: %s", request.method, request.url.path, error.code, error)
    return response


async def _on_validation(_: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, RequestValidationError)
    faults = [Fault(str(one["loc"][0]), ".".join(map(str, one["loc"][1:])), str(one["msg"])) for one in error.errors()]
    return respond(Problem("validation", faults=faults))


async def _on_http(_: Request, error: Exception) -> JSONResponse:
    """What the framework itself refuses: no such address, no such method."""
    assert isinstance(error, HTTPException)
    return respond(Problem(_BY_STATUS.get(error.status_code, "unexpected"), headers=error.headers or {}))
