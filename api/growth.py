"""The addresses of a catalogue that grows: finds, decisions, names, copies, scarcity, gaps, exports, check.

Reading needs the scope read. Writing needs an Idempotency-Key (a repeated request gets the same decision) and, for
decisions, If-Match with the ETag of what was seen (nobody overwrites what they have not looked at).
"""

from __future__ import annotations

import hashlib
from dataclasses import asdict
from typing import Annotated, Any

from fastapi import APIRouter, Header, Query, Request, Response

from api import growth_schemas as shapes
from api import upload
from api.access import MayRead, allow
from api.deciding import Wish, asked_before, carry_out, scope_of, tag_of, unchanged_since
from api.pictures import showable
from api.problems import Problem, documented
from api.routes import ACCESS, PHOTO, REQUEST, STORAGE, ServiceNow, answered
from api.schemas import corners_of
from matcher.catalogue import Catalogue
from matcher.catalogue.exchange import package
from matcher.catalogue.exchange.check import check
from matcher.catalogue.finds import resolution
from matcher.catalogue.log.changes import Draft, canonical
from matcher.catalogue.log.decisions import DecisionRow, as_json, count
from matcher.catalogue.records import scarcity, series
from matcher.jobs.job import Job

MISSING = ("no_such_find", "no_such_record", "no_such_reference", "no_such_decision", "no_such_sighting")
CLASHES = ("clash", "already_decided", "already_undone", "in_the_way", "nothing_changed")
KEYS = ("bad_key", "key_needed")
WRITING = (*ACCESS, *KEYS, "read_only", *STORAGE)

FILES = {kind: {"schema": {"type": "string"}} for kind in ("text/csv", "application/jsonl")}

KeyHeader = Annotated[
    str | None, Header(alias="Idempotency-Key", max_length=100, pattern=r"^[\x21-\x7e]+$", description="New for each.")
]
MatchHeader = Annotated[str | None, Header(alias="If-Match", max_length=2000, description="ETag of what was seen.")]

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
def show_find(service: ServiceNow, _: MayRead, response: Response, find_id: shapes.Word) -> shapes.Find:
    row = resolution.find(service.catalogue, find_id)
    response.headers["ETag"] = _tag(service.catalogue, "find", find_id)
    return shapes.Find.model_validate(asdict(row))


@router.get("/finds/{find_id}/image", operation_id="show_find_image", summary="Show the photo of a find",
            response_class=Response,
            responses={200: {"description": "At most 1600 px on its longer side, without metadata.",
                             "content": {"image/jpeg": {"schema": {"type": "string", "format": "binary"}}}},
                       **documented("no_such_find", "validation", *ACCESS, *STORAGE)})  # fmt: skip
def find_image(service: ServiceNow, _: MayRead, find_id: shapes.Word) -> Response:
    row = resolution.find(service.catalogue, find_id)
    with service.decoding:
        data = showable(service.catalogue.image_path(row), row.sha256)
    return Response(data, headers={"Cache-Control": "private, no-cache"}, media_type="image/jpeg")


@router.post("/finds", operation_id="propose_finds", summary="Identify a photo, and propose what is new on it",
             status_code=201, openapi_extra=upload.OPENAPI,
             responses=documented(*PHOTO, *REQUEST, "bad_outline", "bad_day", "busy", "timeout", "worker_lost",
                                  "changed", *WRITING))  # fmt: skip
async def propose(
    request: Request, service: ServiceNow, query: Annotated[shapes.ProposeQuery, Query()], key: KeyHeader = None
) -> shapes.Proposed:
    """Each card that is a new crop, caption or pose becomes an open find; one proposed before stays as it is."""
    if key is None:
        raise Problem("key_needed")
    from starlette.concurrency import run_in_threadpool

    await run_in_threadpool(allow, request, "decide")
    service.queue.check_room()
    photo = await upload.read_upload(request)
    asked = hashlib.sha256(photo.data + query.said).hexdigest()
    before = await run_in_threadpool(asked_before, service.catalogue, key, asked)
    if before is not None:
        again = [resolution.find(service.catalogue, name) for name in before.about.split()]
        return shapes.Proposed(items=[shapes.Find.model_validate(asdict(row)) for row in again])
    job = Job(photo.name, photo.data, quad=corners_of(query.quad))
    result = await answered(service, job)

    def store() -> tuple[resolution.FindRow, ...]:
        return resolution.propose(
            service.catalogue, result.answer, photo.data, source=query.source, seen_on=query.seen_on,
            idempotency=(key, asked),
        )  # fmt: skip

    rows = await run_in_threadpool(store)
    return shapes.Proposed(items=[shapes.Find.model_validate(asdict(row)) for row in rows])


@router.get("/decisions", operation_id="list_decisions", summary="List the log",
            responses=documented("validation", *ACCESS, *STORAGE))  # fmt: skip
def list_decisions(
    service: ServiceNow, _: MayRead, response: Response, query: Annotated[shapes.DecisionsQuery, Query()]
) -> shapes.DecisionPage:
    """Decisions, the newest first; the ETag is the log's."""
    response.headers["ETag"] = _tag(service.catalogue, "log")
    rows = service.catalogue.decisions(
        about=query.about, actor=query.actor, limit=query.limit, offset=query.offset, newest_first=True
    )
    with service.catalogue.reading() as connection:
        total = count(connection)
    return shapes.DecisionPage(total=total, items=[decision_shape(row) for row in rows])


