"""Ink and reading together: what they say of a record's words, and what an answer makes of it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from matcher.core.calibration import Calibration
from matcher.core.ladder.decision import decide, words_asked
from matcher.core.ladder.words import Wanting, WordLine, WordsFinding, judge_words, shipped_calibration
from matcher.core.settings import Thresholds
from tests.core.ladder.test_ladder import candidate

CALIBRATION = Calibration.load()


def finding(probability: float, *lines: WordLine, added: str = "") -> WordsFinding:
    return WordsFinding(probability, lines, added)


CLUB = WordLine("club", "Gull Rock", "Ferry Hill", 0.95, 0.02, {})
NAME = WordLine("name", "J. Kelwick", "J. Kelwick", 0.99, 0.99, {})


def test_both_rungs_are_shipped_with_what_they_were_fitted_on() -> None:
    assert set(shipped_calibration().rungs) == {"words"}
    assert {"made", "cards", "seeds", "manifests"} <= set(shipped_calibration().provenance)


def test_lines_that_were_read_outweigh_the_ink_and_one_other_line_makes_other_words() -> None:
    assert judge_words([0.99, 0.99], 0.3, Wanting()) > 0.75
    assert judge_words([0.99, 0.01], 0.9, Wanting()) < 0.25
    assert judge_words([0.99, 0.99], 0.9, Wanting()) >= judge_words([0.99, 0.99], 0.1, Wanting())


def test_a_further_line_speaks_against_the_known_words_and_less_is_certain_of_half_of_them() -> None:
    known = judge_words([0.98], 0.5, Wanting())
    maker, club = (judge_words([0.98], 0.5, Wanting(added=0.98, added_size=size)) for size in (0.4, 0.7))
    assert club < 0.25 < maker < known
    assert judge_words([0.98], 0.5, Wanting(club=True)) <= known


def test_words_found_nowhere_on_the_known_card_are_left_open_and_it_is_said() -> None:
    row = replace(candidate("V1", "P1", "A", 0.99, 0.98, 0.99), words=finding(0.5))
    answer = decide([row], Thresholds(), 5, CALIBRATION)
    assert answer.outcome == "undecided"
    assert any("found nowhere on the known card" in reason for reason in answer.reasons)


def test_words_that_were_read_whole_are_not_hidden_whatever_the_tone_of_the_ground() -> None:
    row = candidate("V1", "P1", "A", 0.99, 0.98, 0.02)
    assert row.caption
    row = replace(row, caption=replace(row.caption, hidden=0.9))
    half = replace(CLUB, read="Ferry")
    for line, outcome in ((CLUB, "new_caption"), (half, "undecided"), (replace(CLUB, certainty=0.6), "undecided")):
        assert decide([replace(row, words=finding(0.02, NAME, line))], Thresholds(), 5, CALIBRATION).outcome == outcome


def test_two_hands_that_write_the_same_words_are_told_as_such() -> None:
    written = replace(NAME, probability=0.02, features={"exact": 1.0})
    assert finding(0.02, written).words == "the same words, in another hand or type, read as 'J. Kelwick'"
    assert finding(0.02, written).differing == []
    assert finding(0.02, written, CLUB).words == "other words: 'Ferry Hill', not 'Gull Rock'"


@pytest.mark.parametrize(("read", "outcome"), [(0.97, "known"), (0.02, "new_caption"), (0.5, "undecided")])
@pytest.mark.parametrize("ink", [0.02, 0.98, None])
def test_where_lines_were_read_they_settle_what_the_strips_say(ink: float | None, read: float, outcome: str) -> None:
    row = replace(candidate("V1", "P1", "A", 0.99, 0.98, ink), words=finding(read, NAME))
    assert decide([row], Thresholds(), 5, CALIBRATION).outcome == outcome


def test_a_new_caption_is_told_in_words() -> None:
    row = replace(candidate("V1", "P1", "A", 0.99, 0.98, 0.99), words=finding(0.02, NAME, CLUB))
    answer = decide([row], Thresholds(), 5, CALIBRATION)
    assert any("'Ferry Hill', not 'Gull Rock'" in reason for reason in answer.reasons)
    assert finding(0.02, NAME, CLUB).read == "read as 'J. Kelwick', 'Ferry Hill'"
    assert finding(0.02, NAME, added="Ferry Hill").differing == ["'Ferry Hill', which the known card has not"]


def test_the_nearest_records_of_the_likeliest_crop_are_asked_and_only_where_the_crop_is_settled() -> None:
    rows = [candidate(f"V{n}", "P1", "A", 0.99, 0.98, n / 10) for n in range(1, 7)]
    asked = words_asked(decide(rows, Thresholds(), 5, CALIBRATION))
    assert [one.record.record_id for one in asked] == ["V6", "V5", "V4", "V3"]
    unsettled = [candidate("V1", "P1", "A", 0.99, 0.5, 0.9)]
    assert words_asked(decide(unsettled, Thresholds(), 5, CALIBRATION)) == []
