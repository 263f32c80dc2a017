"""Answers about photos as `identify` gives them, invented, for what is done with answers afterwards."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2

from matcher.catalogue import Catalogue
from matcher.catalogue.finds.resolution import FindRow, propose
from matcher.catalogue.log.decisions import person
from matcher.core.answer import CandidateEvidence, CandidateResult, CardResult, CropShift, FaceFacts, PhotoAnswer
from matcher.core.answer_json import to_json
from matcher.core.ladder.candidate import Confidence
from matcher.core.ladder.decision import Outcome
from matcher.core.photo import read_photo
from matcher.core.versions import versions
from tests.support.enrolling import draw

ADA = person("Ada Quill")

AWKWARD = "=HYPERLINK(\"x\"), 'Zoë'\n@oakmere"
"""A caption that a spreadsheet would run, and a careless writer break."""


def card(outcome: Outcome, width: float, height: float, **known: Any) -> CardResult:
    """A card that fills its photo."""
    sure = Confidence(**{"pose": 0.98, "crop": 0.1, **known.get("confidence", {})})
    closest = CandidateResult(
        record_id=known.get("closest", "V000"), pose="P000", crop="A", caption="SITTER 0, Oakmere",
        reference=known.get("reference", "1"), confidence=sure, crop_shift_mm=CropShift(1.5, -0.3, 1.002, 0.3),
        evidence=CandidateEvidence(words=("the same negative",)),
    )  # fmt: skip
    return CardResult(
        quad=((0.0, 0.0), (width, 0.0), (width, height), (0.0, height)),
        outcome=outcome,
        record_id=known.get("record_id"),
        pose=known.get("pose"),
        crop=known.get("crop"),
        caption=known.get("caption"),
        confidence=sure,
        candidates=(closest,),
        face=FaceFacts(None, residual_contrast=0.41, glare=0.0, sharpness=0.7, turned=0),
        reasons=("the picture agrees", "its window does not"),
    )


def answer(path: Path, *cards: CardResult) -> PhotoAnswer:
    photo = read_photo(path)
    return PhotoAnswer(str(path), photo.sha256, photo.width, photo.height, None, cards, versions())


def row_answer(shown: CardResult, reference_name: str) -> dict[str, Any]:
    """What an evaluation's row tells of a card: its JSON, each candidate with the name of its reference."""
    told = to_json(shown)
    return {**told, "candidates": [{**one, "reference_name": reference_name} for one in told["candidates"]]}


def photo_answer(folder: Path, seed: int, outcome: Outcome, **known: Any) -> tuple[Path, PhotoAnswer]:
    """A new invented photo of one card, and the answer about it."""
    path = folder / draw(folder / f"photo{seed}.png", seed)
    height, width = cv2.imread(str(path)).shape[:2]
    return path, answer(path, card(outcome, width, height, **known))


def a_find(catalogue: Catalogue, folder: Path, seed: int, outcome: Outcome = "new_crop", **known: Any) -> FindRow:
    """A new photo's card, proposed."""
    known = {"pose": "P000", **known} if outcome != "new_pose" else known
    path, told = photo_answer(folder, seed, outcome, **known)
    (found,) = propose(catalogue, told, path.read_bytes(), source="album 3", seen_on="1987-05")
    return found
