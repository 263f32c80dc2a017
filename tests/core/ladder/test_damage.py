"""Damage is named by its shape, with its place and the card that bears it, and says nothing about the exposure."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np
import pytest

from matcher.core.calibration import Calibration
from matcher.core.flatten import Face
from matcher.core.ladder.damage import DAMAGE_KINDS, Damage, damage_models, damage_words, place_words
from matcher.core.ladder.pose import PoseFinding, judge_pose
from matcher.core.ladder.registered import Registered
from tests.core.ladder.test_ladder import studio
from tests.core.ladder.test_movement import LAID_OVER, seen, view_of
from tests.support.faces import face_of, moved_spot

CALIBRATION = Calibration.load()

Field = np.ndarray
Hurt = Callable[[Field], Field]
"""(640, 368) float32 0..1 in and out; 10 pixels a millimetre."""


def judged(query: Face, reference: Face) -> PoseFinding:
    found = judge_pose(Registered.of(query, reference, LAID_OVER), CALIBRATION)
    assert found is not None
    return found


def of_one_negative(query: Face, reference: Face) -> PoseFinding:
    return replace(judged(query, reference), probability=0.9)


def creased(view: Field) -> Field:
    """A white line, a third of a millimetre wide, from edge to edge below two thirds of the height; its lip shaded."""
    page = (255 * view).astype(np.uint8)
    cv2.line(page, (0, 476), (367, 458), 60, 3, cv2.LINE_AA)
    cv2.line(page, (0, 472), (367, 454), 250, 3, cv2.LINE_AA)
    return page.astype(np.float32) / 255


def labelled(view: Field) -> Field:
    """A pale label of 9 x 6 mm with a figure on it, at the upper left."""
    page = (255 * view).astype(np.uint8)
    cv2.rectangle(page, (50, 120), (140, 180), 225, -1)
    cv2.rectangle(page, (54, 124), (136, 176), 70, 2)
    cv2.putText(page, "47", (66, 166), cv2.FONT_HERSHEY_SIMPLEX, 1.2, 40, 2, cv2.LINE_AA)
    return page.astype(np.float32) / 255


def lost(view: Field) -> Field:
    """A ragged patch of bare board of about 5 x 4 mm at the right."""
    turns = np.linspace(0, 2 * np.pi, 30, endpoint=False)
    rough = 1 + 0.25 * np.sin(5 * turns + 1) + 0.15 * np.cos(9 * turns)
    outline = np.column_stack([270 + 26 * rough * np.cos(turns), 320 + 20 * rough * np.sin(turns)])
    mask = np.zeros(view.shape, np.uint8)
    cv2.fillPoly(mask, [np.rint(outline).astype(np.int32)], 255, cv2.LINE_AA)
    share = cv2.GaussianBlur(mask.astype(np.float32) / 255, (0, 0), 0.7)
    return view * (1 - share) + 0.88 * share


def signed(view: Field) -> Field:
    """A line of ink that goes up and down across the lower middle."""
    page = (255 * view).astype(np.uint8)
    x = np.linspace(80, 280, 200)
    way = np.column_stack([x + 9 * np.sin(x / 5), 450 + 16 * np.sin(x / 6) + 7 * np.sin(x / 17)])
    cv2.polylines(page, [np.rint(8 * way).astype(np.int32)], False, 15, 3, cv2.LINE_AA, 3)
    return page.astype(np.float32) / 255


CASES: list[tuple[Hurt, str, str]] = [
    (creased, "crease", "across the lower third"),
    (labelled, "sticker", "upper left"),
    (lost, "loss", "right"),
    (signed, "writing", "lower"),
]


@pytest.fixture(scope="module")
def hurt_cards() -> list[tuple[PoseFinding, str, str, str]]:
    """A finding, the true kind and place, and the card that bears it: each case on either card.

    What the pose makes of it is for `test_movement`: here both are taken for one negative.
    """
    found = []
    for name in ("A1", "F1"):
        view = view_of(name)
        for hurt, kind, place in CASES:
            found.append((of_one_negative(seen(hurt(view), 2), seen(view, 1)), kind, place, "query"))
            found.append((of_one_negative(seen(view, 1), seen(hurt(view), 2)), kind, place, "reference"))
    return found


def test_damage_is_named_by_its_shape_and_hardly_ever_wrongly(
    hurt_cards: list[tuple[PoseFinding, str, str, str]],
) -> None:
    named = [(found.damage[0].kind, kind) for found, kind, _, _ in hurt_cards]
    assert all(said in (kind, "unclear") for said, kind in named)
    assert sum(said == kind for said, kind in named) >= 0.8 * len(named)


def test_damage_is_told_with_its_place_and_the_card_that_bears_it(
    hurt_cards: list[tuple[PoseFinding, str, str, str]],
) -> None:
    for found, _, place, card in hurt_cards:
        assert place in found.damage[0].place
        assert found.damage[0].on in (card, "either")
    assert sum(found.damage[0].on == card for found, _, _, card in hurt_cards) >= 0.8 * len(hurt_cards)


def test_damage_is_told_and_not_called_another_exposure(hurt_cards: list[tuple[PoseFinding, str, str, str]]) -> None:
    for found, _, _, _ in hurt_cards:
        assert "damage, no difference: on " in found.words
        assert "another exposure" not in found.words
        assert found.damage[0].words in found.words


def test_a_broken_crease_is_one_from_edge_to_edge(hurt_cards: list[tuple[PoseFinding, str, str, str]]) -> None:
    creases = [found.damage for found, kind, _, _ in hurt_cards if kind == "crease"]
    assert all(len(damage) == 1 and damage[0].size_mm[0] > 22 for damage in creases)


def test_whole_cards_have_no_damage() -> None:
    for name in ("A1", "C1", "H1"):
        found = of_one_negative(seen(view_of(name), 2), seen(view_of(name), 1))
        assert found.damage == ()
        assert "damage" not in found.words


def shine(shape: tuple[int, ...]) -> Field:
    """A lamp's reflection of some 5 x 10 mm, burnt out within, its halo falling off softly; 0..1 and a little more."""
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]].astype(np.float32)
    return np.clip(np.exp(1.6 - 2.2 * np.hypot((x - 60) / 24, (y - 330) / 48)), 0, 1.1)


