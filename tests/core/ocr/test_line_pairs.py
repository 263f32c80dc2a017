"""Lines of a reference looked at again on a query, wherever on the card they stand; truth comes from the drawing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
import pytest
from rapidfuzz import fuzz

from matcher.core.card_lines import CardLine
from matcher.core.flatten import Face
from matcher.core.ladder.candidate import Candidate
from matcher.core.ladder.caption_zone import bears_letters
from matcher.core.ladder.words import WordsFinding
from matcher.core.ocr.added_line import without_match
from matcher.core.ocr.added_mark import added_mark, is_printed_small
from matcher.core.ocr.every_line import joined, lines_of_photo
from matcher.core.ocr.line_evidence import compare_words, judged_line, said_by_both, unsure, wanting_of
from matcher.core.ocr.line_pairs import LinePair, Sight, WrittenLine, caption_lines, pair_lines, written_on
from matcher.core.ocr.looks import Look
from matcher.core.ocr.mark_form import has_room
from matcher.core.ocr.reader import Reader
from matcher.core.ocr.reading import can_read
from matcher.core.ocr.settings import AddedMarkSettings
from matcher.core.ocr.spelling import Frames
from matcher.core.reference_set import KnownRecord, KnownReference
from matcher.lab.synthesis.lettering import CENTURY
from matcher.lab.synthesis.line_drawing import draw_line, ink_on
from matcher.lab.synthesis.type_cases import Typeface
from matcher.lab.synthesis.wording import MarkForm, SetLine, width_mm
from tests.core.ladder.test_ladder import candidate, studio
from tests.core.test_identify import photo_and_outline
from tests.support.faces import SIZE, face_of

pytestmark = pytest.mark.skipif(not can_read(), reason="the extra 'reading' is not installed")

NAME, CLUB = "Jonas Harlesk", "Ferry Hill Wheelers"
TYPE = Typeface(CENTURY, "book")


def line(words: str, x: float, y: float, body: float, turn: float = 0.0, tone: float = 0.08) -> SetLine:
    return SetLine(words, "name", TYPE, body, 0.02, x, y, width_mm(words, TYPE, body, 0.02), turn, tone=tone)


def at_the_foot(name: str, club: str) -> list[SetLine]:
    return [line(name, 18.2, 58.0, 2.4, tone=0.97), line(club, 18.2, 60.8, 1.8, tone=0.97)]


def at_the_head(name: str, club: str) -> list[SetLine]:
    return [line(name, 10.5, 3.4, 2.4), line(club, 10.5, 6.0, 1.8)]


def along_the_side(name: str, club: str) -> list[SetLine]:
    return [line(f"{name}   {club}", 3.2, 31.0, 1.9, turn=-90.0, tone=0.97)]


PLACES = {"foot": at_the_foot, "head": at_the_head, "side": along_the_side}


def card(lines: Sequence[SetLine], seed: int, contrast: float = 0.9) -> Face:
    face = face_of(studio("A1"), contrast=contrast, noise=2, seed=seed)
    sheet = (face.grey / 255).astype(np.float32)
    for one in lines:
        sheet = ink_on(sheet, draw_line(one, sheet.shape, SIZE.px_per_mm))  # type: ignore[arg-type]
    noisy = np.rint(255 * sheet) + np.random.default_rng(seed).normal(0, 2, sheet.shape)
    grey = np.clip(noisy, 0, 255).astype(np.uint8)
    return replace(face, grey=grey, pixels=np.repeat(grey[..., None], 3, axis=2))


def sight(query: Face, reference: Face) -> Sight:
    photo, outline = photo_and_outline(query)
    return Sight(photo, outline, query, reference, np.eye(3))


def known(name: str = NAME, club: str = CLUB) -> Candidate:
    record = KnownRecord("V1", "Some One", "P1", "A", name, club)
    return replace(candidate("V1", "P1", "A", 0.99, 0.98, None), reference=KnownReference(1, record, 0.8))


def compared(query: Face, reference: Face, one: Candidate) -> WordsFinding:
    found = compare_words(sight(query, reference), written_on(reference), one)
    assert found is not None
    return found


@pytest.mark.parametrize("place", PLACES)
def test_words_are_compared_wherever_they_stand(place: str) -> None:
    draw = PLACES[place]
    reference = card(draw(NAME, CLUB), seed=1)
    same = compared(card(draw(NAME, CLUB), seed=2, contrast=0.6), reference, known())
    letter = compared(card(draw("Jonas Harlest", CLUB), seed=3), reference, known())
    club = compared(card(draw(NAME, "Gull Rock Harriers"), seed=4), reference, known())
    assert letter.probability < 0.25 < 0.75 < same.probability
    assert club.probability < 0.25
    assert not same.differing
    assert any("Gull" in told for told in club.differing)


def test_each_line_is_the_part_of_the_record_that_it_reads_like() -> None:
    written = written_on(card(at_the_foot(NAME, CLUB), seed=1))
    parts = caption_lines(written, known().record, "")
    assert {part: one.look.words.split()[0] for part, one in parts.items()} == {"name": "Jonas", "club": "Ferry"}
    # What reads like neither stands beside the name, and there is a club to be found.
    other = caption_lines(written, KnownRecord("V1", "", "P1", "A", NAME, "Zzyx Qum"), "")
    assert other["club"].look.words.startswith("Ferry")
    # The issuer's mark is none of them.
    assert "club" not in caption_lines(written, KnownRecord("V1", "", "P1", "A", NAME, ""), CLUB)


def test_a_makers_line_that_names_the_clubs_town_is_not_the_club() -> None:
    club, maker = "Port Tavis Wheelers", "Pelldale Biscuit Works, Port Tavis"
    set_so = ((NAME, 55.4, 2.2), (club, 58.2, 1.8), (maker, 60.8, 1.4))
    lines = [line(words, 18.2, y, body, tone=0.97) for words, y, body in set_so]
    found = caption_lines(written_on(card(lines, 1)), KnownRecord("V1", "S", "P", "A", NAME, club), "")
    assert fuzz.ratio(found["club"].look.words.lower(), club.lower()) > 80


@pytest.mark.parametrize("name", ["Jonas Harleskk", "Jonnas Harlesk"])
def test_a_doubled_letter_is_told(name: str) -> None:
    reference = card(at_the_head(NAME, CLUB), seed=1)
    found = compared(card(at_the_head(name, CLUB), seed=3), reference, known())
    assert found.probability < 0.25
    assert any(name in told for told in found.differing)


MARK = "Pelldale Tea Co."


def added(query: Sequence[SetLine], reference: Sequence[SetLine], issuer: str = "") -> str:
    """The mark that only the query has, as it is read."""
    face, known_card = card(query, seed=2), card(reference, seed=1)
    seen = sight(face, known_card)
    lines = lines_of_photo(seen.photo, seen.outline, face.size)
    free = [one for one in lines if fuzz.ratio(one.words, NAME) < 70 and fuzz.ratio(one.words, CLUB) < 70]
    found = added_mark(seen, free, written_on(known_card), issuer)
    return found.words if found else ""


def test_a_mark_that_only_the_query_has_is_found_and_a_note_is_none() -> None:
    words = at_the_head(NAME, CLUB)
    mark = line(MARK, 18.2, 61.0, 1.2, tone=0.97)
    assert fuzz.ratio(added([*words, mark], words), MARK) > 80
    assert added([*words, mark], [*words, mark]) == ""
    assert added([*words, mark], words, issuer=MARK) == ""
    assert added([*words, line("coll. Banden", 18.2, 59.0, 3.0, turn=9.0, tone=0.97)], words) == ""


def test_a_mark_in_a_frame_may_be_read_less_surely_than_one_that_stands_free() -> None:
    rules = AddedMarkSettings()
    free = CardLine("Pe11da e Tea", 0.6, (14.0, 59.0, 24.0, 61.0))
    assert not is_printed_small(free, rules)
    assert is_printed_small(replace(free, form="oval", formed=0.9), rules)
    assert not is_printed_small(replace(free, form="oval", formed=0.9, certainty=0.3), rules)
    large = replace(free, certainty=0.9, box_mm=(14.0, 58.0, 24.0, 61.0))
    assert not is_printed_small(large, rules)
    assert is_printed_small(replace(large, certainty=0.99), rules)
    assert is_printed_small(replace(large, form="ribbon", formed=0.9), rules)


def test_no_frame_is_told_of_a_line_whose_frame_the_strip_may_have_cut_off() -> None:
    strip, box = np.zeros((60, 200), np.uint8), np.array([[20, 20], [120, 20], [120, 40], [20, 40]], np.float32)
    assert has_room(strip, box)
    assert not has_room(strip, box - np.array([0, 18], np.float32))
    assert not has_room(strip[:42], box)


def test_a_name_in_large_type_upon_the_picture_is_found_on_a_known_card() -> None:
    """It begins 13 mm above the foot, and was cut in half by what was searched."""
    lines = [line(NAME, 18.2, 53.4, 3.6, tone=0.97), line(CLUB, 18.2, 57.2, 2.2, tone=0.97)]
    read = [one.look.words for one in written_on(card(lines, seed=1))]
    assert max(fuzz.ratio(words, NAME) for words in read) > 85
    assert max(fuzz.ratio(words, CLUB) for words in read) > 85


def test_the_end_of_a_long_line_along_a_side_is_no_line_of_its_own() -> None:
    words = "Jonas Harlesk, Ferry Hill Wheelers and Ramblers"
    long = replace(line(words, 33.5, 32.0, 2.6, turn=90.0, tone=0.97))
    read = written_on(card([long], seed=1))
    assert max(fuzz.ratio(one.look.words, words) for one in read) > 85
    assert not [one for one in read if not one.quarters and one.line.box_mm[0] > 30]


@pytest.mark.parametrize("form", ["line", "box", "oval", "ribbon"])
def test_the_frame_of_a_mark_is_seen_where_it_is_read(form: MarkForm) -> None:
    """Drawn by other code than what the network learnt from."""
    mark = replace(line(MARK, 18.2, 60.5, 1.3, tone=0.97), part="mark", frame=form)
    face = card([*at_the_head(NAME, CLUB), mark], seed=2)
    seen = sight(face, face)
    lines = lines_of_photo(seen.photo, seen.outline, face.size)
    assert [one.form_told for one in lines if fuzz.ratio(one.words, MARK) > 70] == [form]


def test_words_found_nowhere_on_the_known_card_are_left_open_where_head_and_foot_are_picture() -> None:
    bare, captioned = card([], seed=1), card(at_the_foot(NAME, CLUB), seed=2)
    assert not bears_letters(bare)
    left = compare_words(sight(captioned, bare), written_on(bare), known())
    assert left is not None
    assert 0.25 < left.probability < 0.75
    assert "found nowhere on the known card" in left.words
    # A record without words has none to be found; and where words seem to stand, their ink is compared.
    assert compare_words(sight(captioned, bare), written_on(bare), known("", "")) is None
    assert bears_letters(captioned)
    assert compare_words(sight(bare, captioned), (), known()) is None


def test_a_line_read_as_the_record_has_it_is_the_same_though_the_known_card_was_read_badly() -> None:
    misread = card(at_the_head("Jonas Harlest", CLUB), seed=1)
    query = sight(card(at_the_head(NAME, CLUB), seed=2), misread)
    name, _ = pair_lines(query, written_on(misread), known().record, "")
    assert (name.query.words, name.written.look.words) == (NAME, "Jonas Harlest")
    assert judged_line(name, query).probability >= 0.9
    # Where the record says what was read on its card, the query says something else.
    assert judged_line(replace(name, known="Jonas Harlest"), query).probability < 0.25


def trimmed(face: Face, left_mm: float) -> tuple[Face, np.ndarray]:
    """The card without so much of its left, cut out as a whole one is; and the transform to where it was."""
    off = left_mm * SIZE.px_per_mm
    back = np.array([[1 - off / SIZE.width, 0, off], [0, 1, 0], [0, 0, 1]])
    grey = cv2.warpPerspective(face.grey, back, face.grey.shape[::-1], flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    return replace(face, grey=grey, pixels=np.repeat(grey[..., None], 3, axis=2)), back


def at_the_left(name: str, club: str) -> list[SetLine]:
    return [line(name, 11.0, 57.5, 2.2, tone=0.97), line(club, 12.5, 60.8, 1.8, tone=0.97)]


@pytest.mark.parametrize(("name", "same"), [(NAME, True), ("Jonas Harlest", False)])
def test_letters_that_scissors_took_are_no_other_words(name: str, same: bool) -> None:
    """A trimmed card is the same card with less shown: what is left of its words says what it said there."""
    reference = card(at_the_left(NAME, CLUB), seed=1)
    written = written_on(reference)
    begins = min(one.line.box_mm[0] for one in written if not one.quarters)
    query, back = trimmed(card(at_the_left(name, CLUB), seed=2), begins + 1.4)
    photo, outline = photo_and_outline(query)
    found = compare_words(Sight(photo, outline, query, reference, back), written, known())
    assert found is not None
    assert not found.lines[0].read.startswith("J")
    assert (found.probability >= 0.5) == same


def test_a_spaced_line_along_a_side_is_one_line() -> None:
    def box(left: float, top: float, right: float, bottom: float) -> np.ndarray:
        return np.array([[left, top], [right, top], [right, bottom], [left, bottom]], np.float32)

    pieces = [box(200, 12, 300, 40), box(10, 10, 90, 42), box(110, 14, 190, 44), box(20, 60, 80, 90)]
    assert [tuple(one[[0, 2]].ravel()) for one in joined(pieces, 24)] == [(10, 10, 300, 44), (20, 60, 80, 90)]
    assert len(joined(pieces, 5)) == 4


def test_close_type_does_not_hide_a_further_line() -> None:
    """Boxes as they are found: the known card's name reaches down into what stands below it on the other."""
    name, club = (12.5, 56.8, 23.3, 59.4), (9.8, 58.9, 26.1, 60.9)
    assert without_match([name, club], [(12.0, 56.8, 23.5, 59.9)]) == [1]
    # Two pieces of one known line are no further lines.
    assert without_match([(12.0, 57.0, 17.0, 59.4), (17.5, 57.0, 23.0, 59.4)], [(12.0, 56.8, 23.5, 59.9)]) == []


