"""One query in, one row out: the photo is drawn and identified, its pairs are judged, the rivals are asked.

Runs in worker processes, each with the catalogue opened once. A row is plain JSON: all that the table, and a person
who looks for the reasons of a failure, need.
"""

from __future__ import annotations

import threading
import time
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from matcher.catalogue.records.files import write_whole
from matcher.catalogue.reference_set import CatalogueReferences
from matcher.core.answer import answer_of
from matcher.core.answer_json import to_json
from matcher.core.calibration import Calibration
from matcher.core.describe import describe
from matcher.core.detect.detection import CardQuad
from matcher.core.flatten import Face, flatten
from matcher.core.identify import CardAnswer, Identification, identify
from matcher.core.photo import Photo, read_photo
from matcher.core.settings import Settings
from matcher.lab.evaluation.baselines import Rivals
from matcher.lab.evaluation.draw import draw_query
from matcher.lab.evaluation.pairs import Table
from matcher.lab.evaluation.plan import OUTCOMES, Plan, Query, fade_of
from matcher.lab.synthesis.photographing import Shot

FAR_OFF_MM = 3.0
"""Corners further off than this, on average, are not those of the card: pairs are then judged with the true ones."""

CARD_MM = 63.5


@dataclass(frozen=True)
class Desk:
    """One process' desk."""

    references: CatalogueReferences
    settings: Settings
    calibration: Calibration
    table: Table
    rivals: Rivals
    photos: Path

    @classmethod
    def of(cls, plan: Plan, catalogue: Path, photos: Path, calibration: Calibration) -> Desk:
        settings = Settings(top=20)
        references = CatalogueReferences.open(catalogue, settings)
        copies = {f"{copy.copy_id}.jpg": copy for record in plan.records for copy in record.copies}
        rivals = Rivals.of(references)
        table = Table(references, calibration, copies, plan.poses, rivals)
        return cls(references, settings, calibration, table, rivals, photos)

    def judge(self, query: Query) -> dict[str, Any]:
        """The row of one query."""
        data, shot = draw_query(query)
        name = f"{query.query_id}.jpg"
        write_whole(self.photos / name, data, keep=False)
        photo = read_photo(data, name=name)
        started = time.perf_counter()
        found = identify(photo, self.references, self.settings, self.calibration)
        seconds = time.perf_counter() - started
        card, off = nearest_card(found, shot)
        face, located = self._face(photo, shot, card, off)
        return {
            "query": query.query_id,
            "kind": query.kind,
            "fade": fade_of(query.copy.age.residual_contrast),
            "condition": query.condition,
            "truth": _truth(query),
            "seconds": round(seconds, 4),
            "corners_off_mm": None if off is None else round(off, 3),
            "face": "located" if located else "true",
            "answer": self._answer(name, found, card),
            "cards": len(found.cards),
            "pairs": self.table.of_query(query, face),
            "rivals": self._rivals(face),
        }

    def _answer(self, name: str, found: Identification, card: CardAnswer | None) -> dict[str, Any] | None:
        """The contract's object for the card, each candidate with the name of its reference."""
        if card is None:
            return None
        number = next(k for k, one in enumerate(found.cards) if one is card)
        answer = answer_of(name, found).cards[number]
        named = [{**to_json(one), "reference_name": self._name(int(one.reference))} for one in answer.candidates]
        return {**to_json(answer), "candidates": named}

    def _name(self, reference_id: int) -> str:
        return self.references.row(reference_id).name if self.references.known(reference_id) else ""

    def _face(self, photo: Photo, shot: Shot, card: CardAnswer | None, off: float | None) -> tuple[Face, bool]:
        """The upright face that identifying worked on; the one of the true corners where it missed the card."""
        if card is None or off is None or off > FAR_OFF_MM:
            return flatten(photo, CardQuad(shot.corners.astype(np.float32), 1.0), self.settings.face), False
        upside_down = _distance(card.outline.corners, shot.corners) > _distance(
            np.roll(card.outline.corners, 2, axis=0), shot.corners
        )
        return (card.face.half_turn() if upside_down else card.face), True

    def _rivals(self, face: Face) -> dict[str, Any]:
        started = time.perf_counter()
        by_hash = self.rivals.nearest_hash(face)
        middle = time.perf_counter()
        by_features = self.rivals.most_inliers(describe(face))
        return {
            "hash": {**asdict(by_hash), "seconds": round(middle - started, 4)},
            "features": {**asdict(by_features), "seconds": round(time.perf_counter() - middle, 4)},
        }


def nearest_card(found: Identification, shot: Shot) -> tuple[CardAnswer | None, float | None]:
    """The card whose corners lie nearest to the true ones, read either way up, and how far off they are in mm."""
    best: CardAnswer | None = None
    least: float | None = None
    per_mm = float(np.linalg.norm(shot.corners - np.roll(shot.corners, -1, axis=0), axis=1).max()) / CARD_MM
    for card in found.cards:
        ways = (card.outline.corners, np.roll(card.outline.corners, 2, axis=0))
        off = min(_distance(way, shot.corners) for way in ways) / per_mm
        if least is None or off < least:
            best, least = card, off
    return best, least


def _distance(corners: NDArray[Any], true: NDArray[np.float64]) -> float:
    return float(np.linalg.norm(corners - true, axis=1).mean())


def _truth(query: Query) -> dict[str, Any]:
    shown = query.copy.shows
    return {
        "outcome": OUTCOMES[query.kind],
        "record_id": query.record_id,
        "pose": shown.pose,
        "crop": shown.crop_name,
        "caption": shown.caption.name,
        "club": shown.caption.club,
        "negative": shown.negative.name,
        "sitter": shown.negative.sitter,
        "near": query.near,
        "crop_change": query.crop_change,
        "caption_change": query.caption_change,
        "beside": list(shown.beside),
        "copy": query.copy.copy_id,
        "same_copy": query.same_copy,
        "residual_contrast": round(query.copy.age.residual_contrast, 3),
        "trimmed_mm": list(query.copy.age.trimmed_mm),
        "surface": query.scene.surface,
    }


class _Place:
    """A worker's desk, set up at its first query."""

    def __init__(self, *made: Any) -> None:
        self._made = made
        self._desk: Desk | None = None

    def desk(self) -> Desk:
        if self._desk is None:
            self._desk = Desk.of(*self._made)
        return self._desk


# The only state of a worker process, set once by the pool's initialiser; nothing else reads it.
_place: _Place | None = None


@dataclass(frozen=True)
class Desked:
    """What a desk is made of, with a name of its own, for processes that work for several evaluations."""

    name: str
    plan: Plan
    catalogue: Path
    photos: Path
    calibration: Calibration


# A cluster's worker keeps the last desk, and judges one query at a time.
_desks: dict[str, Desk] = {}
_turn = threading.Lock()


def judge_at(made: Desked, query: Query) -> dict[str, Any]:
    """Judge one query in any process, one after the other; the desk stays set up for the next one."""
    with _turn:
        if made.name not in _desks:
            _desks.clear()
            _desks[made.name] = Desk.of(made.plan, made.catalogue, made.photos, made.calibration)
        return _desks[made.name].judge(query)


def set_up(plan: Plan, catalogue: Path, photos: Path, calibration: Calibration) -> None:
    """Initialiser of a pool whose workers run `judge`."""
    global _place
    _place = _Place(plan, catalogue, photos, calibration)


def judge(query: Query) -> dict[str, Any]:
    """Judge one query in a worker set up by `set_up`."""
    if _place is None:
        raise RuntimeError("this process was not set up to judge")
    return _place.desk().judge(query)
