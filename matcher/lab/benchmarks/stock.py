"""Invented scans, tables of them and answers about them, for what is done with a catalogue after its pictures are read.

The image is the card: nothing is searched, so that a catalogue of any size is made quickly.
"""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from matcher.catalogue import Catalogue
from matcher.catalogue.finds.resolution import FindRow, propose
from matcher.catalogue.records.enrol import enrol
from matcher.catalogue.records.enrol_report import EnrolReport
from matcher.catalogue.records.ingest import PreparedReference
from matcher.catalogue.records.prepare import prepare_outline
from matcher.core.answer import CandidateEvidence, CandidateResult, CardResult, CropShift, FaceFacts, PhotoAnswer
from matcher.core.answer_json import to_json
from matcher.core.detect.card_quad import CardQuad
from matcher.core.ladder.candidate import Confidence
from matcher.core.ladder.decision import Outcome
from matcher.core.photo import read_photo
from matcher.core.settings import Settings
from matcher.core.versions import versions

WIDTH, HEIGHT = 276, 480
"""Pixels of an invented scan."""

HEADER = ("record_id", "subject", "pose", "crop", "caption", "image")


def draw(path: Path, seed: int) -> str:
    """Write an invented picture; returns its name."""
    rng = np.random.default_rng(seed)
    small = rng.integers(60, 220, (16, 9, 3), dtype=np.uint8)
    picture = cv2.resize(small, (WIDTH, HEIGHT), interpolation=cv2.INTER_CUBIC)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(cv2.imencode(path.suffix, picture)[1].tobytes())
    return path.name


def write_table(path: Path, rows: list[dict[str, str]], encoding: str = "utf-8") -> Path:
    columns = dict.fromkeys([*HEADER, *(name for row in rows for name in row)])
    with path.open("w", encoding=encoding, newline="") as stream:
        writer = csv.DictWriter(stream, list(columns), restval="")
        writer.writeheader()
        writer.writerows(rows)
    return path


def row(record: int, image: str, **more: str) -> dict[str, str]:
    return {
        "record_id": f"V{record:03d}",
        "subject": f"Sitter {record // 2}",
        "pose": f"P{record // 2:03d}",
        "crop": "AB"[record % 2],
        "caption": f"SITTER {record // 2}, Oakmere",
        "image": image,
        **more,
    }


def whole_image(path: Path, settings: Settings) -> PreparedReference:
    """A reference of an image that is the card."""
    photo = read_photo(path, settings.photo)
    corners = [[0, 0], [photo.width, 0], [photo.width, photo.height], [0, photo.height]]
    return prepare_outline(photo, CardQuad(np.array(corners, np.float32), 1.0), settings)


def enrol_whole(table: Path, folder: Path) -> EnrolReport:
    """Enrol images that are the card, in this process."""
    return enrol(table, folder, workers=0, prepare=whole_image)


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
    return path, answer(path, card(outcome, WIDTH, HEIGHT, **known))


def a_find(catalogue: Catalogue, folder: Path, seed: int, outcome: Outcome = "new_crop", **known: Any) -> FindRow:
    """A new photo's card, proposed."""
    known = {"pose": "P000", **known} if outcome != "new_pose" else known
    path, told = photo_answer(folder, seed, outcome, **known)
    (found,) = propose(catalogue, told, path.read_bytes(), source="album 3", seen_on="1987-05")
    return found
