"""Which way up, by the words on a card: letters on their heads are hardly read. Cards of invented words, drawn by
code."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from matcher.core.calibration import Calibration
from matcher.core.detect.card_quad import CardQuad
from matcher.core.identify import identify_card
from matcher.core.ocr import way_up
from matcher.core.ocr.way_up import as_words_stand
from matcher.core.photo import Photo
from matcher.core.settings import Settings
from matcher.lab.synthesis.lettering import Style
from tests.core.ocr.test_reading import needs_reader, photographed
from tests.core.test_identify import One, references  # noqa: F401 - a fixture


def on_its_head(outline: CardQuad, upright: float) -> CardQuad:
    return replace(outline, corners=np.roll(outline.corners, 2, axis=0), upright=upright)


@needs_reader
@pytest.mark.parametrize("style", ["below", "top"])
@pytest.mark.parametrize("contrast", [0.8, 0.4])
def test_a_card_in_doubt_is_turned_as_its_words_stand(style: Style, contrast: float) -> None:
    photo, outline = photographed(style, contrast)
    for given in (replace(outline, upright=0.6), on_its_head(outline, 0.9)):
        found = as_words_stand(photo, given)
        assert np.array_equal(found.corners, outline.corners)
        assert found.upright > 0.95


@needs_reader
def test_the_other_outline_of_the_card_is_turned_with_it() -> None:
    photo, outline = photographed("below", 0.8)
    given = on_its_head(replace(outline, runner_up=outline.corners + 1), 0.6)
    found = as_words_stand(photo, replace(given, runner_up=np.roll(outline.corners + 1, 2, axis=0)))
    assert found.runner_up is not None
    assert np.array_equal(found.runner_up, outline.corners + 1)


@needs_reader
def test_what_is_settled_by_sight_or_by_a_person_is_not_turned() -> None:
    photo, outline = photographed("below", 0.8)
    for given in (on_its_head(outline, 0.999), replace(on_its_head(outline, 0.5), by_hand=True)):
        assert as_words_stand(photo, given) is given


def test_without_words_or_without_a_reader_nothing_changes(monkeypatch: pytest.MonkeyPatch) -> None:
    photo, outline = photographed("below", 0.8)
    doubted = on_its_head(outline, 0.7)
    bare = as_words_stand(Photo.from_pixels(np.full_like(photo.pixels, 120)), doubted)
    assert np.array_equal(bare.corners, doubted.corners)
    assert bare.upright == pytest.approx(0.7)
    monkeypatch.setattr(way_up, "can_read", lambda settings: False)
    assert as_words_stand(photo, doubted) is doubted


@needs_reader
@pytest.mark.usefixtures("references")
def test_a_card_like_none_that_is_known_is_answered_as_its_words_stand(references: One) -> None:  # noqa: F811
    photo, outline = photographed("below", 0.8)
    card = identify_card(photo, on_its_head(outline, 0.8), references, Settings(), Calibration.load())
    assert np.array_equal(card.outline.corners, outline.corners)
    assert card.face.turned == 180
    assert card.outline.upright > 0.95


@needs_reader
@pytest.mark.usefixtures("references")
@pytest.mark.parametrize("upright", [0.8, 1.0])
def test_something_bare_is_a_card_where_it_bears_words(references: One, upright: float) -> None:  # noqa: F811
    photo, outline = photographed("below", 0.8)
    given = replace(outline, upright=upright, bare=True)
    card = identify_card(photo, given, references, Settings(), Calibration.load())
    assert (card.outline.odd, card.outline.bare) == (False, False)
    assert card.answer.outcome != "unreadable"
    plain = as_words_stand(Photo.from_pixels(np.full_like(photo.pixels, 120)), given)
    assert (plain.odd, plain.bare) == (True, True)


def test_without_a_reader_something_bare_is_taken_for_a_card(monkeypatch: pytest.MonkeyPatch) -> None:
    photo, outline = photographed("below", 0.8)
    monkeypatch.setattr(way_up, "can_read", lambda settings: False)
    assert not as_words_stand(photo, replace(outline, bare=True)).odd
