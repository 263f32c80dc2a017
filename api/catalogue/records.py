"""The addresses of records: listed, shown with their references, found by a name; and the images of references.

Reading from the catalogue blocks, so these are plain functions, which run on threads.
"""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated

from fastapi import APIRouter, Depends, Path, Query, Request, Response
from starlette.concurrency import run_in_threadpool

from api.access import may_read
from api.catalogue import shapes
from api.curation.preconditions import current_tag
from api.parameters import RowId, Words
from api.pictures import documented_jpeg, entity_tag, stored_picture
from api.problems import ACCESS, SHOWING, STORAGE, documented
from api.service import ServiceNow
from matcher.catalogue import Catalogue, RecordRow, ReferenceRow
from matcher.catalogue.records.name_search import bears

router = APIRouter(prefix="/v1", dependencies=[Depends(may_read)])


@router.get(
    "/records",
    operation_id="list_records",
    summary="List records",
    responses=documented("validation", *ACCESS, *STORAGE),
)
def records(service: ServiceNow, query: Annotated[shapes.RecordsQuery, Query()]) -> shapes.RecordPage:
    """The known variations by id, a page at a time."""
    return page_of_records(service.catalogue, query)


@router.get(
    "/records/{record_id:path}",  # :path, because a record's id is its owner's affair and may hold a slash
    operation_id="show_record",
    summary="Show one record with its references",
    responses=documented("no_such_record", "validation", *ACCESS, *STORAGE),
)
def record(
    service: ServiceNow, response: Response, record_id: Annotated[Words, Path(min_length=1)]
) -> shapes.RecordDetail:
    response.headers["ETag"] = current_tag(service.catalogue, "record", record_id)  # first, as for finds
    return record_detail(service.catalogue, record_id)


@router.get(
    "/references/{reference_id}/image",
    operation_id="show_reference",
    summary="Show the image of a reference",
    response_class=Response,
    responses={
        **documented_jpeg(tagged=True),
        304: {"description": "The client holds this image already."},
        **documented("no_such_reference", "validation", *SHOWING, *ACCESS, *STORAGE),
    },
)
async def reference_image(request: Request, service: ServiceNow, reference_id: RowId) -> Response:
    """The enrolled image, upright and made anew for showing."""
    reference = await run_in_threadpool(service.catalogue.reference, reference_id)
    tag = entity_tag(reference.sha256)
    headers = {"ETag": tag, "Cache-Control": "private, no-cache", "Content-Disposition": "inline"}
    if _holds(request.headers.get("if-none-match", ""), tag):
        return Response(status_code=304, headers=headers)
    return await stored_picture(service, reference, **headers)


@router.get("/search", operation_id="search", summary="Search records by a name, however it is spelt",
            responses=documented("validation", *ACCESS, *STORAGE))  # fmt: skip
def search(service: ServiceNow, query: Annotated[shapes.SearchQuery, Query()]) -> shapes.SearchPage:
    found = service.names.find(query.name, query.limit)
    return shapes.SearchPage(
        items=[shapes.SearchHit(likeness=one.likeness, record=shapes.Record(**asdict(one.record))) for one in found]
    )


def page_of_records(catalogue: Catalogue, query: shapes.RecordsQuery) -> shapes.RecordPage:
    """The records that the query asks for, by id, and how many there are without its limit."""
    found = [row for row in catalogue.records() if _fits(row, query)]
    shown = found[query.offset : query.offset + query.limit]
    return shapes.RecordPage(total=len(found), items=[shapes.Record.model_validate(row) for row in shown])


def record_detail(catalogue: Catalogue, record_id: str) -> shapes.RecordDetail:
    """One record with its references. Raises CatalogueError no_such_record."""
    row = catalogue.record(record_id)
    references = [_reference(reference) for reference in catalogue.references(record_id)]
    return shapes.RecordDetail(**asdict(row), references=references)


def image_address(reference_id: int) -> str:
    return f"/v1/references/{reference_id}/image"


def _fits(row: RecordRow, query: shapes.RecordsQuery) -> bool:
    if query.subject is not None and row.subject.casefold() != query.subject.strip().casefold():
        return False
    if query.pose is not None and row.pose != query.pose.strip():
        return False
    if query.series is not None and row.series != query.series.strip():
        return False
    if query.mark is not None and not bears(row.mark, query.mark):
        return False
    texts = (row.record_id, row.subject, row.caption, row.club, row.issuer, row.mark, row.year, row.note)
    return query.q is None or query.q.strip().casefold() in "\n".join(texts).casefold()


def _reference(row: ReferenceRow) -> shapes.Reference:
    return shapes.Reference.model_validate({**asdict(row), "image": image_address(row.id)})


def _holds(if_none_match: str, tag: str) -> bool:
    """Whether the header names this entity (RFC 9110, 13.1.2: weakly compared)."""
    named = [each.strip().removeprefix("W/") for each in if_none_match.split(",")]
    return tag in named or named == ["*"]
