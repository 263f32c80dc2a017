"""The change detector: where two registered pictures differ, and which of two candidates fits better there."""

from __future__ import annotations

from collections import Counter

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from matcher.core.calibration import Calibration
from matcher.core.ladder.change_detector import (
    STEP,
    DifferenceMap,
    compare,
    difference_features,
    network_input,
    odds_features,
)
from matcher.core.ladder.head_to_head import RUNG, Contender, rival_features, share_odds
from matcher.lab.synthesis.negatives import another_exposure
from matcher.lab.synthesis.training_pairs import UNKNOWN, Pair, pairs
from tests.support.faces import face_of, picture

Grey = NDArray[np.uint8]

SPOT = np.s_[240:300, 120:190]
"""About a head: 6 x 7 mm."""

SITTER, BACKDROP = np.s_[200:400, 130:240], np.s_[60:500, 20:50]
"""Of a face, whatever its crop: well within the sitter of the drawn pairs, and well outside."""


def seen(negative: Grey, contrast: float = 0.8, seed: int = 0) -> Grey:
    return face_of(negative, contrast=contrast, noise=2, seed=seed).grey


def changed(grey: Grey, other: Grey) -> Grey:
    """`grey`, but for one spot that shows what `other` shows there."""
    mixed = grey.copy()
    mixed[SPOT] = other[SPOT]
    return mixed


def everywhere(grey: Grey) -> NDArray[np.bool_]:
    return np.ones(grey.shape, np.bool_)


