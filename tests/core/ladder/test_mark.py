"""The issuer's mark as a rung: the same in words, form and place, or another; and what cannot be compared.

Truth comes from the drawing: lines of type laid on one invented picture, where they are said to stand.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from matcher.core.calibration import Calibration
from matcher.core.card_lines import BoxMm, CardLine, wider
from matcher.core.flatten import Face
from matcher.core.ladder.candidate import Candidate
from matcher.core.ladder.caption_strips import ink_of
from matcher.core.ladder.decision import decide, marks_asked
from matcher.core.ladder.mark import MarkFinding, MarkLines, glanced_mark, judge_mark, mark_words
from matcher.core.ladder.picture_round import expected_ink, missing_ink
from matcher.core.ladder.words_settings import MarkSettings
from matcher.core.ocr.mark_match import match_marks
from matcher.core.settings import Thresholds
from matcher.lab.synthesis.lettering import CENTURY, ROMAN
from matcher.lab.synthesis.line_drawing import draw_line, ink_on
from matcher.lab.synthesis.type_cases import Typeface
from matcher.lab.synthesis.wording import MarkForm, SetLine, width_mm
from tests.core.ladder.test_ladder import candidate
from tests.support.faces import face_of, picture

NEGATIVE = picture(61)
TYPES = {name: Typeface(path, "book") for name, path in (("century", CENTURY), ("roman", ROMAN))}
WORDS, OTHER = "Pelldale Tea Co.", "Smoke Garinworth"
FOOT, HEAD = (18.0, 60.0), (14.0, 4.0)


def marked(
    words: str = WORDS,
    form: MarkForm = "box",
    at: tuple[float, float] = FOOT,
    seed: int = 1,
    noise: float = 4.0,
    times: float = 1.0,
) -> Face:
    """A face with one mark, its middle at `at` mm, some times as large; words "" for none."""
    face = face_of(NEGATIVE, noise=noise, seed=seed)
    if not words:
        return face
    inked = draw_line(line_of(words, form, at, times), face.grey.shape, face.size.px_per_mm)  # type: ignore[arg-type]
    drawn = np.rint(255 * ink_on((face.grey / 255).astype(np.float32), inked)).astype(np.uint8)
    return replace(face, grey=drawn, pixels=np.repeat(drawn[..., None], 3, axis=2))


def line_of(words: str, form: MarkForm, at: tuple[float, float], times: float = 1.0) -> SetLine:
    type_, body = TYPES["century"], 1.3 * times
    wide = width_mm(words, type_, body, 0.05)
    return SetLine(words, "mark", type_, body, 0.05, *at, wide, tone=0.95, strength=0.95, frame=form)


def seen(words: str = WORDS, at: tuple[float, float] = FOOT) -> CardLine:
    """The line as a reader would give it."""
    line = line_of(words, "line", at)
    box: BoxMm = (at[0] - line.width / 2, at[1] - 1.1, at[0] + line.width / 2, at[1] + 0.3)
    return CardLine(words, 0.97, box)


def found(query: Face, *lines: CardLine, known: CardLine | None = None, reference: Face | None = None) -> MarkFinding:
    told = match_marks(lines, [known or seen()], WORDS, ("J. Harlesk", "Banow Rowing Club"))
    return judge_mark(query, reference or marked(), np.eye(3), told)


def test_the_same_mark_is_the_same_on_another_copy() -> None:
    finding = found(marked(seed=2), seen())
    assert finding.probability is not None
    assert finding.probability > 0.9
    assert finding.words == f"the same mark, {WORDS!r}"


def test_a_long_mark_whose_ends_lie_a_little_off_is_the_same() -> None:
    """Paper that is 3 % longer there takes the ends of 27 mm 4 px off their place, more than a letter's strokes."""
    words = "Pelldale Biscuit Works, Port Tavis Quay"
    plain, longer = marked(words, "line"), marked(words, "line", seed=2, times=1.03)
    told = match_marks([seen(words)], [seen(words)], words, ())
    finding = judge_mark(longer, plain, np.eye(3), told)
    assert finding.probability is not None
    assert finding.probability > 0.75


DIFFERENT = {
    "other words": (marked(OTHER, seed=2), [seen(OTHER)], f"mark: {OTHER!r}, not {WORDS!r}"),
    "no frame": (marked(form="line", seed=2), [seen()], "in another form or place"),
    "an oval": (marked(form="oval", seed=2), [seen()], "in another form or place"),
    "a ribbon": (marked(form="ribbon", seed=2), [seen()], "in another form or place"),
    "another place": (marked(at=HEAD, seed=2), [seen(at=HEAD)], "in another form or place"),
    "gone": (marked("", seed=2), [], "does not stand where it stands"),
}