def test_a_line_that_only_the_query_has_is_told() -> None:
    reference = card(at_the_foot(NAME, "")[:1], seed=1)
    found = compared(card(at_the_foot(NAME, CLUB), seed=2), reference, known(club=""))
    assert found.added.startswith("Ferry")
    assert any("Ferry" in told for told in found.differing)
    assert found.probability < 0.25
    assert not compared(card(at_the_foot(NAME, "")[:1], seed=2), reference, known(club="")).added


@pytest.mark.parametrize(("form", "told"), [("line", True), ("box", False), ("oval", False), ("ribbon", False)])
def test_a_line_in_a_frame_is_no_club_where_the_record_tells_of_marks(form: MarkForm, told: bool) -> None:
    """A frame makes its line as high as a club's."""
    reference, bare = card(at_the_foot(NAME, "")[:1], seed=1), known(club="")
    bare = replace(bare, reference=replace(bare.reference, record=replace(bare.record, mark="none")))
    further = replace(line("Pelldale Tea", 18.2, 60.9, 1.5, tone=0.97), part="mark", frame=form)
    found = compared(card([*at_the_foot(NAME, "")[:1], further], seed=2), reference, bare)
    assert bool(found.added) == told
    assert told or found.probability > 0.75


def test_a_club_that_no_search_finds_is_read_below_its_name() -> None:
    """As light as a backdrop in which the name stands out."""
    reference = card(at_the_foot(NAME, CLUB), seed=1)
    unfound = tuple(one for one in written_on(reference) if not one.look.words.startswith("Ferry"))
    for club, same in ((CLUB, True), ("Gull Rock Harriers", False)):
        pairs = pair_lines(sight(card(at_the_foot(NAME, club), seed=2), reference), unfound, known().record, "")
        assert [pair.part for pair in pairs] == ["name", "club"]
        assert (fuzz.ratio(pairs[1].query.words, CLUB) > 80) == same
    other = pair_lines(sight(reference, reference), unfound, known(club="Zzyx Qum").record, "")
    assert [pair.part for pair in other] == ["name"]


