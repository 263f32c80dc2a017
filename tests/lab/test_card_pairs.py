"""Which pairs of cards the odds of one negative are learnt from, and that nothing else of the network is touched.

Checked against the limits of an eye as they were found by looking (`matcher/lab/RESULTS.md`, 'Pairs by what an eye can
see'), and against what the odds are to be: a likelihood ratio, for which both answers are asked equally often.
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from matcher.core.align.alignment import Alignment
from matcher.core.ladder.change_detector import network_input
from matcher.core.ladder.movement import CELL, toned
from matcher.core.nets import weight_file
from matcher.lab.synthesis.hands import HANDS
from matcher.lab.synthesis.observer import BARELY, LIMIT
from matcher.lab.training.card_pairs import CardPairs, Cards, cards_of, counted
from matcher.lab.training.movement_sets import SIZE
from reference_demo.cast import PLATES
from tests.support.faces import picture

TWO = PLATES["A1"].path, PLATES["C1"].path
WELL_LAID = Alignment(np.eye(3), 50, 0.9, 0.1, 1.0, "orb")


def weight(relation: str, seen: float = np.nan, found: Alignment = WELL_LAID) -> float:
    pair: Any = SimpleNamespace(relation=relation, seen=seen)
    return counted(pair, found)


def test_exposures_that_no_eye_tells_apart_are_not_learnt_as_two() -> None:
    assert weight("moment", BARELY - 0.1) == 0
    assert 0 < weight("moment", LIMIT - 0.1) < weight("moment", LIMIT) == 1
    assert weight("same") == weight("crop") == 1


def test_prints_that_may_lie_wrongly_upon_each_other_count_less() -> None:
    badly = replace(WELL_LAID, inliers=3, correlation=0.2)
    assert weight("same", found=badly) < weight("same", found=replace(badly, correlation=0.8)) == 1


def test_cards_come_registered_and_with_their_truth() -> None:
    parts = cards_of(Cards(0, *TWO, 5))
    pairs = CardPairs.joined(parts)
    assert len(parts) > 6
    assert pairs.greys.shape == (len(parts), 2, *SIZE)
    assert pairs.shown.shape == (len(parts), *(side // CELL for side in SIZE))
    assert 0.3 < pairs.same.mean() < 0.8
    of_one = pairs.greys[pairs.same]
    assert np.median([alike(greys) for greys in of_one]) > 0.2 + np.median([alike(greys, 60) for greys in of_one])


def alike(greys: np.ndarray, aside: int = 0) -> float:
    """Correlation of a pair, the second so many pixels aside of where it was laid."""
    query, reference = greys[0], np.roll(greys[1], aside, axis=1)
    return float(np.corrcoef(query[::4, ::4].ravel(), reference[::4, ::4].ravel())[0, 1])


def pairs_of(same: list[bool], hand: str = "own") -> CardPairs:
    """So many pairs of noise."""
    rng, count = np.random.default_rng(5), len(same)
    greys = rng.integers(0, 255, (count, 2, *SIZE)).astype(np.uint8)
    shown = np.ones((count, *(side // CELL for side in SIZE)), bool)
    return CardPairs(greys, shown, np.array(same), np.ones(count, np.float32), np.array([hand] * count))


def test_a_judge_is_given_the_cards_of_its_hands_alone() -> None:
    pairs = CardPairs.joined([pairs_of([True, False]), pairs_of([True], "shapes"), pairs_of([False], "forces")])
    assert pairs.drawn_by(["own"]).same.tolist() == [True, False]
    assert pairs.drawn_by(["own", "forces"]).same.tolist() == [True, False, False]
    assert len(pairs.drawn_by(["own", "shapes", "forces"]).same) == len(pairs.same)


def test_cards_for_learning_are_drawn_by_every_hand() -> None:
    drawn = {str(one.hand[0]) for number in range(6) for one in cards_of(Cards(number, *TWO, 5))[:1]}
    assert drawn == set(HANDS)


def test_both_answers_are_asked_equally_often_and_only_the_judges_learn() -> None:
    torch = pytest.importorskip("torch", reason="training needs PyTorch: pip install '.[train]'")
    from matcher.lab.training.movement_network import PANELS, shipped
    from matcher.lab.training.odds_network import Lesson, learn_judges

    torch.manual_seed(2)
    network, before = (shipped(weight_file("movement.onnx")) for _ in range(2))
    pairs = CardPairs.joined([pairs_of([True] * 3), pairs_of([False])])
    lesson = Lesson.of(pairs, "cpu")
    asked = torch.multinomial(lesson.chance, 400, replacement=True)
    assert 0.38 < float(lesson.same[asked].mean()) < 0.62  # five deviations of a fair coin thrown 400 times
    steps = learn_judges(network, pairs, "cpu", minutes=0.01, rate=1e-3, batch=2)
    judges = [f"panels.{n}.{k}" for n, panel in enumerate(PANELS) for k in range(len(panel.judges))]
    assert len(steps) == len(judges)
    assert min(steps) > 0
    moved = {name for name, part in network.state_dict().items() if not torch.equal(part, before.state_dict()[name])}
    assert set(judges) == {".".join(name.split(".")[:3]) for name in moved}


def test_pairs_of_which_all_are_of_one_negative_teach_nothing() -> None:
    pytest.importorskip("torch", reason="training needs PyTorch: pip install '.[train]'")
    from matcher.lab.training.odds_network import Lesson

    for pairs in (pairs_of([True, True]), pairs_of([False]), pairs_of([])):
        with pytest.raises(ValueError, match="more --references"):
            Lesson.of(pairs, "cpu")


def test_the_more_doubtful_panel_is_outvoted_only_so_far() -> None:
    torch = pytest.importorskip("torch", reason="training needs PyTorch: pip install '.[train]'")
    from matcher.lab.training.movement_network import OUTVOTED, heard

    one, other = torch.tensor([[-4.7, 5.0], [3.0, 6.0]]), torch.tensor([[7.5, 2.0]])
    assert heard([one, other]).tolist() == pytest.approx([OUTVOTED - 4.7, 3.5])
    assert heard([one]).tolist() == pytest.approx([-4.7, 5.0])


def test_a_picture_is_prepared_on_the_device_as_the_product_prepares_it() -> None:
    torch = pytest.importorskip("torch", reason="training needs PyTorch: pip install '.[train]'")
    from matcher.lab.training.device_input_network import as_given

    pictures = [picture(seed, 272, 168) for seed in range(3)]
    faces, noise = as_given(torch.from_numpy(np.stack(pictures)).float())
    for grey, face, level in zip(pictures, faces.numpy(), noise.numpy(), strict=True):
        even, wanted = network_input(grey)
        assert np.abs(face[0] - even).max() < 0.01
        assert np.abs(face[1] - toned(grey)).max() < 1e-4
        assert level == pytest.approx(wanted, abs=0.01)