@pytest.mark.parametrize("case", DIFFERENT)
def test_another_mark_is_told_by_words_form_and_place(case: str) -> None:
    query, lines, words = DIFFERENT[case]
    finding = found(query, *lines)
    assert finding.probability is not None
    assert finding.probability < 0.25
    assert words in finding.words


def test_what_is_hidden_or_was_not_read_is_not_compared() -> None:
    query = marked(OTHER, seed=2)
    trusted = query.trusted.copy()
    trusted[-60:] = False
    assert found(replace(query, trusted=trusted), seen(OTHER)).probability is None
    unread = match_marks([], [], WORDS, ("J. Harlesk",))
    assert judge_mark(marked(seed=2), marked(), np.eye(3), unread).probability is None
    assert "could not be compared" in judge_mark(marked(seed=2), marked(), np.eye(3), unread).words


def test_a_mark_that_is_read_elsewhere_stands_there_whatever_hides_its_known_place() -> None:
    """It was 'not read, hidden or too faint' though its words had been read on both cards, in two places."""
    query = marked(at=HEAD, seed=2)
    trusted = query.trusted.copy()
    trusted[540:] = False
    hidden, elsewhere = replace(query, trusted=trusted), seen(at=HEAD)
    finding = found(hidden, elsewhere)
    assert finding.probability is not None
    assert finding.probability < 0.25
    assert "in another form or place" in finding.words
    assert found(hidden, replace(elsewhere, certainty=0.7)).probability is None  # it may say something else
    assert found(hidden, seen(at=(18.0, 59.6))).probability is None  # where it was
    both = match_marks([elsewhere], [seen(), seen(at=(18.0, 30.0))], WORDS, ())
    assert both.twice  # the card may have both as well, one of them hidden
    assert judge_mark(hidden, marked(), np.eye(3), both).probability is None


def faded(face: Face, contrast: float, seed: int, noise: float = 4.0) -> Face:
    """The same card with so much of its contrast left, in a photo of its own grain."""
    grain = np.random.default_rng(seed).normal(0, noise, face.grey.shape)
    return with_grey(face, 200 + (face.grey.astype(np.float32) - 200) * contrast + grain)


def test_where_the_same_mark_would_hardly_show_another_ink_is_no_other_mark() -> None:
    """Nothing is read on a card that has a twentieth of its contrast left: no new mark, whether it bears one or not."""
    for query in (faded(marked(seed=2, noise=0), 0.05, 3), faded(marked("", seed=2, noise=0), 0.05, 3)):
        finding = found(query)
        assert finding.probability is None
        assert "too faint" in finding.words
    gone = found(faded(marked("", seed=2, noise=0), 0.6, 3))
    assert gone.probability is not None
    assert gone.probability < 0.25


@pytest.mark.parametrize(("words", "form"), [(OTHER, "box"), (WORDS, "oval")])
def test_what_was_surely_read_is_not_too_faint(words: str, form: MarkForm) -> None:
    """Other words in its place, or its own in another form, where one mark's inks would hardly agree."""
    query, line = faded(marked(words, form, seed=2, noise=0), 0.05, 3), seen(words)
    read = found(query, line)
    assert read.probability is not None
    assert read.probability < 0.25
    assert found(query, replace(line, certainty=0.8)).probability is None  # half of it may be guessed


def test_the_ink_to_be_expected_falls_with_the_contrast() -> None:
    """A signal of s in noise of n correlates by s / sqrt(s^2 + n^2) with itself free of noise."""
    reference, box = marked(noise=0), seen().box_mm
    ruler = (np.ones(reference.grey.shape, bool), box, reference.size.px_per_mm, MarkSettings())
    told = [
        expected_ink(faded(reference, contrast, 5, 4.0).grey, reference.grey, *ruler)
        for contrast in (1.0, 0.3, 0.1, 0.03)
    ]
    assert told == sorted(told, reverse=True)
    assert told[0] > 0.97
    assert told[-1] < 0.6
    x0, y0, x1, y1 = (round(side * reference.size.px_per_mm) for side in box)
    ink = ink_of(reference.grey)[y0:y1, x0:x1].std()
    grain = ink_of(faded(with_grey(reference, np.full(reference.grey.shape, 128.0)), 1.0, 5, 4.0).grey).std()
    for contrast, one in zip((0.3, 0.1), told[1:3], strict=True):
        signal = contrast * float(ink)
        assert one == pytest.approx(signal / np.hypot(signal, grain), abs=0.06)


