"""A trimmed card shows the same crop with less of it: told with the sides and how much; a zoom is another crop.

Windows are known to the last tenth of a millimetre, since the cards are drawn, cut and trimmed in code.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from matcher.core.align.alignment import Alignment
from matcher.core.calibration import Calibration
from matcher.core.ladder.caption_zone import bears_words
from matcher.core.ladder.crop import CropFinding, Window, crop_probability, measure_crop, trim_words
from matcher.core.ladder.picture_settings import CropSettings
from matcher.lab.evaluation.windows import window_error
from matcher.lab.synthesis.negatives import negative_of
from matcher.lab.training.window_pairs import WindowPair, drawn_pairs
from matcher.lab.training.window_report import window_sentences
from tests.core.ladder.test_ladder import studio, trimmed
from tests.support.faces import SIZE, face_of

NEGATIVES = Path(__file__).parents[3] / "reference_demo" / "negatives"
CALIBRATION = Calibration.load()
WHOLE = (0.0, 0.0, 0.0, 0.0)


def measured(transform: np.ndarray) -> Window:
    return measure_crop(Alignment(transform, 50, 0.9, 0.1, 1.0, "orb"), SIZE)


@pytest.mark.parametrize("sides", [(1.4, 0, 0, 0), (0, 1.2, 0, 1.9), (1.0, 0, 2.0, 0), (1.1, 1.2, 1.3, 1.4)])
def test_what_was_trimmed_is_told_of_the_right_card_at_the_right_sides(sides: tuple[float, ...]) -> None:
    query, reference = measured(trimmed(*sides)).trimmed_mm(CropSettings())
    assert query == pytest.approx(sides, abs=0.06)
    assert reference == WHOLE
    query, reference = measured(np.linalg.inv(trimmed(*sides))).trimmed_mm(CropSettings())
    assert query == WHOLE
    # Seen from a card that is trimmed, a millimetre of the other one is stretched with it.
    assert reference == pytest.approx(sides, rel=0.12, abs=0.06)


def test_words_say_which_card_was_trimmed_where_and_by_how_much() -> None:
    window = Window(0.7, 0.0, 1.02, 0.3, (-1.4, 0.0, 0.0, 0.0))
    found = CropFinding(0.97, window, window.trimmed_mm(CropSettings()))
    assert found.words.startswith("same crop, this card trimmed about 1.4 mm at the left: what is left lies")
    assert "another crop" in replace(found, probability=0.1, trims=(WHOLE, WHOLE)).words
    both = ((0.0, 1.0, 0.0, 0.0), (1.2, 0.0, 1.3, 1.4))
    assert trim_words(both) == (
        "this card trimmed about 1.0 mm at the top, "
        "the reference trimmed about 1.2 mm at the left, 1.3 mm at the right and 1.4 mm at the bottom"
    )
    assert trim_words((WHOLE, WHOLE)) == ""


@pytest.mark.parametrize("name", ["C1", "F1", "G1"])
def test_words_on_a_card_are_seen_at_its_foot_and_at_its_head(name: str) -> None:
    bare, captioned = face_of(studio(name), noise=2), face_of(studio(name), noise=2, caption="HARLTON")
    assert not bears_words(bare)
    assert bears_words(captioned)
    assert bears_words(captioned.half_turn())


@pytest.fixture(scope="module")
def pairs() -> list[WindowPair]:
    """Cards of the demo's negatives, on which nothing is fitted."""
    chosen = [path for path in sorted(NEGATIVES.glob("*.jpg")) if path.stem in ("A1", "C1", "F1", "H1")]
    return [pair for n, path in enumerate(chosen) for pair in drawn_pairs(negative_of(path), np.random.default_rng(n))]


def given(pairs: list[WindowPair]) -> np.ndarray:
    return np.array(
        [crop_probability(one.measured, one.features, CALIBRATION, CropSettings()) for one in pairs if one.measured]
    )


def test_trimmed_cards_show_the_same_crop_and_others_do_not(pairs: list[WindowPair]) -> None:
    trims = given([one for one in pairs if one.kind == "trimmed"])
    others = given([one for one in pairs if not one.same])
    assert (trims > 0.5).mean() >= 0.85
    assert (others < 0.5).mean() >= 0.9
    assert given([one for one in pairs if one.kind == "same"]).min() > 0.5


def test_windows_of_trimmed_cards_are_measured_as_they_were_cut(pairs: list[WindowPair]) -> None:
    errors = np.array([window_error(one.measured, one.true) for one in pairs if one.measured])
    # Corners are given with a scatter of 0.2 mm each.
    assert np.percentile(errors[:, 0], 90) < 0.6
    assert np.percentile(errors[:, 1], 90) < 0.015


def test_windows_between_outlines_as_they_are_found_are_nearer_than_between_scattered_ones() -> None:
    """Of one negative: photos and scans, trimmed and not, each outlined by the product itself."""
    found = drawn_pairs(negative_of(NEGATIVES / "C1.jpg"), np.random.default_rng(1), searched=True)
    errors = np.array([window_error(one.measured, one.true) for one in found if one.measured])
    assert len(errors) == 8
    assert np.median(errors[:, 0]) < 0.12
    assert np.percentile(errors[:, 1], 90) < 0.006


def test_the_report_tells_every_kind(pairs: list[WindowPair]) -> None:
    told = list(window_sentences(pairs, CALIBRATION))
    for kind in {one.kind for one in pairs}:
        assert any(line.startswith(kind) for line in told)
    assert any("sides cut by 1 to 2 mm" in line for line in told)
