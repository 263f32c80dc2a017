"""Pictures for 'seen before': a plan in; earlier photos to note as sightings, and later pictures of them, out.

Of each chosen record two new copies are photographed; both photos are noted as sightings. Then come the first photo's
file once more (compressed, toned, cut or mirrored anew), a new photo of the same copy, and one of a third copy, which
nobody has seen.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.lab.evaluation.draw import draw_query
from matcher.lab.evaluation.plan import (
    CONDITIONS,
    FADES,
    Condition,
    EvaluationPlan,
    PlannedCopy,
    PlannedQuery,
    PlannedRecord,
    make_copy,
    scene_of,
)
from matcher.lab.synthesis.photographing import Shot

Kind = Literal["sighting", "reused", "same card", "other card"]
Change = Literal["compressed", "toned", "cut", "mirrored", "all at once"]

CHANGES: tuple[Change, ...] = ("compressed", "toned", "cut", "mirrored", "all at once")


@dataclass(frozen=True)
class Later:
    """One picture. of: name of the sighting that it repeats, "" where it repeats none; sightings name themselves."""

    name: str
    kind: Kind
    query: PlannedQuery
    of: str = ""
    change: Change | None = None


def plan_seen(plan: EvaluationPlan, records: int, seed: int) -> tuple[Later, ...]:
    """What is noted and what comes later, record by record; legible cards, as a listing would show them."""
    rng = np.random.default_rng([seed, 71])
    chosen = [plan.records[k] for k in rng.permutation(len(plan.records))[:records]]
    return tuple(
        one for number, record in enumerate(chosen) for one in _of_record(number, f"{seed}-{number:03d}", record, rng)
    )


def _of_record(number: int, name: str, record: PlannedRecord, rng: np.random.Generator) -> Iterator[Later]:
    fade = FADES[number % 3]  # 80, 50 and 30 %
    first, second, third = (make_copy(f"s{name}{c}", record.shows, fade, rng) for c in "abc")
    seen, beside = f"s{name}a", f"s{name}b"
    yield Later(seen, "sighting", _query(seen, first, record, _condition(number, 0), rng), seen)
    yield Later(beside, "sighting", _query(beside, second, record, "plain", rng), beside)
    again = _query(seen, first, record, _condition(number, 0), rng)
    yield Later(f"r{name}", "reused", again, seen, CHANGES[number % len(CHANGES)])
    yield Later(f"n{name}", "same card", _query(f"n{name}", first, record, _condition(number, 2), rng), seen)
    yield Later(f"o{name}", "other card", _query(f"o{name}", third, record, _condition(number, 2), rng))


def _condition(number: int, shift: int) -> Condition:
    usual = [condition for condition in CONDITIONS if condition not in ("glare", "blur")]
    return usual[(number + shift) % len(usual)]


def _query(
    name: str, copy: PlannedCopy, record: PlannedRecord, condition: Condition, rng: np.random.Generator
) -> PlannedQuery:
    scene = scene_of(condition, rng)
    return PlannedQuery(name, "known", copy, condition, scene, int(rng.integers(1, 2**31)), record.record_id)


def photo_of(later: Later) -> tuple[bytes, Shot]:
    """The photo's file, and the shot with the card's corners."""
    return draw_query(later.query)


def changed(data: bytes, corners: NDArray[np.float64], change: Change, seed: int) -> bytes:
    """A picture file as it is used again: the same photo, altered the way that people alter pictures."""
    rng = np.random.default_rng([seed, 72])
    picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    if picture is None:
        raise ValueError("the photo cannot be decoded")
    pixels = np.asarray(picture, np.uint8)
    if change in ("cut", "all at once"):
        pixels = _cut(pixels, corners, rng)
    if change in ("toned", "all at once"):
        pixels = _toned(pixels, rng)
    if change in ("mirrored", "all at once"):
        pixels = np.ascontiguousarray(pixels[:, ::-1])
    scale = float(rng.uniform(0.6, 0.95))
    size = (round(pixels.shape[1] * scale), round(pixels.shape[0] * scale))
    done, file = cv2.imencode(
        ".jpg", cv2.resize(pixels, size, interpolation=cv2.INTER_AREA),
        [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(60, 90))],
    )  # fmt: skip
    if not done:
        raise ValueError("the picture cannot be encoded")
    return file.tobytes()


def _cut(pixels: NDArray[np.uint8], corners: NDArray[np.float64], rng: np.random.Generator) -> NDArray[np.uint8]:
    """Cut nearer to the card, leaving 3 to 20 % of it round it."""
    low, high = corners.min(axis=0), corners.max(axis=0)
    margins = rng.uniform(0.03, 0.2, (2, 2)) * (high - low)
    left, top = np.maximum(np.floor(low - margins[0]), 0).astype(int)
    right, bottom = np.minimum(np.ceil(high + margins[1]), pixels.shape[1::-1]).astype(int)
    return np.ascontiguousarray(pixels[top:bottom, left:right])


def _toned(pixels: NDArray[np.uint8], rng: np.random.Generator) -> NDArray[np.uint8]:
    """Another curve and another colour."""
    values = (pixels.astype(np.float32) / 255) ** np.float32(rng.uniform(0.65, 1.5))
    values = (values - 0.5) * np.float32(rng.uniform(0.8, 1.25)) + np.float32(0.5 + rng.uniform(-0.06, 0.06))
    values *= rng.uniform(0.9, 1.1, 3).astype(np.float32)
    return np.asarray(np.clip(values * 255, 0, 255), np.uint8)
