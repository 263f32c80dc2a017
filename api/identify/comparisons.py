"""The addresses of comparing by eye: a photo or a find in, the answer with addresses of registered pictures out.

The same work as `identify` in the same queue; besides, the worker encodes the layers (`render.overlays`), which are
kept for an hour under a name of chance (`comparison_cache`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends, Path, Request, Response
from fastapi import Query as QueryParameters
from pydantic import Field
from starlette.concurrency import run_in_threadpool

from api import upload
from api.access import may_read
from api.comparison_cache import new_name
from api.identify.comparison_shapes import CloserLook, Comparison, Tones
from api.lots.shapes import CardPath, LotId
from api.paged import page_asked
from api.parameters import PageNumber, PathWord, Quad, QuadText, Query, RowId, UprightFlag, corners_of
from api.pictures import BINARY, stored_bytes
from api.problems import ACCESS, PHOTO, REQUEST, STORAGE, WORK, Problem, documented
from api.service import Service, ServiceNow, answered
from matcher.catalogue.finds import resolution
from matcher.core.answer import PhotoAnswer
from matcher.core.answer_json import to_json
from matcher.jobs.job import Job
from matcher.jobs.lot import store
from matcher.jobs.lot.cards import cards_of
from matcher.jobs.lot.review_queue import card_named
from matcher.jobs.render.closer import Closer, LookCloser
from matcher.jobs.render.overlays import DrawLayers, Layers

Name = Annotated[str, Path(min_length=1, max_length=64, pattern=r"^[A-Za-z0-9_-]+$")]
OUTLINED = (*WORK, "bad_outline")
Card = Annotated[int, Path(ge=1, le=9999)]
Place = Annotated[int, Path(ge=1, le=9999)]
CardLayer = Annotated[Literal["face", "crops"], Path()]
CloserPath = Annotated[str, Path(max_length=60, pattern=r"^\d{1,19}-(large|small)$")]
CloserLayer = Annotated[Literal["face", "laid"], Path()]
CandidateLayer = Annotated[Literal["laid", "agreement", "line1", "line2"], Path()]

PICTURE: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "The picture, without metadata.",
        "content": dict.fromkeys(("image/jpeg", "image/webp"), BINARY),
    },
    **documented("no_such_comparison", "validation", *ACCESS, *STORAGE),
}

MOST_LAID = 9
"""One for each of the keys 1 to 9."""


class TopQuery(Query):
    top: int = Field(MOST_LAID, ge=1, le=MOST_LAID, description="At most how many records to compare per card.")


class ComparisonQuery(TopQuery):
    quad: QuadText | None = None
    upright: UprightFlag = False

    @property
    def corners(self) -> Quad | None:
        return corners_of(self.quad)

    def outline_or(self, quad: Quad, by_hand: bool) -> tuple[Quad, bool]:
        """What is asked about, else what is kept; and whether its way up is a person's word."""
        return (quad, by_hand) if self.corners is None else (self.corners, self.upright)


class PhotoComparisonQuery(ComparisonQuery):
    page: PageNumber = 1


class CloserQuery(Query):
    reference: RowId | None = Field(None, description="Laid over the card; without it the card comes alone.")
    large: bool = Field(True, description="As large as the photos show it; else at the face's size.")


router = APIRouter(prefix="/v1", dependencies=[Depends(may_read)])


@router.post("/comparisons", operation_id="compare", summary="Identify a photo and compare it with what it resembles",
             status_code=201, openapi_extra=upload.OPENAPI,
             responses=documented(*PHOTO, *REQUEST, *OUTLINED, *ACCESS, *STORAGE))  # fmt: skip
async def compare(
    request: Request, service: ServiceNow, query: Annotated[PhotoComparisonQuery, QueryParameters()]
) -> Comparison:
    """The answer of `identify`, and the addresses of the pictures that a person compares by eye."""
    service.queue.check_room()
    photo = await upload.read_upload(request)
    asked = await page_asked(service, photo, query.page, query.corners, query.upright)
    return await _made(service, asked.job, query.top, asked.pages)


