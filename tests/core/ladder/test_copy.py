"""The copy rung: a card's own marks against those of another copy of its record, drawn faces and rehearsed cards."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from matcher.core.align.alignment import align
from matcher.core.align.view import View
from matcher.core.calibration import Calibration
from matcher.core.flatten import Face
from matcher.core.ladder.copy import copy_features, judge_copy
from matcher.core.ladder.crop import known_crop
from matcher.core.ladder.registered import Registered
from matcher.lab.synthesis.trials import Pairing, Subject, drawn_copies
from tests.support.faces import face_of, picture

NEGATIVE = picture(71)


def features(query: Face, reference: Face) -> dict[str, float]:
    found = align(View(query), View(reference))
    assert found
    pair = Registered.of(query, reference, found)
    return copy_features(pair, known_crop(pair, 1.0))


def scratched(face: Face) -> Face:
    pixels = face.pixels.copy()
    cv2.line(pixels, (90, 150), (170, 260), (250, 245, 235), 2, cv2.LINE_AA)
    cv2.circle(pixels, (250, 420), 5, (60, 45, 30), -1, cv2.LINE_AA)
    return Face.from_pixels(pixels)


def test_a_scratch_and_a_spot_are_marks_and_noise_fading_and_edges_are_none() -> None:
    reference = face_of(NEGATIVE, contrast=0.8, noise=2.0, seed=1)
    same = features(face_of(NEGATIVE, contrast=0.5, noise=2.0, seed=2), reference)
    other = features(scratched(face_of(NEGATIVE, contrast=0.5, noise=2.0, seed=2)), reference)
    assert other["marks"] > same["marks"] + 1.5
    assert other["mark"] > same["mark"] + 1.0


def test_marks_on_both_are_no_difference() -> None:
    first = scratched(face_of(NEGATIVE, contrast=0.8, noise=2.0, seed=1))
    second = scratched(face_of(NEGATIVE, contrast=0.8, noise=2.0, seed=2))
    plain = features(face_of(NEGATIVE, contrast=0.8, noise=2.0, seed=3), first)
    assert features(second, first)["marks"] < plain["marks"] - 1.0


def test_where_nothing_may_be_believed_nothing_is_said() -> None:
    face = face_of(NEGATIVE)
    found = align(View(face), View(face))
    blind = replace(face, trusted=np.zeros_like(face.trusted))
    pair = Registered.of(blind, face, found)
    measured = copy_features(pair, known_crop(pair, 1.0))
    assert measured["marks"] == measured["mark"] == 0.0


@pytest.fixture(scope="module")
def pairings() -> list[Pairing]:
    return [one for pairs in drawn_copies([Subject(picture(72)), Subject(picture(73))], seed=5) for one in pairs]


def test_copies_are_rehearsed_against_a_photo_and_a_scan(pairings: list[Pairing]) -> None:
    assert [one.kind for one in pairings] == ["same_copy", "other_copy"] * 4
    assert [one.truth["copy"] for one in pairings] == [True, False] * 4
    assert all(one.truth["pose"] and one.truth["caption"] for one in pairings)


def test_the_shipped_confidence_tells_rehearsed_copies_apart(pairings: list[Pairing]) -> None:
    stated: dict[str, list[float]] = {"same_copy": [], "other_copy": []}
    for one in pairings:
        (reference,) = one.references
        found = align(View(one.query), View(reference))
        if found:
            pair = Registered.of(one.query, reference, found)
            copy = judge_copy(pair, known_crop(pair, 1.0), Calibration.load())
            stated[one.kind].append(copy.probability)
    assert np.median(stated["same_copy"]) > 0.8
    assert np.median(stated["other_copy"]) < 0.2