@pytest.mark.parametrize("place", [(12.0, 64.5, 24.0, 66.0), (12.0, -3.0, 24.0, -0.5), (40.0, 20.0, 50.0, 22.0)])
def test_nothing_is_expected_beyond_the_card_s_edge(place: BoxMm) -> None:
    face = marked()
    shown = np.ones(face.grey.shape, bool)
    assert expected_ink(face.grey, face.grey, shown, place, face.size.px_per_mm, MarkSettings()) == 0.0


def test_a_known_card_s_own_grain_is_no_mark() -> None:
    """A strong picture above bare paper, which is smooth on one card and grainy on the other; no mark on either."""
    rng = np.random.default_rng(4)
    own = face_of(NEGATIVE, noise=0.0, seed=1).grey.astype(np.float32)
    own[-90:] = 210.0
    other = own + rng.normal(0, 1, own.shape)
    other[-90:] += rng.normal(0, 8, other[-90:].shape)
    size = marked().size
    greys = [np.clip(one + rng.normal(0, 1, own.shape), 0, 255).astype(np.uint8) for one in (own, other)]
    shown, box = np.ones(own.shape, bool), (12.0, 57.5, 26.0, 60.0)
    assert expected_ink(greys[0], greys[1], shown, box, size.px_per_mm, MarkSettings()) < MarkSettings().least_expected


def test_a_mark_that_the_known_card_is_too_faint_to_show_is_not_another() -> None:
    reference = faded(marked(seed=1, noise=0), 0.03, 7)
    told = match_marks([seen()], [], WORDS, ("J. Harlesk", "Banow Rowing Club"))
    assert judge_mark(marked(seed=2), reference, np.eye(3), told).probability is None


def test_a_bold_mark_is_gone_beside_whatever_ink_the_picture_has_there() -> None:
    """An oval had been gone from a clear photo, and its place was 'too faint', since hair and beard were round it."""
    busy = face_of(NEGATIVE, noise=2.0, seed=1)
    hair = 35.0 * np.sin(np.arange(busy.size.width) / 1.3)  # round the mark, and not beneath it
    combed = busy.grey.astype(np.float32)
    combed[:28] += hair
    combed[52:80] += hair
    strong = with_grey(busy, combed)
    inked = draw_line(line_of(WORDS, "oval", HEAD), strong.grey.shape, strong.size.px_per_mm)
    reference = with_grey(strong, 255 * ink_on((strong.grey / 255).astype(np.float32), inked))
    shown, box, rules = np.ones(busy.grey.shape, np.bool_), seen(at=HEAD).box_mm, MarkSettings()
    lost = strong.grey.copy()
    lost[:80] = cv2.GaussianBlur(strong.grey[:80], (0, 0), 2.0)
    gone = faded(with_grey(busy, lost), 0.8, 5, 1.0).grey, reference.grey, shown, box, busy.size.px_per_mm, rules
    assert expected_ink(*gone) < rules.least_expected
    assert missing_ink(*gone) > rules.surely_missing
    there = (faded(reference, 0.8, 6, 1.0).grey, *gone[1:])
    assert missing_ink(*there) < 0.5 * rules.surely_missing
    hidden = shown.copy()
    hidden[30:36] = False
    assert missing_ink(*gone[:2], hidden, *gone[3:]) == 0.0  # nothing is missing that is not shown


def with_grey(face: Face, grey: np.ndarray) -> Face:
    drawn = np.clip(np.rint(grey), 0, 255).astype(np.uint8)
    return replace(face, grey=drawn, pixels=np.repeat(drawn[..., None], 3, axis=2))


def test_a_mark_is_gone_where_the_picture_goes_on_round_it_however_stained() -> None:
    """A third of the foot is darker by 24 levels; the strokes and grain beneath are there."""
    bare = marked("", seed=2)
    grey = bare.grey.astype(np.float32)
    grey[-110:, 60:] -= 24.0
    finding = found(with_grey(bare, grey))
    assert finding.probability is not None
    assert finding.probability < 0.25