def test_the_records_own_issuer_is_no_further_line() -> None:
    reference = card(at_the_foot(NAME, "")[:1], seed=1)
    issuer = known(club="")
    issuer = replace(issuer, reference=replace(issuer.reference, record=replace(issuer.record, issuer=CLUB)))
    assert not compared(card(at_the_foot(NAME, CLUB), seed=2), reference, issuer).added


def test_a_photo_shows_the_line_where_the_transform_puts_it() -> None:
    reference, moved = card(at_the_head(NAME, CLUB), seed=1), np.array([[1.0, 0, 6.0], [0, 1.0, -9.0], [0, 0, 1]])
    query = card(at_the_head(NAME, CLUB), seed=2)
    flags = {"borderMode": cv2.BORDER_REPLICATE}
    shifted = cv2.warpPerspective(query.grey, np.linalg.inv(moved), query.grey.shape[::-1], **flags)
    query = replace(query, grey=np.asarray(shifted, np.uint8), pixels=np.repeat(shifted[..., None], 3, axis=2))
    photo, outline = photo_and_outline(query)
    pairs = pair_lines(Sight(photo, outline, query, reference, moved), written_on(reference), known().record, "")
    likeness = [fuzz.ratio(pair.query.words, known_) for pair, known_ in zip(pairs, (NAME, CLUB), strict=True)]
    assert min(likeness) > 85