@pytest.mark.parametrize("contrast", [0.8, 0.5, 0.3])
def test_only_the_spot_that_differs_stands_out(contrast: float) -> None:
    query, reference = seen(picture(41), contrast, 1), seen(picture(41), 0.8, 2)
    part = compare("pictures", changed(query, seen(picture(42), contrast, 3)), reference, everywhere(query))
    rows, columns = (slice(s.start // STEP, s.stop // STEP) for s in SPOT)
    inside = np.zeros(part.probability.shape, bool)
    inside[rows, columns] = True
    # A spot's border may count to either side.
    outside = ~cv2.dilate(inside.astype(np.uint8), np.ones((9, 9), np.uint8)).astype(bool)
    assert part.probability[inside].mean() > 0.35
    assert part.probability[outside].mean() < 0.08


def test_noise_fading_and_gain_alone_are_no_difference() -> None:
    query = seen(picture(41), 0.5, 1)
    brighter = np.clip(query.astype(np.float32) * 0.7 + 20, 0, 255).astype(np.uint8)
    features = [
        difference_features([compare("pictures", grey, seen(picture(41), 0.9, 2), everywhere(query))])
        for grey in (query, brighter)
    ]
    worst = difference_features(
        [compare("pictures", seen(picture(43), 0.5, 1), seen(picture(41), 0.9, 2), everywhere(query))]
    )
    for name in worst:
        assert max(f[name] for f in features) < worst[name], name


def test_log_odds_go_on_where_probabilities_end() -> None:
    """One surely changed spot and a whole line of them are both at 1 as probabilities."""
    seen_there = np.ones((20, 60), np.float32)
    stroke, line = (np.full((20, 60), -6.0, np.float32) for _ in range(2))
    stroke[9:11, 30:32] = 7.0
    line[6:14, 10:50] = 7.0
    grey = np.zeros((80, 240), np.uint8)
    maps = [DifferenceMap("words", grey, grey, seen_there, logits) for logits in (stroke, line)]
    most = [difference_features([one])["differs_most"] for one in maps]
    odds = [odds_features([one]) for one in maps]
    assert most[0] == pytest.approx(most[1], abs=0.01)
    for name in odds[0]:
        assert odds[0][name] < odds[1][name] - 1.0, name
    hidden = DifferenceMap("words", grey, grey, np.zeros_like(seen_there), line)
    assert set(odds_features([hidden]).values()) == {0.0}  # what is not shown says nothing


@pytest.mark.parametrize(("height", "width"), [(640, 368), (87, 324), (30, 41)])
def test_any_size_gives_a_map_of_a_quarter(height: int, width: int) -> None:
    grey = picture(44, 900, 520)[:height, :width]
    mask = np.zeros((height, width), np.bool_)
    part = compare("pictures", grey, grey, mask)
    assert part.logits.shape == part.shown.shape == (-(-height // STEP), -(-width // STEP))
    assert part.probability.max() == 0  # nothing is seen, so nothing differs


def test_prepared_detail_does_not_depend_on_contrast() -> None:
    grey = picture(45)
    halved = (grey // 2 + 60).astype(np.uint8)
    assert np.corrcoef(network_input(grey)[0].ravel(), network_input(halved)[0].ravel())[0, 1] > 0.98


def test_noise_is_measured_against_detail() -> None:
    grey = picture(45)
    noise = np.random.default_rng(1).normal(0, 6, grey.shape)
    assert network_input(np.clip(grey + noise, 0, 255).astype(np.uint8))[1] > network_input(grey)[1] + 0.5


# Rivals


def two_candidates(shows_first: bool, contrast: float) -> tuple[tuple[DifferenceMap, ...], tuple[DifferenceMap, ...]]:
    """A query against two references that differ in one spot only."""
    first = seen(picture(41), 0.7, 2)
    second = changed(seen(picture(41), 0.9, 3), seen(picture(42), 0.9, 4))
    query = seen(picture(41), contrast, 1)
    if not shows_first:
        query = changed(query, seen(picture(42), contrast, 5))
    return (compare("pictures", query, first, everywhere(query)),), (
        compare("pictures", query, second, everywhere(query)),
    )


@pytest.mark.parametrize("contrast", [0.8, 0.3, 0.15])
@pytest.mark.parametrize("shows_first", [True, False])
def test_the_right_one_of_two_that_hardly_differ_wins(shows_first: bool, contrast: float) -> None:
    first, second = two_candidates(shows_first, contrast)
    chance = Calibration.load().probability(RUNG, rival_features(first, second))
    assert (chance > 0.5) == shows_first


def test_who_comes_first_does_not_matter() -> None:
    first, second = two_candidates(True, 0.3)
    there, back = rival_features(first, second), rival_features(second, first)
    assert {name: -value for name, value in back.items()} == pytest.approx(there, abs=0.02)
    model = Calibration.load().rungs[RUNG]
    assert (model.intercept, *model.centres) == (0, *[0] * len(model.centres))


def test_a_comparison_moves_confidence_from_one_rival_to_the_other() -> None:
    first, second = two_candidates(True, 0.8)
    alone = share_odds({"A": Contender(0.9, ()), "B": Contender(0.92, ())})
    compared = share_odds({"A": Contender(0.9, first), "B": Contender(0.92, second)}, Calibration.load())
    assert alone["A"] < alone["B"]
    assert compared["A"] > 0.75 > 0.25 > compared["B"]


# Pairs with the truth of every spot


def test_what_was_read_counts_when_rivals_are_compared() -> None:
    parts = two_candidates(True, 0.3)[0]
    rivals = {"A": Contender(0.9, parts, 2.0), "B": Contender(0.9, parts, -2.0)}
    shares = share_odds(rivals, Calibration.load())
    # Their parts are the same, so reading alone speaks: odds e^4 to 1.
    assert shares["A"] / shares["B"] == pytest.approx(np.exp(4.0), rel=0.02)


@pytest.fixture(scope="module")
def drawn() -> list[Pair]:
    """Pairs of one negative with a sibling: another sitter before the same backdrop."""
    negative = np.ascontiguousarray(picture(46, 1000, 600))
    sibling = negative.copy()
    sibling[250:850, 180:420] = picture(47, 1000, 600)[250:850, 180:420]
    return [pair for seed in (3, 6) for pair in pairs(negative, [sibling], seed=seed)]


def differing(drawn: list[Pair], kind: str, where: tuple[slice, slice] = SITTER) -> list[float]:
    """The share of a part of the face that differs, of each pair of a kind."""
    return [float((pair.picture.truth[where] == 1).mean()) for pair in drawn if pair.kind == kind]


def test_every_kind_of_pair_is_drawn_and_labelled(drawn: list[Pair]) -> None:
    assert Counter(pair.kind for pair in drawn) == {"same": 4, "exposure": 4, "sibling": 2}
    assert {int(label) for pair in drawn for label in np.unique(pair.picture.truth)} == {0, 1, UNKNOWN}


def test_copies_of_one_negative_differ_nowhere_in_the_picture(drawn: list[Pair]) -> None:
    assert differing(drawn, "same") == [0.0] * 4
    same_words = [pair for pair in drawn if pair.kind == "same" and pair.words]
    assert len(same_words) == 3
    assert not any((pair.picture.truth == 1).any() for pair in same_words)


def test_another_sitter_differs_nearly_everywhere_and_the_backdrop_nowhere(drawn: list[Pair]) -> None:
    assert min(differing(drawn, "sibling")) > 0.9
    assert max(differing(drawn, "sibling", BACKDROP)) < 0.02


def test_another_exposure_differs_in_places(drawn: list[Pair]) -> None:
    shares = differing(drawn, "exposure", np.s_[:, :])
    assert min(shares) > 0
    assert max(shares) < 0.3


def test_another_exposure_changes_spots_and_nothing_else() -> None:
    negative = picture(48, 1000, 600)
    other = another_exposure(negative, np.random.default_rng(5))
    differs = cv2.absdiff(negative, other) > 2
    assert 0.0005 < differs.mean() < 0.35