@router.post("/finds/{find_id}/comparison", operation_id="compare_find", status_code=201,
             summary="Compare a find with what it resembles",
             responses=documented("no_such_find", "validation", *OUTLINED, *PHOTO, *ACCESS, *STORAGE))  # fmt: skip
async def compare_find(
    service: ServiceNow, find_id: PathWord, query: Annotated[ComparisonQuery, QueryParameters()]
) -> Comparison:
    """The find's card, compared with the catalogue as it is now; within another outline, if one is given."""
    row = await run_in_threadpool(resolution.find, service.catalogue, find_id)
    service.queue.check_room()
    data = await run_in_threadpool(stored_bytes, service.catalogue.image_path(row), row.sha256)
    quad, upright = query.outline_or(row.quad, row.found.face.by_hand)
    return await _made(service, Job(row.name, data, quad=quad, upright=upright), query.top)


@router.post("/lots/{lot_id}/cards/{card}/comparison", operation_id="compare_lot_card", status_code=201,
             summary="Compare a lot's card with what it resembles",
             responses=documented("no_such_lot", "no_such_card", "missing_file", "changed", "validation", *OUTLINED,
                                  *PHOTO, *ACCESS, *STORAGE))  # fmt: skip
async def compare_lot_card(
    service: ServiceNow, lot_id: LotId, card: CardPath, query: Annotated[ComparisonQuery, QueryParameters()]
) -> Comparison:
    """The card compared with the catalogue as it is now: within the outline that the lot found, or the given one."""

    def found() -> Job:
        lot = store.lot(service.catalogue, lot_id)
        chosen = card_named(cards_of(service.catalogue, lot), lot, card)
        item = chosen.item
        quad, upright = query.outline_or(chosen.found.quad, chosen.found.face.by_hand)
        return Job(item.label, item.path, page=item.page, quad=quad, upright=upright)

    job = await run_in_threadpool(found)
    service.queue.check_room()
    return await _made(service, job, query.top)


@router.post("/comparisons/{name}/{card}/closer", operation_id="look_closer", status_code=201,
             summary="Show a card larger, or beside another reference",
             responses=documented("no_such_comparison", "missing_file", "changed", "validation", *PHOTO, *WORK, *ACCESS,
                                  *STORAGE))  # fmt: skip
async def closer(
    service: ServiceNow, name: Name, card: Card, query: Annotated[CloserQuery, QueryParameters()]
) -> CloserLook:
    """As large as the photos show them; `reference` need not be among the candidates."""
    kept = service.comparisons.get(name)
    cards = kept.answer["identification"]["cards"]
    if kept.job is None or card > len(cards):
        raise Problem("no_such_comparison")
    asked = cards[card - 1]
    move = _transform(kept.answer, card, query.reference)
    look = LookCloser(asked["quad"], query.reference, move, query.large, asked["face"]["format"])
    service.queue.check_room()
    result = await answered(service, replace(kept.job, look=False, quad=None, steps=(look,)))
    made = result.extra(Closer)
    assert made is not None  # the photo was read
    at = f"{card}/closer/{query.reference or 0}-{'large' if query.large else 'small'}"
    pictures = {f"{at}/face": made.face, **({f"{at}/laid": made.laid} if made.laid else {})}
    service.comparisons.add(name, pictures)
    addresses = {layer.rsplit("/", 1)[1]: f"/v1/comparisons/{name}/{layer}" for layer in pictures}
    tones = made.tones and Tones.model_validate(made.tones)
    return CloserLook(scale=made.scale, face=addresses["face"], laid=addresses.get("laid"), tones=tones)


def _transform(answer: Mapping[str, Any], card: int, reference: int | None) -> Any:
    """By which a candidate's reference was laid over the card; None for any other."""
    candidates = answer["identification"]["cards"][card - 1]["candidates"]
    for one, laid in zip(candidates, answer["cards"][card - 1]["candidates"], strict=True):
        if one["reference"] == str(reference):
            return laid.get("transform")
    return None


