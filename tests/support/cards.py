"""Answers about photos as `identify` publishes them, invented, for what is done with answers afterwards."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2

from matcher.catalogue import Catalogue
from matcher.catalogue.finds.resolution import FindRow, propose
from matcher.catalogue.log.decisions import person
from matcher.core.photo import read_photo
from matcher.core.versions import versions
from tests.support.enrolling import draw

ADA = person("Ada Quill")

AWKWARD = "=HYPERLINK(\"x\"), 'Zoë'\n@oakmere"
"""A caption that a spreadsheet would run, and a careless writer break."""


def card(outcome: str, width: float, height: float, **known: Any) -> dict[str, Any]:
    """A card that fills its photo."""
    sure = {"pose": 0.98, "crop": 0.1, "caption": None, "record": None, "copy": None, **known.pop("confidence", {})}
    return {
        "quad": [[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]],
        "outcome": outcome,
        "record_id": known.get("record_id"),
        "pose": known.get("pose"),
        "crop": known.get("crop"),
        "caption": known.get("caption"),
        "confidence": sure,
        "candidates": [
            {
                "record_id": known.get("closest", "V000"),
                "pose": "P000",
                "crop": "A",
                "caption": "SITTER 0, Oakmere",
                "reference": known.get("reference", "1"),
                "confidence": sure,
                "crop_shift_mm": {"dx": 1.5, "dy": -0.3, "scale": 1.002, "sigma_mm": 0.3},
                "evidence": {"words": ["the same negative"]},
            }
        ],
        "face": {"size_mm": None, "residual_contrast": 0.41, "glare": 0.0, "sharpness": 0.7, "turned": 0},
        "reasons": ["the picture agrees", "its window does not"],
    }


def answer(path: Path, *cards: dict[str, Any]) -> dict[str, Any]:
    photo = read_photo(path)
    return {
        "photo": str(path),
        "sha256": photo.sha256,
        "width": photo.width,
        "height": photo.height,
        "error": None,
        "cards": list(cards),
        "versions": versions(),
    }


def photo_answer(folder: Path, seed: int, outcome: str, **known: Any) -> tuple[Path, dict[str, Any]]:
    """A new invented photo of one card, and the answer about it."""
    path = folder / draw(folder / f"photo{seed}.png", seed)
    height, width = cv2.imread(str(path)).shape[:2]
    return path, answer(path, card(outcome, width, height, **known))


def a_find(catalogue: Catalogue, folder: Path, seed: int, outcome: str = "new_crop", **known: Any) -> FindRow:
    """A new photo's card, proposed."""
    known = {"pose": "P000", **known} if outcome != "new_pose" else known
    path, told = photo_answer(folder, seed, outcome, **known)
    (found,) = propose(catalogue, told, path.read_bytes(), source="album 3", seen_on="1987-05")
    return found
