"""The addresses of looking through a catalogue: subjects with their poses, small pictures, crop maps."""

from __future__ import annotations

import io
from collections import defaultdict
from dataclasses import asdict
from typing import Annotated

from fastapi import APIRouter, Depends, Query, Request, Response
from PIL import Image
from starlette.concurrency import run_in_threadpool

from api.access import may_read
from api.catalogue import shapes
from api.pictures import documented_jpeg, face_jpeg
from api.problems import ACCESS, SHOWING, STORAGE, Problem, documented
from api.service import Service, ServiceNow
from matcher.catalogue import Catalogue, RecordRow, ReferenceRow
from matcher.catalogue.finds import resolution
from matcher.catalogue.finds.resolution import FindRow
from matcher.catalogue.records.name_search import plain, surname
from matcher.core.formats import face_of_text
from matcher.jobs import crop_map
from matcher.jobs.render.negative import shown_mm, stitched
from matcher.jobs.render.stored import large_face

router = APIRouter(prefix="/v1", dependencies=[Depends(may_read)])


@router.get("/subjects", operation_id="list_subjects", summary="List subjects with their poses and records",
            responses=documented("validation", *ACCESS, *STORAGE))  # fmt: skip
def subjects(service: ServiceNow, query: Annotated[shapes.SubjectsQuery, Query()]) -> shapes.SubjectPage:
    """Subjects by surname, or the records by club, negative, ..., a page at a time. `letters`: where each begins."""
    held: dict[str, list[RecordRow]] = defaultdict(list)
    for row in service.catalogue.records():
        for name in _groups(row, query.by):
            held[name].append(row)
    heads = {name: surname(name) if query.by == "subject" else name for name in held}
    names = sorted(held, key=lambda name: (not name, plain(heads[name]), plain(name), name))
    letters: dict[str, int] = {}
    for place, name in enumerate(names):
        letters.setdefault(_letter(heads[name], query.by), place)
    shown = names[query.offset : query.offset + query.limit]
    items = [_subject(name, held[name], query.by) for name in shown]
    return shapes.SubjectPage(total=len(names), letters=letters, items=items)


@router.get("/thumbnail", operation_id="show_thumbnail", summary="Show a flattened card",
            response_class=Response,
            responses={**documented_jpeg("Upright, without metadata.", tagged=True),
                       304: {"description": "The client holds this picture already."},
                       **documented("no_such_record", "no_such_reference", "no_such_find", "validation",
                                    *SHOWING, *ACCESS, *STORAGE)})  # fmt: skip
async def thumbnail(
    request: Request, service: ServiceNow, query: Annotated[shapes.ThumbnailQuery, Query()]
) -> Response:
    """Of a record its most legible reference, of a reference or a find its own card. Name one of them."""
    shown = await run_in_threadpool(_shown, service.catalogue, query)
    tag = f'"{shown.sha256}-{shown.outline}-{query.size}"'
    headers = {"ETag": tag, "Cache-Control": "private, max-age=600"}
    if request.headers.get("if-none-match") == tag:
        return Response(status_code=304, headers=headers)
    if query.size == "large":
        path = service.catalogue.image_path(shown)
        size = face_of_text(shown.format, service.catalogue.settings.face)
        data = await service.pictures.answer(large_face, path, shown.sha256, shown.quad, size)
    else:
        data = await run_in_threadpool(_drawn, service, shown, query.size == "small")
    return Response(data, headers=headers, media_type="image/jpeg")


def _drawn(service: Service, shown: ReferenceRow | FindRow, small: bool) -> bytes:
    with service.drawing:
        return face_jpeg(service.catalogue.face(shown), small)


@router.get("/crops/picture", operation_id="show_negative", summary="Show a negative, as far as its crops show it",
            response_class=Response,
            responses={**documented_jpeg("JPEG; its window in mm is `shown_mm` of the crops."),
                       **documented("no_such_record", "validation", *SHOWING, *ACCESS, *STORAGE)})  # fmt: skip
def negative_picture(service: ServiceNow, query: Annotated[shapes.PoseQuery, Query()]) -> Response:
    with service.drawing:
        pixels = stitched(service.catalogue, query.pose)
    if pixels is None:
        raise Problem("no_such_record", "The crops of this negative have not been measured.")
    out = io.BytesIO()
    Image.fromarray(pixels).save(out, "JPEG", quality=85)
    return Response(out.getvalue(), headers={"Cache-Control": "private, no-cache"}, media_type="image/jpeg")


@router.get("/crops", operation_id="show_crops", summary="Show where a pose's known crops lie",
            responses=documented("validation", *ACCESS, *STORAGE))  # fmt: skip
def crops(service: ServiceNow, query: Annotated[shapes.PoseQuery, Query()]) -> shapes.MappedPose:
    """Rectangles in mm of one frame, the face of one reference; empty until they have been measured."""
    catalogue = service.catalogue
    frame = crop_map.frame_of(catalogue, query.pose)
    width_mm, height_mm = crop_map.frame_mm(catalogue, query.pose)
    return shapes.MappedPose(
        pose=query.pose,
        frame=frame,
        width_mm=width_mm,
        height_mm=height_mm,
        shown_mm=shown_mm(catalogue, query.pose),
        crops=[shapes.MappedCrop.model_validate(asdict(one)) for one in crop_map.crop_map(catalogue, query.pose)],
    )


def _groups(row: RecordRow, by: str) -> list[str]:
    """Where a record stands: once, but under each of its groups. "" where nothing is said."""
    said = str(getattr(row, by, None) or row.extra.get(by, ""))
    if by == "group":
        return [part.strip() for part in said.split(";") if part.strip()] or [""]
    return [said]


def _letter(head: str, by: str) -> str:
    """What a group is found under: its first letter; of years and negatives, all but the last figure or two."""
    if by == "year":
        return head[:3] + "0s" if head[:4].isdigit() else "?"
    if by == "pose":
        return head[:-1] + "0" if head[-1:].isdigit() else head[:1]
    return plain(head)[:1].upper() or "?"


def _subject(name: str, rows: list[RecordRow], by: str) -> shapes.Subject:
    poses: dict[str, list[RecordRow]] = defaultdict(list)
    for row in sorted(rows, key=lambda row: (row.pose, row.crop, row.caption, row.record_id)):
        poses[row.pose].append(row)
    return shapes.Subject(
        subject=name,
        also=rows[0].subject if by == "pose" else "",
        records=len(rows),
        poses=[
            shapes.Pose(pose=pose, records=[shapes.Record.model_validate(row) for row in held])
            for pose, held in poses.items()
        ],
    )


def _shown(catalogue: Catalogue, query: shapes.ThumbnailQuery) -> ReferenceRow | FindRow:
    if query.find is not None:
        return resolution.find(catalogue, query.find)
    if query.reference is not None:
        return catalogue.reference(query.reference)
    if query.record is None:
        raise Problem("no_such_reference", "Name a record, a reference or a find.")
    catalogue.record(query.record)
    rows = catalogue.references(query.record)
    if not rows:
        raise Problem("no_such_reference", "This record has no picture.")
    return max(rows, key=lambda row: float(row.facts.get("residual_contrast") or 0.0))
