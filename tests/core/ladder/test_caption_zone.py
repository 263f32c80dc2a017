"""The head of a card: picture where a sitter's head stands there, left out where words do."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from matcher.core.align.view import picture_zone, wide_zone
from matcher.core.calibration import Calibration
from matcher.core.detect.card_quad import CardQuad
from matcher.core.flatten import Face, flatten
from matcher.core.ladder.caption_zone import is_picture, shown_picture
from matcher.core.ladder.pose import judge_pose
from matcher.core.photo import Photo
from matcher.lab.synthesis import Age, Caption, Crop, make_copy, scan
from matcher.lab.synthesis.lettering import Style
from tests.core.ladder.test_ladder import pair_of, studio
from tests.support.faces import SIZE, face_of, moved_spot, window


def card(style: Style, contrast: float, negative: str = "A1") -> Face:
    """A scanned card whose words stand at one of the usual places."""
    words = Caption("J. Kelwick", "Harle Wheelers", "Fernhollow Cocoa Works", style)
    rng = np.random.default_rng(5)
    copy = make_copy(studio(negative), Crop(0.5, 0.4, 1.2), words, Age(residual_contrast=contrast), seed=3, plate=2)
    shot = scan(copy, rng)
    return flatten(Photo.from_pixels(shot.pixels), CardQuad(shot.corners.astype(np.float32), 1.0))


@pytest.mark.parametrize("contrast", [0.8, 0.3, 0.15])
@pytest.mark.parametrize(("style", "picture"), [("below", True), ("plate", True), ("top", False)])
def test_a_head_without_words_is_picture(style: Style, picture: bool, contrast: float) -> None:
    face = card(style, contrast)
    assert is_picture(face) is picture
    assert (shown_picture(face) == (wide_zone if picture else picture_zone)(face.size)).all()


def test_words_written_into_the_picture_at_the_head_are_no_picture() -> None:
    face = card("below", 0.6)
    assert is_picture(face)
    grey = face.grey.copy()
    cv2.putText(grey, "Kelwick, Harle Wheelers", (40, 40), cv2.FONT_HERSHEY_COMPLEX, 0.65, 225, 1, cv2.LINE_AA)
    assert not is_picture(Face.from_pixels(np.repeat(grey[..., None], 3, axis=2)))


def test_a_head_that_changed_right_under_the_upper_edge_is_seen() -> None:
    negative, cut = studio("B1"), window(1.0, 0, 95)  # the hair touches the upper edge
    other = moved_spot(negative, (262, 185), 50, (18, 4))  # the head stands 1.4 mm aside, 2 to 5.5 mm under the edge
    calibration = Calibration.load()
    reference = face_of(negative, cut, noise=2)
    same, turned = (
        judge_pose(pair_of(query, reference), calibration)
        for query in (face_of(negative, cut, noise=2, seed=4), face_of(other, cut, noise=2, seed=4))
    )
    assert same is not None
    assert turned is not None
    assert turned.probability < 0.5 < same.probability
    assert np.nanmin(turned.map[: round(3 * SIZE.px_per_mm)]) < 0.5  # the map is at half the face's scale


def test_a_face_that_looks_the_other_way_is_another_exposure() -> None:
    negative, cut = studio("B1"), window(1.0, 0, 95)
    other = negative.copy()
    other[150:208, 232:292] = other[150:208, 291:231:-1]
    found = judge_pose(
        pair_of(face_of(other, cut, noise=2, seed=4), face_of(negative, cut, noise=2)), Calibration.load()
    )
    assert found is not None
    assert found.probability < 0.5
