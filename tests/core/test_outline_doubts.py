"""An outline that is not the card's makes no new variation, and a person is told to look at it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from matcher.core.detect.card_quad import CardQuad
from matcher.core.identify import CardAnswer, identify_card
from matcher.core.ladder.decision import LOOK_AT
from matcher.core.photo import Photo
from matcher.core.settings import Settings
from tests.core.test_identify import CALIBRATION, One, photo_and_outline, references
from tests.support.faces import face_of, picture

__all__ = ["references"]
"""The fixture."""


def part_of_the_card(left: float, top: float, right: float, bottom: float) -> tuple[Photo, CardQuad]:
    """A known card without words, of which only a part is outlined: shares of its width and height."""
    photo, outline = photo_and_outline(face_of(picture(81), noise=2, seed=2))
    begins, ends = outline.corners[0], outline.corners[2]
    x = begins[0] + (ends[0] - begins[0]) * np.array([left, right])
    y = begins[1] + (ends[1] - begins[1]) * np.array([top, bottom])
    corners = np.array([[x[0], y[0]], [x[1], y[0]], [x[1], y[1]], [x[0], y[1]]], np.float32)
    return photo, replace(outline, corners=corners)


def looks(card: CardAnswer) -> list[str]:
    return [reason for reason in card.answer.reasons if reason.startswith(LOOK_AT)]


@pytest.mark.parametrize(("part", "told"), [((0, 0.4, 1, 1), "67 % wider"), ((0, 0, 0.6, 1), "40 % narrower")])
def test_half_a_card_is_no_new_variation(
    references: One,
    part: tuple[float, float, float, float],
    told: str,
) -> None:
    card = identify_card(*part_of_the_card(*part), references, Settings(), CALIBRATION)
    assert card.answer.outcome == "undecided"
    (look,) = looks(card)
    assert told in look
    assert "draw its four corners" in look


def test_a_card_that_goes_on_beyond_the_photo_is_no_new_crop(references: One) -> None:
    photo, outline = part_of_the_card(0.15, 0.15, 0.85, 0.85)
    (left, top), (right, bottom) = outline.corners[0].astype(int), outline.corners[2].astype(int)
    shown = Photo.from_pixels(photo.pixels[top:bottom, left:right].copy())
    moved = replace(outline, corners=outline.corners - np.float32([left, top]))
    card = identify_card(shown, moved, references, Settings(), CALIBRATION)
    assert card.answer.outcome == "undecided"
    assert card.answer.established == {"pose": "P1"}
    assert any("beyond its edges" in look for look in looks(card))
    whole = identify_card(photo, outline, references, Settings(), CALIBRATION)  # the table lies round it
    assert whole.answer.outcome == "new_crop"
    assert looks(whole) == []


@pytest.mark.parametrize(("ends", "told"), [(True, "runs out of its picture at the left"), (False, "trimmed about")])
def test_a_card_that_its_photo_cuts_off_is_not_called_trimmed(references: One, ends: bool, told: str) -> None:
    photo, outline = part_of_the_card(0.06, 0, 1, 1)
    if ends:
        left = int(outline.corners[0, 0])
        photo = Photo.from_pixels(photo.pixels[:, left:].copy())
        outline = replace(outline, corners=outline.corners - np.float32([left, 0]))
    card = identify_card(photo, outline, references, Settings(), CALIBRATION)
    crop = card.answer.candidates[0].crop
    assert crop is not None
    assert told in crop.words
    assert any(crop.trims_on_card[0]) is not ends
    assert any("the card runs out of it" in look for look in looks(card)) is ends


def test_an_outline_with_a_rim_all_round_is_to_be_looked_at(references: One) -> None:
    photo, outline = photo_and_outline(face_of(picture(81), noise=2, caption="J. Kelwick", seed=2))
    middle = outline.corners.mean(axis=0)
    wide = replace(outline, corners=np.float32(middle + 1.12 * (outline.corners - middle)))
    card = identify_card(photo, wide, references, Settings(), CALIBRATION)
    assert card.answer.outcome == "new_crop"
    assert any("on all four sides" in look for look in looks(card))


def test_a_card_as_it_is_asks_for_no_look(references: One) -> None:
    photo, outline = photo_and_outline(face_of(picture(81), noise=2, caption="J. Kelwick", seed=2))
    card = identify_card(photo, outline, references, Settings(), CALIBRATION)
    assert card.answer.outcome == "known"
    assert looks(card) == []