@router.get("/comparisons/{name}", operation_id="show_comparison", summary="Show a comparison again",
            responses=documented("no_such_comparison", "validation", *ACCESS, *STORAGE))  # fmt: skip
def comparison(service: ServiceNow, name: Name) -> Comparison:
    return Comparison.model_validate(service.comparisons.get(name).answer)


@router.get("/comparisons/{name}/photo", operation_id="show_compared_photo", response_class=Response,
            summary="Show the photo, at most 1600 px on its longer side", responses=PICTURE)  # fmt: skip
def photo_picture(service: ServiceNow, name: Name) -> Response:
    return _picture(service, name, "photo")


@router.get("/comparisons/{name}/{card}/{layer}", operation_id="show_card_layer", response_class=Response,
            summary="Show the flattened card, or the known crops of its pose", responses=PICTURE)  # fmt: skip
def card_picture(service: ServiceNow, name: Name, card: Card, layer: CardLayer) -> Response:
    return _picture(service, name, f"{card}/{layer}")


@router.get("/comparisons/{name}/{card}/closer/{look}/{layer}", operation_id="show_closer_layer",
            response_class=Response, responses=PICTURE,
            summary="Show a card looked at more closely, or the reference over it")  # fmt: skip
def closer_picture(service: ServiceNow, name: Name, card: Card, look: CloserPath, layer: CloserLayer) -> Response:
    return _picture(service, name, f"{card}/closer/{look}/{layer}")


@router.get("/comparisons/{name}/{card}/{place}/{layer}", operation_id="show_candidate_layer",
            response_class=Response, responses=PICTURE,
            summary="Show a reference aligned with the card, or where the two agree")  # fmt: skip
def candidate_picture(service: ServiceNow, name: Name, card: Card, place: Place, layer: CandidateLayer) -> Response:
    return _picture(service, name, f"{card}/{place}/{layer}")


async def _made(service: Service, job: Job, most: int, pages: int | None = None) -> Comparison:
    """The answer with at most so many candidates of each card, all of them laid over it."""
    result = await answered(service, replace(job, steps=(DrawLayers(most),)))
    layers = result.extra(Layers)
    assert layers is not None  # asked for, and the photo was identified
    name = new_name()
    answer = _with_addresses(name, result.answer.with_candidates(most), layers)
    if pages and pages > 1:
        answer["identification"]["pages"] = pages
    service.comparisons.keep(name, answer, layers.pictures, replace(job, preparation=None, steps=()))
    return Comparison.model_validate(answer)


def _with_addresses(name: str, answer: PhotoAnswer, layers: Layers) -> dict[str, Any]:
    """The wire form of a `Comparison`: the answer, and where each of its pictures lies."""

    def at(layer: str) -> str | None:
        return f"/v1/comparisons/{name}/{layer}" if layer in layers.pictures else None

    cards = []
    for number, (card, crops) in enumerate(zip(answer.cards, layers.crop_maps, strict=True), start=1):
        candidates = [_laid(f"{number}/{place}", layers, at) for place in range(1, len(card.candidates) + 1)]
        shown = crops and {**crops, "picture": at(f"{number}/crops")}
        cards.append({"face": at(f"{number}/face"), "candidates": candidates, "crops": shown})
    return {"name": name, "identification": to_json(answer), "photo": at("photo"), "cards": cards}


def _laid(name: str, layers: Layers, at: Callable[[str], str | None]) -> dict[str, Any]:
    """The wire form of a `LaidCandidate`."""
    aids = layers.aids.get(name, {})
    lines = [{**line, "picture": at(f"{name}/line{place}")} for place, line in enumerate(aids.get("lines", ()), 1)]
    return {**aids, "laid": at(f"{name}/laid"), "agreement": at(f"{name}/agreement"), "lines": lines}


def _picture(service: Service, name: str, layer: str) -> Response:
    data = service.comparisons.get(name).pictures.get(layer)
    if data is None:
        raise Problem("no_such_comparison")
    kind = "image/webp" if data[:4] == b"RIFF" else "image/jpeg"
    return Response(data, headers={"Cache-Control": "private, max-age=3600, immutable"}, media_type=kind)
