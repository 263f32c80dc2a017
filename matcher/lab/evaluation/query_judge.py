"""One query in, one row out: the photo is drawn and identified, its pairs are judged, the baselines are asked.

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
from matcher.core.detect.card_quad import CardQuad
from matcher.core.flatten import Face, flatten
from matcher.core.identify import CardAnswer, Identification, identify
from matcher.core.photo import Photo, read_photo
from matcher.core.settings import Settings
from matcher.lab.evaluation.baselines import Baselines
from matcher.lab.evaluation.draw import draw_query
from matcher.lab.evaluation.pairs import PairJudge
from matcher.lab.evaluation.plan import OUTCOMES, EvaluationPlan, PlannedQuery, fade_of
from matcher.lab.synthesis.photographing import Shot

FAR_OFF_MM = 3.0
"""Corners further off than this, on average, are not those of the card: pairs are then judged with the true ones."""

CARD_MM = 63.5


@dataclass(frozen=True)
class QueryJudge:
    """What one process judges queries with."""

    references: CatalogueReferences
    settings: Settings
    calibration: Calibration
    pair_judge: PairJudge
    baselines: Baselines
    photos: Path

    @classmethod
    def of(cls, plan: EvaluationPlan, catalogue: Path, photos: Path, calibration: Calibration) -> QueryJudge:
        settings = Settings(top=20)
        references = CatalogueReferences.open(catalogue, settings)
        copies = {f"{copy.copy_id}.jpg": copy for record in plan.records for copy in record.copies}
        baselines = Baselines.of(references)
        pair_judge = PairJudge(references, calibration, copies, plan.poses, baselines)
        return cls(references, settings, calibration, pair_judge, baselines, photos)

    def judge(self, query: PlannedQuery) -> dict[str, Any]:
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
            "pairs": self.pair_judge.of_query(query, face),
            "baselines": self._baselines(face),
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

    def _baselines(self, face: Face) -> dict[str, Any]:
        started = time.perf_counter()
        by_hash = self.baselines.nearest_hash(face)
        middle = time.perf_counter()
        by_features = self.baselines.most_inliers(describe(face))
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


def _truth(query: PlannedQuery) -> dict[str, Any]:
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


@dataclass(frozen=True)
class JudgeSetup:
    """What a judge is made of; name: unique, since a process may work for several evaluations."""

    name: str
    plan: EvaluationPlan
    catalogue: Path
    photos: Path
    calibration: Calibration


# The only state of a worker process: it keeps the last judge, and judges one query at a time.
_judges: dict[str, QueryJudge] = {}
_lock = threading.Lock()


def judge_at(made: JudgeSetup, query: PlannedQuery) -> dict[str, Any]:
    """Judge one query in any process, one after the other; the judge stays set up for the next one."""
    with _lock:
        if made.name not in _judges:
            _judges.clear()
            _judges[made.name] = QueryJudge.of(made.plan, made.catalogue, made.photos, made.calibration)
        return _judges[made.name].judge(query)
