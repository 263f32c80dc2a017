"""A picture cut to the card, or a little inside of it, is a card; one of cloth, wood or print of that shape is none."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from matcher.core.detect import full_frame, quad_classifier
from matcher.core.detect.detection import detect
from matcher.core.detect.no_card import inside_a_card
from matcher.core.detect.reduced_image import reduce
from matcher.core.detect.settings import DetectSettings
from matcher.core.nets.runtime import infer
from matcher.core.photo import Photo, read_photo
from matcher.core.settings import FaceSize
from matcher.lab.synthesis.staging import Props, stage
from matcher.lab.training import full_frame_fit
from matcher.lab.training.logistic_onnx import write_logistic

NEGATIVES = Path(__file__).parents[3] / "reference_demo" / "negatives"
PICTURES = [read_photo(path) for path in sorted(NEGATIVES.glob("*1.jpg"))]
SHAPES = np.array([FaceSize().aspect])
PROPS = Props([photo.grey for photo in PICTURES], [photo.pixels for photo in PICTURES])


def staged(kind: str, seed: int) -> Photo:
    return Photo.from_pixels(stage(kind, PROPS, np.random.default_rng(seed)).pixels)


@pytest.mark.parametrize("kind", ["cropped", "overcropped"])
def test_a_picture_cut_to_the_card_is_the_card(kind: str) -> None:
    photos = [staged(kind, seed) for seed in range(6)]
    found = [detect(photo).found for photo in photos]
    whole_ones = 0
    for photo, outlines in zip(photos, found, strict=True):
        if len(outlines) == 1:
            low, high = outlines[0].corners.min(axis=0), outlines[0].corners.max(axis=0)
            whole_ones += bool(
                (low < 0.02 * photo.height).all() and (high > 0.98 * np.array(photo.pixels.shape[1::-1])).all()
            )
    assert whole_ones >= 5


def test_a_doubtful_full_picture_is_a_card_where_the_inside_of_one_is_seen_all_over_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    chance = (DetectSettings().filled_and_seen + DetectSettings().found) / 2
    monkeypatch.setattr("matcher.core.detect.detection.fills_frame", lambda *_: chance)
    card = staged("cropped", 0)
    assert inside_a_card(reduce(card))
    (found,) = detect(card)
    assert (found.corners.min(axis=0) == 0).all()
    assert not found.bare
    assert found.score == DetectSettings().found
    noise = np.random.default_rng(1).normal(120, 12, (832, 478, 3)).clip(0, 255).astype(np.uint8)
    view = Photo.from_pixels(noise)
    assert not inside_a_card(reduce(view))
    assert not detect(view)


@pytest.mark.parametrize("kind", ["no_wood", "no_cloth", "no_plaid"])
def test_a_picture_of_that_shape_without_a_card_is_none(kind: str) -> None:
    size = FaceSize()
    for seed in range(4):
        pixels = staged(kind, seed).pixels
        height = min(pixels.shape[0], round(pixels.shape[1] / size.aspect))
        cut = np.ascontiguousarray(pixels[:height, : round(height * size.aspect)])
        assert not detect(Photo.from_pixels(cut)), f"{kind} {seed}"


def test_nothing_of_another_shape_is_measured() -> None:
    square = Photo.from_pixels(staged("cropped", 0).pixels[:400, :400])
    assert full_frame.full_frame_measurements(square, reduce(square), SHAPES).shape == (0, 4)
    assert full_frame.fills_frame(square, reduce(square), SHAPES) == 0.0


def test_a_camera_picture_must_be_likelier_to_be_a_card(monkeypatch: pytest.MonkeyPatch) -> None:
    chance = (DetectSettings().found + DetectSettings().camera_filled) / 2
    monkeypatch.setattr("matcher.core.detect.detection.fills_frame", lambda *_: chance)
    noise = np.random.default_rng(1).normal(120, 12, (1600, 920, 3)).clip(0, 255).astype(np.uint8)
    assert len(detect(Photo.from_pixels(noise))) == 1
    small = noise[:832, :468]  # 9 to 16 exactly, but no camera's
    assert len(detect(Photo.from_pixels(np.ascontiguousarray(small)))) == 1
    view = detect(Photo.from_pixels(np.ascontiguousarray(noise[:, :900])))  # 9 to 16 exactly
    assert not view
    assert "no card found" in view.reason


@pytest.mark.parametrize("weights", [full_frame.WEIGHTS, quad_classifier.WEIGHTS])
def test_the_shipped_weights_have_their_source(weights: Path) -> None:
    assert json.loads(weights.with_suffix(".json").read_text())["source"]


def test_weights_are_fitted_anew_on_other_pictures(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(full_frame_fit, "WITHOUT", ("no_wood", "no_cloth"))
    weights = tmp_path / "fitted.onnx"
    write_logistic(full_frame_fit.fit_full_frame(PROPS, 4, seed=3), weights, seed=3)
    bare, card = [-6.0, 0.3, 0.5, 0.2], [4.0, 2.5, 0.0, 0.7]
    seen = infer(weights, measurements=np.array([bare, card], np.float32))
    assert seen[0] < 0.5 < seen[1]
    assert json.loads(weights.with_suffix(".json").read_text()) == {"seed": 3}
