"""Lines that stand on two cards alike show that the outline of either is right."""

from __future__ import annotations

from dataclasses import replace

import pytest

from matcher.core.card_lines import CardLine
from matcher.core.ladder.candidate import Candidate
from matcher.core.ladder.words import WordLine, WordsFinding
from matcher.core.ocr.line_parts import in_known_words, one_thing_each, parts_of, stand_alike
from tests.core.ladder.test_ladder import candidate

NAME = CardLine("Piers Aldwick", 0.97, (8.0, 57.3, 28.0, 60.1))


@pytest.mark.parametrize(
    ("other", "alike"),
    [
        (NAME, True),
        (replace(NAME, words="PIERS ALDWICK.", box_mm=(7.4, 57.0, 28.5, 60.0)), True),
        (replace(NAME, box_mm=(9.5, 57.3, 29.5, 60.1)), False),  # the same line, but the card begins elsewhere
        (replace(NAME, box_mm=(7.0, 56.8, 30.4, 60.6)), False),  # ... or is of another size
        (replace(NAME, words="Piers Oldwick"), False),
        (replace(NAME, certainty=0.5), False),
        (replace(NAME, words="..."), False),
    ],
)
def test_the_same_words_at_the_same_place(other: CardLine, alike: bool) -> None:
    assert stand_alike([NAME], [other]) is alike
    assert stand_alike([other], [NAME]) is alike


def test_nothing_read_shows_nothing() -> None:
    assert not stand_alike([], [NAME])
    assert not stand_alike([replace(NAME, words="")], [replace(NAME, words="")])


def closest(probability: float, worse: float) -> Candidate:
    line = WordLine("name", "Piers Aldwick", "Picrs Aldwick", 0.9, probability, {"less_known": worse})
    return replace(candidate("V1", "P1", "A", 0.99, 0.98, 0.97), words=WordsFinding(probability, (line,)))


@pytest.mark.parametrize(
    ("probability", "worse", "words"),
    [
        (0.97, 0.1, "Piers Aldwick"),  # a letter that is misread on both cards
        (0.97, 2.0, "Picrs Aldwick"),  # ... that was seen otherwise than on the known one
        (0.5, 0.1, "Picrs Aldwick"),
    ],
)
def test_a_line_that_is_surely_the_known_one_is_told_in_its_words(probability: float, worse: float, words: str) -> None:
    read, note = replace(NAME, words="Picrs Aldwick"), replace(NAME, words="coll. Banden")
    told = in_known_words([note, read], closest(probability, worse))
    assert [line.words for line in told] == ["coll. Banden", words]
    assert in_known_words([read], None) == (read,)


def marked(mark: str) -> Candidate:
    one = candidate("V1", "P1", "A", 0.99, 0.98, 0.97)
    return replace(one, reference=replace(one.reference, record=replace(one.record, mark=mark)))


BELOW = CardLine("Ferry Hill R. C. - Brell & Co., Oxmoor", 0.97, (4.0, 60.5, 32.0, 62.0))


def test_a_row_that_holds_the_club_and_a_known_mark_is_two_lines() -> None:
    """Set so by printers of the time: common practice, no source."""
    known = [marked("Brell & Co, Oxmoor (foot centre)")]
    name, club, mark = one_thing_each([NAME, BELOW], known)
    assert [club.words, mark.words] == ["Ferry Hill R. C.", "Brell & Co., Oxmoor"]
    assert club.box_mm[0] == 4.0
    assert 15.0 < club.box_mm[2] == mark.box_mm[0] < 18.5
    assert mark.box_mm[2] == 32.0
    assert parts_of([name, club, mark], known) == {name: "caption", club: "club", mark: "mark"}


@pytest.mark.parametrize(
    ("words", "mark"),
    [
        ("Ferry Hill R. C. - Brell & Co., Oxmoor", "Tarrow Mills"),  # the mark is not known
        ("Brell - Son & Co.", "Brell - Son & Co."),  # the dash is the mark's own
        ("Ferry Hill-Brell & Co.", "Brell & Co."),  # a hyphen within a name parts nothing
        (" - Brell & Co.", "Brell & Co."),
    ],
)
def test_a_row_stays_whole_where_no_known_mark_stands_by_itself(words: str, mark: str) -> None:
    line = replace(BELOW, words=words)
    assert one_thing_each([line], [marked(mark)]) == (line,)
    assert one_thing_each([replace(line, along=True)], [marked(mark)]) == (replace(line, along=True),)


def test_where_marks_were_not_asked_about_a_line_that_says_a_known_one_is_the_mark() -> None:
    line = replace(BELOW, words="BRELL & C0 OXM00R")
    parts = parts_of([NAME, line], [marked("Brell & Co., Oxmoor")])
    assert parts == {NAME: "caption", line: "mark"}
    assert parts_of([NAME, line], [marked("none")])[line] == "club"


def test_words_along_a_side_are_the_caption_where_no_others_are_there() -> None:
    along = CardLine("Piers Aldwick, Brind", 0.9, (0.8, 10.0, 2.8, 40.0), along=True)
    assert parts_of([along], ()) == {along: "caption"}
    assert parts_of([along, NAME], ()) == {NAME: "caption"}
