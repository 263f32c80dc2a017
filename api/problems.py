"""How the service answers with an error: RFC 9457 problem details, from the matcher's table and the request's own.

An error of the matcher is found by its code. Its own message may name folders of this machine, so the answer says
what the table says; only what a worker says of the client's own photo, or of what a client asked about, is passed on.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from pydantic import BaseModel, ConfigDict, Field
from starlette.exceptions import HTTPException

from matcher.core.errors import KINDS, ErrorKind, PlatekinError

log = logging.getLogger("platekin")

FAULTS_TOLD, LONGEST_NAME, LONGEST_FAULT = 20, 200, 500
"""Most faults of a request that are told, and letters of each one's place and words: an answer has an end too."""

MEDIA_TYPE = "application/problem+json"

OF_REQUESTS: Mapping[str, ErrorKind] = {
    "lot_ended": ErrorKind(409, "The lot takes no more photos", "Send them as a new lot."),
    "no_such_folder": ErrorKind(
        404, "There is no such folder of scans", "List the folders; `serve --scans` names theirs."
    ),
    "no_such_comparison": ErrorKind(404, "The comparison is not kept any more", "Send the photo again."),
    "bad_request": ErrorKind(400, "The request cannot be read", "See the description at /openapi.json."),
    "bad_form": ErrorKind(400, "The form cannot be read", "Send multipart/form-data as /openapi.json says."),
    "not_found": ErrorKind(404, "There is nothing at this address", "See the description at /openapi.json."),
    "method_not_allowed": ErrorKind(405, "This address has no such method", "See the header Allow."),
    "body_too_large": ErrorKind(413, "The request is too large", "Save a photo as a JPEG at quality 90."),
    "not_multipart": ErrorKind(415, "The request is no form", "Send multipart/form-data as /openapi.json says."),
    "not_json": ErrorKind(415, "The request is not JSON", "Send application/json."),
    "bad_key": ErrorKind(422, "The Idempotency-Key was used for another request", "Use a new key for each request."),
    "key_needed": ErrorKind(400, "The header Idempotency-Key is missing", "Send one, new for each thing to be made."),
    "precondition_needed": ErrorKind(428, "The header If-Match is missing", "Send the ETag of what you have seen."),
    "changed_since": ErrorKind(412, "Somebody has changed it since", "Read it again, then decide."),
    "no_token": ErrorKind(401, "A token is needed", "Send Authorization: Bearer TOKEN."),
    "not_allowed": ErrorKind(403, "The token does not allow this", "Ask the service's owner for a token that does."),
    "cross_site": ErrorKind(403, "The request comes from another site", "Open the page at the service's own address."),
    "unknown_host": ErrorKind(421, "The service does not go by this name", "Use the address that it was started with."),
    "validation": ErrorKind(422, "The request says something that is not allowed", "See errors."),
}
"""Codes that only a request can meet with; those of the matcher stand in `matcher.core.errors`."""

PROBLEMS: Mapping[str, ErrorKind] = {**KINDS, **OF_REQUESTS}

# Codes that addresses have in common, to be named in `documented(...)`.
STORAGE = ("damaged", "locked", "not_a_catalogue", "newer_version", "unreachable", "disk_full", "unexpected")
ACCESS = ("no_token", "not_allowed")
PHOTO = (
    "empty_file",
    "not_an_image",
    "truncated",
    "too_many_pixels",
    "too_much_memory",
    "file_too_large",
    "too_small",
    "animated",
)
REQUEST = ("body_too_large", "bad_form", "bad_request", "not_multipart", "validation")
WORK = ("busy", "timeout", "worker_lost")
SHOWING = ("timeout", "worker_lost", "too_much_memory")
MISSING = ("no_such_find", "no_such_record", "no_such_reference", "no_such_decision", "no_such_sighting")
CLASHES = ("clash", "already_decided", "already_undone", "in_the_way", "nothing_changed")
WRITING = (*ACCESS, "bad_key", "key_needed", "read_only", *STORAGE)

_BY_STATUS = {400: "bad_request", 404: "not_found", 405: "method_not_allowed"}


class FaultDetails(BaseModel):
    """One thing wrong with a request."""

    model_config = ConfigDict(populate_by_name=True)

    in_: Literal["path", "query", "header", "body"] = Field(alias="in")
    name: str
    detail: str


class ProblemDetails(BaseModel):
    """RFC 9457 problem details."""

    type: str = Field(pattern="^urn:platekin:problem:[a-z0-9_]+$")
    title: str
    status: int
    detail: str
    code: str = Field(description="The last part of `type`.")
    errors: list[FaultDetails] = Field([], description="With `validation`: each thing that is wrong.")


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
        "detail": problem.detail or kind.advice,
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
    response = respond(Problem(error.code, str(error) if error.kind.public else ""))
    if response.status_code >= 500:  # the service's owner is told what the client is not
        log.error("%s %s: %s: %s", request.method, request.url.path, error.code, error)
    return response


async def _on_validation(_: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, RequestValidationError)
    faults = [
        Fault(str(one["loc"][0]), ".".join(map(str, one["loc"][1:]))[:LONGEST_NAME], str(one["msg"])[:LONGEST_FAULT])
        for one in error.errors()[:FAULTS_TOLD]
    ]
    return respond(Problem("validation", faults=faults))


async def _on_http(request: Request, error: Exception) -> Response:
    """What the framework itself refuses: no such address, no such method. A browser is shown a page."""
    assert isinstance(error, HTTPException)
    is_page = "text/html" in request.headers.get("accept", "") and not request.url.path.startswith("/v1/")
    if error.status_code == 404 and is_page:
        shown: Response = request.app.state.nowhere
        return shown
    return respond(Problem(_BY_STATUS.get(error.status_code, "unexpected"), headers=error.headers or {}))
