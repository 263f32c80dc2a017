"""One card through the whole line, against references that no catalogue holds."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from matcher.core.align.view import View
from matcher.core.altered import inverted, mirrored
from matcher.core.calibration import Calibration
from matcher.core.card_similarity import compare_cards
from matcher.core.condition import condition
from matcher.core.describe import Description, describe
from matcher.core.detect.card_quad import CardQuad, Detections
from matcher.core.flatten import Face, flatten
from matcher.core.identify import identify, identify_card
from matcher.core.ocr.reading import can_read
from matcher.core.photo import Photo
from matcher.core.reference_set import KnownRecord, KnownReference, Reading, Written
from matcher.core.search.reference_index import Hit, ReferenceIndex
from matcher.core.settings import FaceSize, Settings
from tests.core.ladder.test_ladder import studio
from tests.support.faces import SIZE, face_of, picture

CALIBRATION = Calibration.load()
KNOWN = KnownReference(1, KnownRecord("V1", "Some One", "P1", "A", "J. Kelwick"), 0.8)


@dataclass
class One:
    """A reference set of one card, searched by the index as a catalogue is."""

    shown: Face
    index: ReferenceIndex
    searched: list[Description] = field(default_factory=list)
    reference: KnownReference = KNOWN

    @property
    def sizes(self) -> tuple[FaceSize, ...]:
        return (FaceSize(),)

    def search(self, description: Description) -> tuple[Hit, ...]:
        self.searched.append(description)
        return self.index.search(description)

    def known(self, reference_id: int) -> KnownReference | None:
        return self.reference

    def of_pose(self, pose: str) -> tuple[KnownReference, ...]:
        return (self.reference,)

    def face(self, reference_id: int) -> Face:
        return self.shown

    def read(self, reference_id: int, reading: Reading[Written]) -> Written:
        return reading.read(self.shown)

    def description(self, reference_id: int) -> Description:
        return describe(self.shown)


@pytest.fixture
def references(tmp_path) -> One:  # type: ignore[no-untyped-def]
    shown = face_of(picture(81), noise=2, caption="J. Kelwick", seed=1)
    described = describe(shown)
    index = ReferenceIndex(tmp_path, described.fingerprint)
    index.add(1, described)
    return One(shown, index)


def photo_and_outline(face: Face, upright: float = 0.5, back: float | None = None) -> tuple[Photo, CardQuad]:
    """The face lying upright on a grey lid, twice as large; its outline read the right way up."""
    pixels = np.full((2 * SIZE.height + 200, 2 * SIZE.width + 200, 3), 90, np.uint8)
    larger = cv2.resize(face.pixels, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
    pixels[100:-100, 100:-100] = larger
    right, bottom = 100 + larger.shape[1], 100 + larger.shape[0]
    corners = np.array([[100, 100], [right, 100], [right, bottom], [100, bottom]], np.float32)
    return Photo.from_pixels(pixels), CardQuad(corners, 1.0, upright=upright, back=back)


def test_a_card_is_turned_over_before_anything_is_measured_on_it(references: One) -> None:
    fresh = face_of(picture(81), contrast=0.7, noise=2, caption="J. Kelwick", seed=2)
    photo, right = photo_and_outline(fresh, upright=0.7, back=0.1)
    wrong = CardQuad(np.roll(right.corners, 2, axis=0), 1.0, upright=0.3, back=0.1)
    settings = Settings()
    upright, turned = (identify_card(photo, outline, references, settings, CALIBRATION) for outline in (right, wrong))
    assert (upright.face.turned, turned.face.turned) == (0, 180)
    assert turned.outline.corners == pytest.approx(right.corners)
    assert turned.outline.upright == pytest.approx(0.7)
    assert turned.condition == condition(turned.face, photo, turned.outline)
    assert turned.condition.upright == pytest.approx(upright.condition.upright)
    assert turned.condition.residual_contrast == pytest.approx(upright.condition.residual_contrast, abs=0.01)
    assert turned.answer.outcome == upright.answer.outcome
    assert turned.answer.established == upright.answer.established
    assert upright.answer.established["record_id"] == "V1"


def test_cards_that_lie_over_each_other_are_told_with_what_to_do(references: One) -> None:
    photo, outline = photo_and_outline(face_of(picture(83), noise=2, seed=3))
    card = identify_card(photo, replace(outline, odd=True, heap=True), references, Settings(), CALIBRATION)
    assert "lay them side by side" in card.answer.reasons[0]


@pytest.mark.skipif(not can_read(), reason="the extra 'reading' is not installed")
@pytest.mark.parametrize("back", [0.0, 0.99])
@pytest.mark.parametrize(("seed", "is_card"), [(81, True), (82, False)])
def test_something_bare_is_a_card_where_a_known_picture_is_found_on_it(
    references: One, seed: int, is_card: bool, back: float
) -> None:
    photo, outline = photo_and_outline(face_of(picture(seed), noise=2, seed=2), back=back)
    given = replace(outline, sizes=(Settings().face,), bare=True)
    card = identify_card(photo, given, references, Settings(), CALIBRATION)
    assert card.outline.odd == (not is_card)
    told = card.answer.reasons[0]
    assert ("draw its four corners" in told) == (not is_card and not back)
    assert ("a card's back" in told) == (not is_card and back > 0)


@pytest.mark.parametrize(("seed", "words", "told"), [(81, "J. Kelwick", ["known"]), (82, "", [])])
def test_an_outline_that_is_likelier_no_cards_is_one_where_it_holds_a_known_picture(
    references: One, seed: int, words: str, told: list[str]
) -> None:
    photo, outline = photo_and_outline(face_of(picture(seed), noise=2, caption=words, seed=2))
    unsure = Detections((), "no card found", (replace(outline, score=0.3),))
    found = identify(photo, references, Settings(), CALIBRATION, unsure)
    assert [card.answer.outcome for card in found.cards] == told
    assert found.reason == ("" if told else "no card found")


def test_an_unsure_outline_around_a_part_of_a_known_picture_makes_no_new_crop(references: One) -> None:
    photo, outline = photo_and_outline(face_of(picture(81), noise=2, caption="J. Kelwick", seed=2))
    middle = outline.corners.mean(axis=0)
    part = replace(outline, corners=np.float32(middle + 0.8 * (outline.corners - middle)), score=0.3)
    (card,) = identify(photo, references, Settings(), CALIBRATION, Detections((), "no card", (part,))).cards
    assert card.answer.outcome == "undecided"
    assert "four corners" in card.answer.reasons[-1]
    (sure,) = identify(photo, references, Settings(), CALIBRATION, Detections((part,))).cards
    assert sure.answer.outcome == "new_crop"


@pytest.mark.parametrize(
    ("contrast", "words"),
    [(0.01, "hardly any picture"), (-1.0, "glare")],
)
def test_a_face_with_nothing_to_match_is_told_without_a_search(references: One, contrast: float, words: str) -> None:
    face = face_of(picture(81), contrast=max(contrast, 0.0), noise=1)
    if contrast < 0:
        face = Face.from_pixels(np.full_like(face.pixels, 255))
    photo, outline = photo_and_outline(face)
    found = identify_card(photo, outline, references, Settings(), CALIBRATION)
    assert found.answer.outcome == "unreadable"
    assert words in found.answer.reasons[0]
    assert not references.searched
    assert found.outline == outline
    assert found.condition == condition(flatten(photo, outline), photo, outline)


@pytest.mark.parametrize(("seed", "caption", "outcome"), [(81, "J. Kelwick", "known"), (82, "", "unreadable")])
def test_what_looks_like_a_back_is_none_where_it_resembles_an_enrolled_front(
    references: One, seed: int, caption: str, outcome: str
) -> None:
    face = face_of(picture(seed), contrast=0.8, noise=1, caption=caption)
    photo, outline = photo_and_outline(face, back=0.95)
    found = identify_card(photo, outline, references, Settings(), CALIBRATION)
    assert found.answer.outcome == outcome
    assert ("card's back" in found.answer.reasons[0]) == (outcome == "unreadable")


@pytest.fixture
def sitting(tmp_path: Path) -> One:
    """A reference set of one studio portrait."""
    shown = face_of(studio("A1"), noise=2, seed=1)
    described = describe(shown)
    index = ReferenceIndex(tmp_path, described.fingerprint)
    index.add(1, described)
    return One(shown, index)


def upside_down(change: Callable[[Face], Face]) -> Callable[[Face], Face]:
    return lambda face: change(face).half_turn()


ALTERED = [
    (mirrored, "left to right"),
    (upside_down(mirrored), "left to right"),
    (inverted, "light and dark exchanged"),
    (upside_down(inverted), "light and dark exchanged"),
]


@pytest.mark.parametrize(("change", "told"), ALTERED)
def test_a_known_picture_turned_over_or_shown_as_a_negative_is_no_other_exposure(
    sitting: One, change: Callable[[Face], Face], told: str
) -> None:
    fresh = face_of(studio("A1"), contrast=0.8, noise=2, seed=2)
    answer = identify_card(*photo_and_outline(change(fresh)), sitting, Settings(), CALIBRATION).answer
    assert answer.outcome == "undecided"
    assert "pose P1" in answer.reasons[0]
    assert told in answer.reasons[0]
    assert answer.confidence.pose is None  # as it lies it was compared with nothing, and resembles others by chance
    assert answer.candidates == ()
    assert len(answer.reasons) == 1


def test_a_picture_of_another_sitter_is_not_said_to_be_altered(sitting: One) -> None:
    stranger = face_of(studio("H1"), contrast=0.8, noise=2, seed=2)
    answer = identify_card(*photo_and_outline(stranger), sitting, Settings(), CALIBRATION).answer
    assert answer.outcome == "new_pose"
    assert "look at the card itself" not in " ".join(answer.reasons)


@pytest.mark.parametrize(
    ("height", "outcome", "said"),
    [(110, "unreadable", "too small"), (200, "undecided", "too small to compare its words")],
)
def test_a_picture_too_small_for_the_pose_or_for_its_words_says_so(
    references: One, height: int, outcome: str, said: str
) -> None:
    fresh = face_of(picture(81), contrast=0.9, noise=1, caption="J. Kelwick", seed=2)
    photo, outline = photo_and_outline(fresh)
    scale = height / (2 * SIZE.height)
    small = cv2.resize(photo.pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    shrunk = replace(outline, corners=(outline.corners * scale).astype(np.float32))
    answer = identify_card(Photo.from_pixels(small), shrunk, references, Settings(), CALIBRATION).answer
    assert answer.outcome == outcome
    assert said in " ".join(answer.reasons)
    assert "record_id" not in answer.established
    if outcome == "undecided":
        assert answer.established["pose"] == "P1"
        assert answer.confidence.caption is None


def test_of_two_cards_one_on_its_head_is_told_and_nothing_is_compared() -> None:
    one, other = (face_of(picture(81), noise=2, caption="J. Kelwick", seed=seed) for seed in (1, 2))
    turned = compare_cards(View(one), View(other.half_turn()), Settings(), CALIBRATION)
    assert (turned.upside_down, turned.pose) == (True, None)
    upright = compare_cards(View(one), View(other), Settings(), CALIBRATION)
    assert not upright.upside_down
    assert (upright.pose or 0.0) > 0.75
