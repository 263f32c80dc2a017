"""What has moved is told from what lies upon a card and from another print, on drawn faces with the truth known."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from matcher.core.align.alignment import Alignment, align
from matcher.core.align.view import View
from matcher.core.calibration import Calibration
from matcher.core.flatten import Face
from matcher.core.ladder.movement import CELL, compare_movement, movement_features, toned
from matcher.core.ladder.picture_settings import PoseSettings
from matcher.core.ladder.pose import PoseFinding, judge_pose
from matcher.core.ladder.registered import Registered
from matcher.core.ladder.settings import LadderSettings
from matcher.lab.synthesis.prints import Field, halftone, random_look, render_print
from matcher.lab.synthesis.wear import worn
from tests.core.ladder.test_ladder import pair_of, studio
from tests.support.faces import face_of, moved_spot

CALIBRATION = Calibration.load()
LAID_OVER = Alignment(np.eye(3), 50, 0.9, 0.1, 1.0, "orb")
VISIBLE = 0.08
"""Change of tone, 0..1, from which a person sees that something lies there."""

HARM = ("crease", "sticker", "ink", "surface_loss", "holes")


def view_of(name: str) -> Field:
    """(640, 368) float32 0..1: a demo negative as a face shows it."""
    return face_of(studio(name)).grey.astype(np.float32) / np.float32(255)


def seen(view: Field, seed: int) -> Face:
    """A picture of it, with a sensor's noise."""
    noise = np.random.default_rng(seed).normal(0, 2, view.shape)
    grey = np.clip(255 * view + noise, 0, 255).astype(np.uint8)
    return Face.from_pixels(np.repeat(grey[..., None], 3, axis=2))


def pair_or_none(query: Face, reference: Face) -> Registered | None:
    found = align(View(query), View(reference))
    return Registered.of(query, reference, found) if found else None


def judged(query: Face, reference: Face) -> PoseFinding:
    found = judge_pose(pair_of(query, reference), CALIBRATION)
    assert found is not None
    return found


def test_other_prints_of_one_negative_have_not_moved() -> None:
    sure = 0
    for name in ("A1", "H1"):
        for seed in range(4):
            view, rng = view_of(name), np.random.default_rng(seed)
            pair = pair_or_none(seen(render_print(view, random_look(rng, 1.0), rng), 2), seen(view, 1))
            found = judge_pose(pair, CALIBRATION) if pair else None
            if found is None:  # a print of which hardly a tone is left: nothing is said of it
                continue
            assert found.probability > 0.5
            assert found.damaged < 0.03
            assert "nothing has moved" in found.words
            sure += found.probability > 0.9
    assert sure >= 6


@pytest.fixture(scope="module")
def harmed() -> list[tuple[PoseFinding, NDArray[np.bool_]]]:
    """Cards hurt in one way each against fresh ones, with the cells that are laid over or lost."""
    found = []
    for name in ("A1", "C1"):
        view = view_of(name)
        for kind in HARM:
            for seed in (1, 2):
                hurt, opaque = worn(view, [kind], np.random.default_rng(seed), 0.6)
                one = judged(seen(hurt, 2), seen(view, 1))
                assert one.compared is not None
                shown = one.compared.movement.shown
                size = (shown.shape[1], shown.shape[0])
                cells = cv2.resize(np.ascontiguousarray(opaque[one.compared.box]), size, interpolation=cv2.INTER_AREA)
                change = cv2.resize(np.abs(hurt - view)[one.compared.box], size, interpolation=cv2.INTER_AREA)
                found.append((one, (cells > 0.6) & (change > VISIBLE) & (shown > 0)))
    return found


def test_what_lies_upon_a_card_is_no_other_exposure(harmed: list[tuple[PoseFinding, NDArray[np.bool_]]]) -> None:
    given = np.array([one.probability for one, _ in harmed])
    assert (given > 0.5).mean() >= 0.95
    assert given.min() > 0.15


def test_most_of_what_is_laid_over_or_lost_is_found(harmed: list[tuple[PoseFinding, NDArray[np.bool_]]]) -> None:
    found = [one.compared.movement.damaged[gone] > 0.5 for one, gone in harmed if one.compared]
    outside = [one.compared.movement.damaged[~gone] > 0.5 for one, gone in harmed if one.compared]
    assert np.concatenate(found).mean() > 0.55
    assert np.concatenate(outside).mean() < 0.02
    assert any("damaged or covered on one card" in one.words for one, _ in harmed)


