"""The carrier that every rung is given: a reference laid over the query's face, and what of both can be compared."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from matcher.core.align.alignment import Alignment
from matcher.core.align.view import picture_zone, wide_zone
from matcher.core.flatten import Face
from matcher.core.ladder.registered import Registered, Side, laid_over
from matcher.core.ladder.words_settings import StripSettings
from matcher.core.settings import FaceSize
from tests.support.faces import SIZE, face_of, picture, window

NEGATIVE = picture(51)
SHIFT = np.array([[1.0, 0, 12], [0, 1, -7], [0, 0, 1]])


def pair(query: Face, reference: Face, transform: np.ndarray = SHIFT) -> Registered:
    return Registered.of(query, reference, Alignment(transform, 50, 0.9, 0.1, 1.0, "orb"))


def test_the_reference_is_warped_to_where_the_query_shows_the_same() -> None:
    found = pair(face_of(NEGATIVE, window(1.0, 12, -7)), face_of(NEGATIVE))
    assert found.warped.shape == (SIZE.height, SIZE.width)
    apart = cv2.absdiff(found.warped, found.query.face.grey)
    assert np.median(apart[found.covered]) <= 1
    assert np.median(cv2.absdiff(found.reference.face.grey, found.query.face.grey)) > 5


def test_what_the_reference_does_not_show_or_is_not_trusted_on_is_not_covered() -> None:
    reference = face_of(NEGATIVE)
    trusted = reference.trusted.copy()
    trusted[100:120, 50:70] = False
    covered = pair(face_of(NEGATIVE), replace(reference, trusted=trusted)).covered
    assert not covered[107:127, 38:58].any()  # where those pixels land
    assert not covered[:, -12:].any()  # beyond the reference's right edge
    assert not covered[:7].any()
    assert covered.mean() > 0.9


def test_a_thumb_over_the_query_is_left_out_of_what_is_shown_and_noise_is_not() -> None:
    query = face_of(NEGATIVE, noise=3, seed=1)
    grey = query.grey.copy()
    grey[480:640, :120] = 10
    thumb = Face.from_pixels(np.repeat(grey[..., None], 3, axis=2))
    clear, hidden = (pair(face, face_of(NEGATIVE, noise=3, seed=2), np.eye(3)).uncovered for face in (query, thumb))
    assert clear.mean() > 0.98
    assert hidden[500:620, 10:110].mean() < 0.1
    assert hidden[:400].mean() > 0.98


def test_both_show_the_photograph_only_inside_the_zones_of_both() -> None:
    found = pair(face_of(NEGATIVE), face_of(NEGATIVE), np.eye(3))
    assert not (found.both_picture & ~wide_zone(SIZE)).any()
    assert found.both_picture[picture_zone(SIZE)].all()


def test_each_map_is_made_once_and_the_query_side_is_shared(monkeypatch: pytest.MonkeyPatch) -> None:
    warps = []
    warp = cv2.warpPerspective
    monkeypatch.setattr(cv2, "warpPerspective", lambda *a, **k: warps.append(a[0].shape) or warp(*a, **k))
    query = Side(face_of(NEGATIVE))
    fits = Alignment(SHIFT, 50, 0.9, 0.1, 1.0, "orb")
    warps.clear()
    pairs = [Registered(query, Side(face_of(NEGATIVE)), fits) for _ in range(2)]
    warps.clear()
    for found in pairs:
        for _ in range(3):
            assert found.uncovered.any()
            assert found.both_picture.any()
    assert len(warps) == 2 * 3  # of each reference its grey, what is trusted of it, what is picture on it
    assert pairs[0].query.picture is pairs[1].query.picture


def test_what_was_not_registered_is_refused() -> None:
    face = face_of(NEGATIVE)
    with pytest.raises(ValueError, match="not registered: no likeness"):
        Registered.of(face, face, Alignment.failed("no likeness"))


def test_faces_of_two_scales_are_refused() -> None:
    face = face_of(NEGATIVE)
    small = FaceSize(width=184, height=320)
    other = Face.from_pixels(np.zeros((320, 184, 3), np.uint8), small)
    with pytest.raises(ValueError, match="one scale"):
        pair(face, other)


def test_on_a_card_all_of_one_tone_what_lies_on_the_other_is_still_seen() -> None:
    """Fading has no slope there, and none is made up."""
    blank = np.full((640, 368), 190, np.uint8)
    covered = blank.copy()
    covered[200:320, 100:260] = 90
    assert not laid_over(blank, blank, StripSettings()).any()
    found = laid_over(covered, blank, StripSettings())
    assert found[260, 180]
    assert not found[500, 180]