def sepia(view: Field, seed: int, glare: float = 0.0) -> Face:
    """A brown print, with a sensor's noise; a lamp's shine is white."""
    brown = view[..., None] * np.array([0.86, 0.72, 0.53], np.float32)
    share = glare * shine(view.shape)[..., None]
    noise = np.random.default_rng(seed).normal(0, 2, brown.shape)
    return Face.from_pixels(np.clip(255 * (brown + (1 - brown) * share) + noise, 0, 255).astype(np.uint8))


def test_a_lamps_shine_is_no_damage() -> None:
    for name in ("A1", "C1", "F1", "H1"):
        query = sepia(view_of(name), 2, glare=1.0)
        assert not query.trusted.all()
        assert of_one_negative(query, sepia(view_of(name), 1)).damage == ()


def test_what_lies_far_from_a_lamps_shine_is_told_still() -> None:
    view = view_of("A1")
    found = of_one_negative(sepia(lost(view), 2, glare=1.0), sepia(view, 1))
    assert ["right" in one.place for one in found.damage] == [True]


def test_of_another_exposure_no_damage_is_told() -> None:
    later = moved_spot(studio("B1"), (262, 185), 60, (18, 18))
    found = judged(face_of(later, noise=2, seed=2), face_of(studio("B1"), noise=2, seed=1))
    assert found.probability < 0.5
    assert found.damage == ()


def test_words_name_kind_place_and_size() -> None:
    crease = Damage("crease", 0.9, "query", (0.0, 45.0, 36.0, 47.0), 20.0)
    hole = Damage("loss", 0.8, "reference", (3.0, 4.0, 7.0, 7.0), 10.0)
    told = damage_words((crease, hole))
    assert told == (
        "on this card a crease or crack across the lower third, about 36 mm long; "
        "on the reference paper or picture lost at the upper left, about 4 x 3 mm"
    )
    assert damage_words(()) == ""


def test_every_place_has_its_words() -> None:
    for row in np.linspace(0, 0.9, 5):
        for column in np.linspace(0, 0.9, 5):
            assert re.fullmatch(r"(at the|in the) [a-z ]+", place_words(column, row, column + 0.1, row + 0.1))
    assert place_words(0.4, 0.02, 0.5, 0.95) == "down the centre"
    assert place_words(0.0, 0.0, 1.0, 1.0) == "over most of the face"


def test_the_models_name_every_kind_and_what_is_nothing() -> None:
    assert set(damage_models().kinds) == {*DAMAGE_KINDS, "nothing"} - {"unclear"}
