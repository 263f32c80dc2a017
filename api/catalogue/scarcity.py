"""The addresses of what a catalogue counts and lacks: its series and formats, how scarce each record is, gaps."""

from __future__ import annotations

import tempfile
from dataclasses import asdict
from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, Depends, Query, Response

from api.access import may_read
from api.catalogue import shapes
from api.curation.preconditions import current_tag
from api.parameters import Paged
from api.problems import ACCESS, STORAGE, documented
from api.service import ServiceNow
from matcher.catalogue.records import formats, scarcity, series

router = APIRouter(prefix="/v1", dependencies=[Depends(may_read)])


@router.get("/series", operation_id="list_series", summary="List the series",
            responses=documented("validation", *ACCESS, *STORAGE))  # fmt: skip
def list_series(service: ServiceNow, response: Response, query: Annotated[Paged, Query()]) -> shapes.SeriesPage:
    """Those that are described, and those that only records name. The ETag is the log's: describing one needs it."""
    response.headers["ETag"] = current_tag(service.catalogue, "log")
    rows = series.all_series(service.catalogue)
    shown = rows[query.offset : query.offset + query.limit]
    return shapes.SeriesPage(total=len(rows), items=[shapes.Series(**asdict(row)) for row in shown])


@router.get("/formats", operation_id="list_formats", summary="List the formats",
            responses=documented(*ACCESS, *STORAGE))  # fmt: skip
def list_formats(service: ServiceNow, response: Response) -> list[shapes.CardFormat]:
    """Those that the catalogue's cards have, then the other named ones. The ETag is the log's, as setting wants it."""
    response.headers["ETag"] = current_tag(service.catalogue, "log")
    return [shapes.CardFormat(**asdict(row)) for row in formats.list_formats(service.catalogue)]


@router.get("/scarcity", operation_id="scarcity", summary="Count the different copies seen of each record",
            responses=documented("validation", *ACCESS, *STORAGE))  # fmt: skip
def scarcities(service: ServiceNow, query: Annotated[shapes.ScarcityQuery, Query()]) -> shapes.ScarcityPage:
    rows = scarcity.scarcity(service.catalogue, query.series, query.mark)
    shown = rows[query.offset : query.offset + query.limit]
    items = [
        shapes.Scarcity(**{**asdict(row), "record": row.record.record_id, "mark": row.record.mark}) for row in shown
    ]
    return shapes.ScarcityPage(total=len(rows), items=items)


@router.get("/gaps", operation_id="gaps", summary="List what the catalogue lacks",
            responses=documented("validation", *ACCESS, *STORAGE))  # fmt: skip
def gaps(service: ServiceNow, query: Annotated[shapes.SeriesQuery, Query()]) -> shapes.GapPage:
    rows = scarcity.gaps(service.catalogue, query.series)
    shown = rows[query.offset : query.offset + query.limit]
    return shapes.GapPage(total=len(rows), items=[shapes.Gap(**asdict(row)) for row in shown])


@router.get("/scarcity.svg", operation_id="scarcity_plot", summary="Plot how many copies have been seen",
            response_class=Response,
            responses={200: {"description": "The plot.", "content": {"image/svg+xml": {"schema": {"type": "string"}}}},
                       **documented("validation", *ACCESS, *STORAGE)})  # fmt: skip
def scarcity_plot(service: ServiceNow, query: Annotated[shapes.PlotQuery, Query()]) -> Response:
    rows = scarcity.scarcity(service.catalogue, query.series)
    with tempfile.TemporaryDirectory() as scratch:
        scarcity.plot(rows, Path(scratch) / "scarcity.svg")
        drawn = (Path(scratch) / "scarcity.svg").read_bytes()
    return Response(drawn, media_type="image/svg+xml")
