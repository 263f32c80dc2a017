"""Words of a record that no search found on its reference, read where they stand; truth comes from the drawing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from matcher.core.flatten import Face
from matcher.core.ocr.kept_lines import LineReading
from matcher.core.ocr.line_evidence import UNSEEN, compare_words
from matcher.core.ocr.line_pairs import WrittenLine, written_on
from matcher.core.ocr.reading import can_read
from matcher.core.ocr.rows import RowReading, in_rows, lacking, with_rows
from matcher.core.ocr.settings import OcrSettings
from tests.core.ocr.test_line_pairs import CLUB, NAME, at_the_foot, at_the_head, card, known, sight

pytestmark = pytest.mark.skipif(not can_read(), reason="the extra 'reading' is not installed")

SETTINGS = OcrSettings()
WORDS = ["jonasharlesk", "ferryhillwheelers"]


@pytest.mark.parametrize(("draw", "tops"), [(at_the_foot, (56.0, 59.4)), (at_the_head, (1.4, 4.6))])
def test_rows_bear_words_that_were_not_found(draw: object, tops: tuple[float, float]) -> None:
    face = card(draw(NAME, CLUB), seed=1)  # type: ignore[operator]
    rows = RowReading(SETTINGS).read(face)
    found = in_rows(rows, face, WORDS, SETTINGS)
    assert [one.look.words for one in found] == [NAME, CLUB]
    usual = {one.look.words: one.line.box_mm for one in written_on(face)}
    for one, top in zip(found, tops, strict=True):
        left, above, right, below = one.line.box_mm
        assert above <= top + 1.0
        assert below >= top + 1.0
        assert left == pytest.approx(usual[one.look.words][0], abs=1.2)
        assert right == pytest.approx(usual[one.look.words][2], abs=1.2)


def test_what_is_not_written_there_is_found_in_no_row() -> None:
    bare, worded = card([], seed=2), card(at_the_foot(NAME, CLUB), seed=2)
    assert in_rows(RowReading(SETTINGS).read(bare), bare, WORDS, SETTINGS) == []
    others = ["edwinmarlowe", "gullrockrowers"]
    assert in_rows(RowReading(SETTINGS).read(worded), worded, others, SETTINGS) == []


def test_only_words_that_no_line_bears_are_lacking() -> None:
    record = known().record
    lines = written_on(card(at_the_foot(NAME, CLUB), seed=3))
    assert lacking(lines, record, SETTINGS) == []
    assert lacking((), record, SETTINGS) == WORDS
    assert lacking([one for one in lines if one.look.words != NAME], record, SETTINGS) == WORDS[:1]
    assert lacking((), replace(record, caption="", club=""), SETTINGS) == []


def test_a_piece_of_a_row_is_no_line_beside_it() -> None:
    """A scrap of the club's line was taken for the name, since it stood beside the club."""
    whole, *_ = written_on(card(at_the_foot(NAME, CLUB), seed=4))
    left, top, right, bottom = whole.line.box_mm
    scrap = replace(whole, line=replace(whole.line, box_mm=(left + 4, top + 0.3, left + 9, bottom)))
    apart = replace(whole, line=replace(whole.line, box_mm=(left, top - 6, right, bottom - 6)))
    assert with_rows([scrap, apart], [whole]) == (apart, whole)


def test_rows_are_kept_apart_from_lines_and_come_back_as_they_were() -> None:
    reading = RowReading(SETTINGS)
    assert reading.key.startswith(LineReading(SETTINGS).key) != (reading.key == LineReading(SETTINGS).key)
    finer = replace(SETTINGS, rows=replace(SETTINGS.rows, step=0.2))
    assert RowReading(finer).key != reading.key
    rows = reading.read(card(at_the_foot(NAME, CLUB), seed=5))
    again = reading.decode(reading.encode(rows))
    assert [one.line for one in again] == [one.line for one in rows]
    for now, before in zip(again, rows, strict=True):
        assert np.array_equal(now.look.frames.probabilities, before.look.frames.probabilities)


def test_a_name_that_the_known_card_does_not_show_is_left_to_the_eye() -> None:
    """Its club alone was compared, and all words were called the same beyond doubt."""

    def without_name(face: Face) -> tuple[WrittenLine, ...]:
        return tuple(one for one in written_on(face) if one.look.words != NAME)

    query, reference = (card(at_the_foot(NAME, CLUB), seed=seed) for seed in (6, 7))
    one = known()
    found = compare_words(sight(query, reference), without_name(reference), one)
    assert found is not None
    assert found.unseen == (NAME,)
    assert 0.5 < found.probability <= UNSEEN
    assert f"{NAME!r} could not be made out on the known card" in found.words
    whole = compare_words(sight(query, reference), written_on(reference), one)
    assert whole is not None
    assert (whole.unseen, whole.probability > UNSEEN) == ((), True)
