"""Words that cannot be compared are never new: torn, half hidden, in another script, mirrored, or not there at all.

One invented record with a caption and an issuer's mark is known; every photo shows a card of the same negative. What is
said of the words follows from what was drawn.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import matplotlib
import numpy as np
import pytest

from matcher.core.altered import mirrored
from matcher.core.answer import CardResult, answer_of
from matcher.core.calibration import Calibration
from matcher.core.describe import describe
from matcher.core.detect.card_quad import Detections
from matcher.core.flatten import Face
from matcher.core.identify import identify
from matcher.core.ocr.reading import can_read
from matcher.core.reference_set import KnownRecord, KnownReference
from matcher.core.search.reference_index import ReferenceIndex
from matcher.core.settings import Settings
from matcher.lab.synthesis.lettering import CENTURY
from matcher.lab.synthesis.line_drawing import draw_line, ink_on
from matcher.lab.synthesis.type_cases import Typeface
from matcher.lab.synthesis.wording import MarkForm, SetLine, width_mm
from tests.core.ladder.test_ladder import studio
from tests.core.test_identify import One, photo_and_outline
from tests.support.faces import SIZE, face_of

pytestmark = pytest.mark.skipif(not can_read(), reason="the extra 'reading' is not installed")

CALIBRATION = Calibration.load()
ANY_SCRIPT = str(Path(matplotlib.get_data_path()) / "fonts" / "ttf" / "DejaVuSerif.ttf")
"""DejaVu Serif comes with matplotlib, and has Cyrillic and Greek letters."""

NAME, CLUB, MARK = "Jonas Harlesk", "Ferry Hill Rowing Club", "Pelldale Tea Co."
PAPER_MM = 9.0
Lines = list[SetLine]


def line(
    words: str, y: float, body: float = 2.0, x: float = 18.2, form: MarkForm = "line", font: str = CENTURY
) -> SetLine:
    type_ = Typeface(font, "book")
    part = "mark" if form != "line" else "name"
    tone = 0.95 if form != "line" else 0.1
    return SetLine(words, part, type_, body, 0.02, x, y, width_mm(words, type_, body, 0.02), tone=tone, frame=form)  # type: ignore[arg-type]


CAPTION = [line(NAME, 57.6, 2.4), line(CLUB, 60.4, 1.7)]
BOXED = [line(MARK, 4.0, 1.3, 25.0, "box")]


def card(lines: Lines, seed: int, contrast: float = 0.9) -> Face:
    """A studio portrait with a strip of bare paper below, and these lines."""
    face = face_of(studio("A1"), contrast=contrast, noise=2, seed=seed)
    sheet = (face.grey / 255).astype(np.float32)
    sheet[-round(PAPER_MM * SIZE.px_per_mm) :] = 0.82
    for one in lines:
        sheet = ink_on(sheet, draw_line(one, sheet.shape, SIZE.px_per_mm))  # type: ignore[arg-type]
    return with_grey(face, np.asarray(np.rint(255 * sheet) + np.random.default_rng(seed).normal(0, 2, sheet.shape)))


def with_grey(face: Face, grey: np.ndarray) -> Face:
    grey = np.clip(grey, 0, 255).astype(np.uint8)
    return replace(face, grey=grey, pixels=np.repeat(grey[..., None], 3, axis=2))


def known_as(folder: Path, lines: Lines, caption: str, club: str, mark: str) -> One:
    shown = card(lines, seed=1)
    described = describe(shown)
    index = ReferenceIndex(folder, described.fingerprint)
    index.add(1, described)
    record = KnownReference(1, KnownRecord("V1", "Some One", "P1", "A", caption, club, "", mark), 0.8)
    return One(shown, index, reference=record)


@pytest.fixture
def references(tmp_path: Path) -> One:
    return known_as(tmp_path, CAPTION + BOXED, NAME, CLUB, MARK)


def told(face: Face, references: One) -> CardResult:
    photo, outline = photo_and_outline(face)
    found = identify(photo, references, Settings(), CALIBRATION, Detections((outline,)))
    return answer_of("a.jpg", found).cards[0]


def box(face: Face, mm: tuple[float, float, float, float], level: float) -> Face:
    left, top, right, bottom = (round(side * SIZE.px_per_mm) for side in mm)
    grey = face.grey.astype(np.float32)
    grey[top:bottom, left:right] = level
    return with_grey(face, grey)


def under_a_thumb(face: Face) -> Face:
    """Skin over the right half of the words."""
    grey = face.grey.astype(np.float32)
    cv2.ellipse(grey, (330, 640), (150, 90), 0, 0, 360, 140.0, -1, cv2.LINE_AA)
    return with_grey(face, grey)


def torn(face: Face) -> Face:
    """The lower edge is gone, and the dark table shows."""
    grey = face.grey.astype(np.float32)
    edge = np.array([[0, 560], [90, 548], [200, 572], [300, 556], [367, 566], [367, 639], [0, 639]], np.int32)
    cv2.fillPoly(grey, [edge], 45.0)
    return with_grey(face, grey)


NEVER_NEW = {
    "a torn foot": torn,
    "half of it under a thumb": under_a_thumb,
    "a sleeve's label over most of it": lambda face: box(face, (0.0, 54.8, 26.0, 62.5), 225.0),
    "the whole foot under tape": lambda face: box(face, (0.0, 53.5, 36.5, 63.5), 110.0),
}


@pytest.mark.parametrize("case", NEVER_NEW)
def test_known_words_that_are_hidden_are_never_new(references: One, case: str) -> None:
    answer = told(NEVER_NEW[case](card(CAPTION + BOXED, seed=2)), references)
    assert answer.pose == "P1", answer.reasons
    assert not answer.outcome.startswith("new"), answer.reasons


@pytest.mark.parametrize("level", [60.0, 140.0, 225.0])
def test_a_hidden_mark_is_not_compared(references: One, level: float) -> None:
    answer = told(box(card(CAPTION + BOXED, seed=2), (14.0, 0.0, 36.5, 6.5), level), references)
    assert answer.outcome in ("known", "undecided"), answer.reasons


def test_the_same_card_is_known_with_its_mark(references: One) -> None:
    answer = told(card(CAPTION + BOXED, seed=2), references)
    assert answer.outcome == "known", answer.reasons
    assert answer.confidence.mark is not None
    assert answer.confidence.mark > 0.75


def test_another_issuers_mark_is_new_and_its_words_are_told(references: One) -> None:
    answer = told(card([*CAPTION, line("Smoke Garinworth", 4.0, 1.3, 25.0, "box")], seed=2), references)
    assert answer.outcome == "new_mark", answer.reasons
    assert (answer.pose, answer.crop, answer.caption) == ("P1", "A", NAME)
    assert "Smoke Garinworth" in [one.words for one in answer.lines if one.part == "mark"]


def test_another_club_is_new_and_the_line_is_told(references: One) -> None:
    answer = told(card([CAPTION[0], line("Gull Rock Wheelers", 60.4, 1.7), *BOXED], seed=2), references)
    assert answer.outcome == "new_caption", answer.reasons
    assert f"club line: 'Gull Rock Wheelers', not {CLUB!r}" in answer.reasons


@pytest.mark.parametrize(("name", "club"), [("Пётр Волков", "Клуб Заря"), ("Νίκος Δέλτας", "Όμιλος Αύρα")])
def test_another_script_is_compared_by_its_ink(tmp_path: Path, name: str, club: str) -> None:
    lines = [line(name, 57.6, 2.4, font=ANY_SCRIPT), line(club, 60.4, 1.7, font=ANY_SCRIPT)]
    answer = told(card(lines, seed=2), known_as(tmp_path, lines, name, club, ""))
    assert not answer.outcome.startswith("new"), answer.reasons


def test_without_any_caption_on_either_card_nothing_is_new(tmp_path: Path) -> None:
    answer = told(card([], seed=2), known_as(tmp_path, [], "", "", ""))
    assert not answer.outcome.startswith("new"), answer.reasons


def test_no_caption_at_all_is_never_the_known_one(references: One) -> None:
    answer = told(card(BOXED, seed=2), references)
    assert answer.outcome in ("new_caption", "undecided"), answer.reasons


def test_two_captions_are_told_as_they_were_read(references: One) -> None:
    second = line("Amos Pellwick", 8.0, 2.2, 10.0)
    answer = told(card([second, *CAPTION, *BOXED], seed=2), references)
    assert answer.outcome in ("known", "undecided", "new_caption"), answer.reasons
    if answer.outcome == "new_caption":
        assert NAME in {one.words for one in answer.lines}


def test_mirror_writing_is_told_as_such(references: One) -> None:
    answer = told(mirrored(card(CAPTION + BOXED, seed=2)), references)
    assert answer.outcome == "undecided"
    assert "left to right" in answer.reasons[0]