def test_two_doubtful_sights_say_together_what_neither_says_alone() -> None:
    """'ab' seen once with a doubtful second letter and once with a doubtful first, each wrongly named."""
    first = Frames("abx", np.array([[0.01, 0.97, 0.01, 0.01], [0.01, 0.01, 0.45, 0.53]], np.float32))
    second = Frames("abx", np.array([[0.01, 0.45, 0.01, 0.53], [0.01, 0.01, 0.97, 0.01]], np.float32))
    assert (first.named, second.named) == ("ax", "xb")
    assert said_by_both(first, second) == "ab"
    assert unsure(first) == pytest.approx(-np.log(0.97) - np.log(0.53), abs=1e-3)


@pytest.mark.parametrize(("read", "lacking"), [("Jonas Harlesk Ferry Hill Wheelers", False), ("Hill Wheelers", True)])
def test_a_piece_of_a_line_along_a_side_does_not_speak_for_the_name(read: str, lacking: bool) -> None:
    look = Look(read, 0.9, Frames("", np.zeros((0, 1), np.float32)))
    upright = WrittenLine(CardLine(read, 0.9, (1.0, 10.0, 4.0, 50.0), along=True), 3, look)
    record = KnownRecord("V1", "", "P1", "A", NAME, CLUB)
    assert wanting_of(record, [LinePair("club", CLUB, upright, look)], None).name is lacking


def test_an_edge_of_a_card_is_searched_once(monkeypatch: pytest.MonkeyPatch) -> None:
    searches = []
    find = Reader.find
    monkeypatch.setattr(Reader, "find", lambda *told: searches.append(1) or find(*told))
    face = card(at_the_foot(NAME, CLUB), seed=1)
    seen = sight(face, card(at_the_foot(NAME, ""), seed=2))
    first, again = (lines_of_photo(seen.photo, seen.outline, face.size, searched=seen.looks.searched) for _ in range(2))
    assert first == again
    assert any(fuzz.ratio(one.words, NAME) > 80 for one in first)
    assert len(searches) == len(seen.looks.searched) == 4  # foot, head and two sides