@pytest.mark.parametrize("aside_mm", [1.5, 4.0])
def test_a_mark_under_a_label_of_the_cards_own_tone_is_not_gone(aside_mm: float) -> None:
    query = marked(seed=2)
    left, top, right, bottom = (round(side * query.size.px_per_mm) for side in wider(seen().box_mm, aside_mm))
    grey = query.grey.astype(np.float32)
    rows, columns = slice(top, min(bottom, query.size.height)), slice(max(0, left), right)
    grey[rows, columns] = np.median(grey[rows, columns])
    assert found(with_grey(query, grey)).probability is None


def test_a_note_beside_the_mark_makes_no_other_mark() -> None:
    note = CardLine("coll. Banden", 0.95, (5.0, 20.0, 20.0, 23.0))
    finding = found(marked(seed=2), seen(), note)
    assert finding.probability is not None
    assert finding.probability > 0.75


def test_of_a_card_known_to_bear_no_mark_one_that_is_read_tells() -> None:
    bare, mark = marked("", seed=1), seen()
    none = MarkLines("none", None, None, 0.0)
    known = judge_mark(marked("", seed=2), bare, np.eye(3), none)
    added = judge_mark(marked(seed=2), bare, np.eye(3), replace(none, added=mark))
    assert known.probability is not None
    assert added.probability is not None
    assert added.probability < 0.25 < 0.75 < known.probability
    assert known.words == "no issuer's mark, as on the known card"
    assert added.words == f"mark: {WORDS!r}, where the known card has none"
    trusted = bare.trusted.copy()
    trusted[-60:] = False
    torn = judge_mark(marked(seed=2), replace(bare, trusted=trusted), np.eye(3), replace(none, added=mark))
    assert torn.probability is None
    assert "could not be told" in torn.words


@pytest.mark.parametrize(("in_place", "same"), [(0.99, True), (0.01, False)])
def test_what_is_read_in_its_place_settles_a_mark_that_ink_leaves_open(in_place: float, same: bool) -> None:
    left = MarkFinding(0.5, MarkLines(WORDS, seen(), None, 0.0))
    assert left.is_open(0.75)
    told = left.with_reading(in_place)
    assert not told.is_open(0.75)
    assert (told.probability or 0.0) > 0.5 if same else (told.probability or 1.0) < 0.5
    assert MarkFinding(None, left.lines).with_reading(in_place).probability is None


def test_a_glance_needs_no_reading() -> None:
    lines = MarkLines(WORDS, seen(), None, 0.0)
    same = glanced_mark(marked(seed=2), marked(), np.eye(3), lines).probability
    gone = glanced_mark(marked("", seed=2), marked(), np.eye(3), lines).probability
    assert same is not None
    assert gone is not None
    assert gone < 0.25 < 0.75 < same


def test_a_piece_of_the_mark_tells_where_it_stands() -> None:
    lines = match_marks(
        [], [CardLine("Pelldale", 0.9, (1, 1, 9, 3)), CardLine("J. Harlesk", 0.99, (1, 5, 9, 8))], WORDS, ()
    )
    assert lines.known is not None
    assert lines.known.words == "Pelldale"


def test_a_mark_in_type_too_small_to_be_read_well_is_known_by_being_left_over() -> None:
    """Nothing could be compared, though its box was found: condensed type of 1 mm had been read as 'Snoke SIEIFaLF'."""
    name = CardLine("J. Harlesk", 0.99, (1.0, 5.0, 9.0, 8.0))
    small = CardLine("Peldo SIFIR Te", 0.4, (14.0, 59.0, 22.0, 61.0))

    def known(*lines: CardLine) -> CardLine | None:
        return match_marks([], [name, *lines], WORDS, ("J. Harlesk", "Peldo Rifles")).known

    assert known(small) == small
    assert known(replace(small, box_mm=(14.0, 57.0, 22.0, 61.0))) is None  # as large as a caption
    assert known(replace(small, words="XV OOUQ")) is None  # nothing of it
    assert known(replace(small, words="Peldo SIFles")) is None  # the club
    assert known(small, seen()) == seen()  # where the mark itself was read


def test_small_type_that_is_misread_alike_on_both_cards_is_one_mark() -> None:
    box: BoxMm = (14.0, 59.0, 22.0, 61.0)
    misread, again = CardLine("IAGSTSWI CHESA", 0.8, box), CardLine("JAGSTSWI CSCSA", 0.8, box)
    told = match_marks([again], [misread], "Ingstow Cocoa", ("J. Harlesk",))
    assert told.known == misread
    assert told.seen == again