@router.get("/decisions/{number}", operation_id="show_decision", summary="Show one decision with its changes",
            responses=documented("no_such_decision", "validation", *ACCESS, *STORAGE))  # fmt: skip
def show_decision(service: ServiceNow, _: MayRead, number: shapes.DecisionNumber) -> shapes.Decision:
    return decision_shape(service.catalogue.decision(number))


@router.post("/decisions", operation_id="decide", summary="Decide: accept, merge, split, edit, undo, ...",
             status_code=201,
             responses=documented("validation", "missing_value", "no_name", *MISSING, *CLASHES, "precondition_needed",
                                  "changed_since", "bad_request", "body_too_large", *WRITING))  # fmt: skip
def decide(
    request: Request, service: ServiceNow, wish: Wish, key: KeyHeader = None, if_match: MatchHeader = None
) -> shapes.Decision:
    """One decision of the person who asks. `action` says which; If-Match names the find or record, or the log."""
    who = allow(request, scope_of(wish), wish.by)
    if key is None:
        raise Problem("key_needed")
    if if_match is None:
        raise Problem("precondition_needed")
    asked = hashlib.sha256(canonical(wish.model_dump(mode="json")).encode()).hexdigest()
    before = asked_before(service.catalogue, key, asked)
    if before is not None:
        return decision_shape(before)
    told = {"idempotency": (key, asked), "check": unchanged_since(wish, if_match)}
    return decision_shape(carry_out(service.catalogue, wish, who, told))


@router.get("/search", operation_id="search", summary="Find records by a name, however it is spelt",
            responses=documented("validation", *ACCESS, *STORAGE))  # fmt: skip
def search(service: ServiceNow, _: MayRead, query: Annotated[shapes.SearchQuery, Query()]) -> shapes.SearchPage:
    found = service.names.find(query.name, query.limit)
    return shapes.SearchPage(
        items=[shapes.SearchHit(likeness=one.likeness, record=shapes.record_of(one.record)) for one in found]
    )


@router.get("/series", operation_id="list_series", summary="List the series",
            responses=documented("validation", *ACCESS, *STORAGE))  # fmt: skip
def list_series(
    service: ServiceNow, _: MayRead, response: Response, query: Annotated[shapes.Paged, Query()]
) -> shapes.SeriesPage:
    """Those that are described, and those that records only name. The ETag is the log's, as setting one wants it."""
    response.headers["ETag"] = _tag(service.catalogue, "log")
    rows = series.all_series(service.catalogue)
    shown = rows[query.offset : query.offset + query.limit]
    return shapes.SeriesPage(total=len(rows), items=[shapes.Series(**asdict(row)) for row in shown])


@router.get("/scarcity", operation_id="scarcity", summary="How many different copies have been seen",
            responses=documented("validation", *ACCESS, *STORAGE))  # fmt: skip
def scarcities(service: ServiceNow, _: MayRead, query: Annotated[shapes.SeriesQuery, Query()]) -> shapes.ScarcityPage:
    rows = scarcity.scarcity(service.catalogue, query.series)
    shown = rows[query.offset : query.offset + query.limit]
    items = [shapes.Scarcity(**{**asdict(row), "record": row.record.record_id}) for row in shown]
    return shapes.ScarcityPage(total=len(rows), items=items)


@router.get("/gaps", operation_id="gaps", summary="What the catalogue lacks",
            responses=documented("validation", *ACCESS, *STORAGE))  # fmt: skip
def gaps(service: ServiceNow, _: MayRead, query: Annotated[shapes.SeriesQuery, Query()]) -> shapes.GapPage:
    rows = scarcity.gaps(service.catalogue, query.series)
    shown = rows[query.offset : query.offset + query.limit]
    return shapes.GapPage(total=len(rows), items=[shapes.Gap(**asdict(row)) for row in shown])


@router.get("/exports/{name}", operation_id="export", summary="The records or the log as a file",
            response_class=Response,
            responses={200: {"description": "The file.", "content": FILES},
                       **documented("validation", *ACCESS, *STORAGE)})  # fmt: skip
def export(service: ServiceNow, _: MayRead, name: shapes.ExportName) -> Response:
    with service.catalogue.reading() as connection:
        if name == "records.csv":
            return _file(package.records_csv(connection), name, "text/csv")
        if name == "records.jsonl":
            return _file(package.records_jsonl(connection), name, "application/jsonl")
        return _file(package.log_bytes(connection), name, "application/jsonl")


@router.get("/check", operation_id="check", summary="Whether the catalogue is whole",
            responses=documented(*ACCESS, *STORAGE))  # fmt: skip
def checked(request: Request, service: ServiceNow) -> shapes.Checked:
    """Reads every image: it takes its time. Needs the scope manage."""
    allow(request, "manage")
    troubles = check(service.catalogue)
    folder = str(service.catalogue.folder)
    return shapes.Checked(
        troubles=[shapes.Trouble(**{**asdict(one), "what": one.what.replace(folder, "")}) for one in troubles]
    )


def _tag(catalogue: Catalogue, kind: Any, name: str = "") -> str:
    with catalogue.reading() as connection:
        return tag_of(Draft(connection), kind, name)


def decision_shape(row: DecisionRow) -> shapes.Decision:
    """An entry of the log as it is answered."""
    return shapes.Decision.model_validate({**as_json(row), "standing": row.standing})


def _file(data: bytes, name: str, media_type: str) -> Response:
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return Response(data, headers=headers, media_type=media_type)