@pytest.mark.parametrize("contrast", [0.8, 0.2])
@pytest.mark.parametrize("mm", [1.0, 2.0])
@pytest.mark.parametrize(("name", "spot", "radius"), [("B1", (262, 185), 60), ("C1", (250, 330), 70)])
def test_a_head_or_an_arm_that_moved_is_another_exposure(
    name: str, spot: tuple[int, int], radius: float, mm: float, contrast: float
) -> None:
    later = moved_spot(studio(name), spot, radius, (0.7 * mm * 13, 0.7 * mm * 13))  # a negative has 13 px a mm
    found = judged(face_of(later, contrast=contrast, noise=2, seed=2), face_of(studio(name), noise=2, seed=1))
    assert found.probability < 0.1
    assert "another exposure: the picture has moved at the" in found.words
    assert found.compared is not None
    moved, (rows, columns) = found.compared.movement.moved, found.compared.box
    row, column = np.unravel_index(int(cv2.GaussianBlur(moved, (0, 0), 4.0).argmax()), moved.shape)
    # A face pixel is 1.3 of the negative's, see `face_of`.
    where = np.array([15 + 1.3 * (CELL * column + columns.start), 10 + 1.3 * (CELL * row + rows.start)])
    assert np.hypot(*(where - spot)) < 1.3 * radius


def test_what_moved_does_not_depend_on_who_is_asked_about_whom() -> None:
    first, later = face_of(studio("B1"), noise=2, seed=1), face_of(moved_spot(studio("B1"), (262, 185), 60, (13, 9)))
    everywhere = np.ones(first.grey.shape, bool)
    there, back = (compare_movement(a.grey, b.grey, everywhere) for a, b in ((first, later), (later, first)))
    assert max(there.log_odds, back.log_odds) < 0
    assert np.corrcoef(there.moved.ravel(), back.moved.ravel())[0, 1] > 0.8


def test_a_halftone_of_the_picture_is_not_called_another_exposure() -> None:
    for name in ("A1", "C1"):
        printed = seen(halftone(view_of(name), 4.0, 0.4), 3)
        found = judge_pose(Registered.of(printed, seen(view_of(name), 1), LAID_OVER), CALIBRATION)
        assert found is None or found.probability > 0.5


def test_a_blank_face_is_not_laid_over_and_so_not_judged() -> None:
    blank = seen(np.full((640, 368), 0.7, np.float32), 4)
    assert not align(View(blank), View(seen(view_of("A1"), 1)))


def test_where_too_little_can_be_compared_nothing_is_said() -> None:
    view = view_of("A1")
    hurt, _ = worn(view, ["sticker", "surface_loss"], np.random.default_rng(3), 1.0)
    one = judge_pose(Registered.of(seen(hurt, 2), seen(view, 1), LAID_OVER), CALIBRATION)
    assert one is not None
    assert one.compared is not None
    share = one.compared.movement.comparable
    for least, said in ((share - 0.01, True), (share + 0.01, False)):
        strict = replace(LadderSettings(), pose=PoseSettings(least_comparable=least))
        pair = Registered.of(seen(hurt, 2), seen(view, 1), LAID_OVER, strict)
        assert (judge_pose(pair, CALIBRATION) is not None) == said


@pytest.mark.parametrize(("height", "width"), [(544, 336), (90, 130), (33, 47)])
def test_any_size_gives_a_map_of_a_quarter_and_what_is_not_shown_has_not_moved(height: int, width: int) -> None:
    grey = studio("A1")[200 : 200 + height, 100 : 100 + width]
    found = compare_movement(grey, grey, np.zeros(grey.shape, bool))
    assert found.classes.shape == (4, -(-height // CELL), -(-width // CELL))
    assert found.classes.sum(axis=0) == pytest.approx(1.0, abs=1e-5)
    assert found.moved.max() == found.damaged.max() == found.comparable == 0
    assert np.isfinite(list(movement_features(found).values())).all()


def test_tones_are_told_whatever_the_contrast() -> None:
    grey = studio("A1")
    faded = (0.6 * grey + 80).astype(np.uint8)
    assert np.corrcoef(toned(grey).ravel(), toned(faded).ravel())[0, 1] > 0.99
    assert np.abs(toned(grey)).max() <= 3.0