def test_a_mark_that_surely_stands_in_another_frame_is_another_whatever_its_ink_says() -> None:
    box, oval = replace(seen(), form="box", formed=0.95), replace(seen(), form="oval", formed=0.95)
    told = found(marked(seed=2), oval, known=box)  # the ink is that of one mark
    assert told.probability is not None
    assert told.probability < 0.25
    assert told.words == f"mark: {WORDS!r} in an oval, in a box on the reference"
    assert (found(marked(seed=2), replace(oval, formed=0.7), known=box).probability or 0) > 0.9
    assert (found(marked(seed=2), replace(oval, form="box"), known=box).probability or 0) > 0.9
    assert (found(marked(seed=2), replace(oval, form="line"), known=box).probability or 0) > 0.9  # it may have faded


def test_the_caption_is_no_mark() -> None:
    lines = match_marks(
        [CardLine("Banow Rowing Clnb", 0.9, (1, 1, 9, 3))], [], "Banow & Co.", ("J. H", "Banow Rowing Club")
    )
    assert lines.seen is None
    assert not lines.others


@pytest.mark.parametrize(
    ("written", "words"), [("A & B (oval, foot right)", "A & B"), ("A (B) C", "A (B) C"), ("None", "")]
)
def test_words_of_a_mark_as_records_write_it(written: str, words: str) -> None:
    assert mark_words(written) == words


# What follows from it

SURE = Calibration.load()


def of(record: str, mark: str, p_mark: float | None, p_caption: float = 0.97, caption: str = "J. Harlesk") -> Candidate:
    one = candidate(record, "P1", "A", 0.99, 0.98, p_caption)
    known = replace(one.reference, record=replace(one.record, mark=mark, caption=caption))
    finding = MarkFinding(p_mark, MarkLines(mark, None, None, 0.0))
    return replace(one, reference=known, mark=finding if mark else None)


OUTCOMES = [
    # (record, mark, probability of the mark, of the caption) -> outcome, record
    ([("V1", "A", 0.97)], "known", "V1"),
    ([("V1", "A", 0.03)], "new_mark", None),
    ([("V1", "A", 0.5)], "undecided", None),
    ([("V1", "A", None)], "known", "V1"),                       # nothing speaks against it
    ([("V1", "", None)], "known", "V1"),                        # the record says nothing of a mark
    ([("V1", "A", 0.97), ("V2", "B", 0.02)], "known", "V1"),
    ([("V1", "A", 0.02), ("V2", "B", 0.97)], "known", "V2"),
    ([("V1", "A", 0.02), ("V2", "B", 0.03)], "new_mark", None),
    ([("V1", "A", 0.02), ("V2", "B", None)], "undecided", None),  # what could not be compared may be it
    ([("V1", "A", None), ("V2", "B", None)], "undecided", None),
    ([("V1", "none", 0.9)], "known", "V1"),
    ([("V1", "none", 0.04)], "new_mark", None),
    ([("V1", "none", 0.04), ("V2", "B", 0.97)], "known", "V2"),
    ([("V1", "A", 0.97, 0.02)], "new_caption", None),           # words come before the mark
]  # fmt: skip


@pytest.mark.parametrize(("rows", "outcome", "record"), OUTCOMES)
def test_the_mark_decides_after_the_words(rows, outcome, record) -> None:  # type: ignore[no-untyped-def]
    answer = decide([of(*row) for row in rows], Thresholds(), 5, SURE)
    assert (answer.outcome, answer.established.get("record_id")) == (outcome, record)
    if outcome == "new_mark":
        assert answer.established["caption"] == "J. Harlesk"
        assert answer.confidence.mark is not None
        assert answer.confidence.mark < 0.25


def test_marks_are_asked_about_where_words_are_settled_and_records_have_one() -> None:
    rows = [of("V1", "A", None), of("V2", "", None, 0.02, "Ada"), of("V3", "B", None, 0.02, "Bea")]
    answer = decide(rows, Thresholds(), 5, SURE)
    assert [one.record.record_id for one in marks_asked(answer, Thresholds())] == ["V1"]
    blank = decide([of("V1", "", None)], Thresholds(), 5, SURE)
    assert marks_asked(blank, Thresholds()) == []


def test_a_known_record_says_how_sure_its_mark_is() -> None:
    sure = decide([of("V1", "A", 0.9)], Thresholds(), 5, SURE).confidence
    assert sure.mark == pytest.approx(0.9, abs=0.02)
    assert sure.record == pytest.approx(sure.pose * sure.crop * sure.caption * sure.mark)  # type: ignore[operator]
