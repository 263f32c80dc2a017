"""A find's form begins with what was read on the card, and each field says where it comes from."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from matcher.catalogue import Catalogue
from matcher.catalogue.finds import resolution
from matcher.catalogue.finds.proposed_fields import READ, fields_from_json, fields_json, proposed_fields
from matcher.catalogue.finds.resolution import RecordFields, accept, as_closest, propose
from matcher.catalogue.records.corrections import edit_record
from matcher.core.answer import CardResult, WrittenLine
from tests.support.cards import photo_answer
from tests.support.history import ADA, code_of

NAME, CLUB, MARK = "Jonas Brule", "Ferry Hill", "Quillory Tea"


def line(words: str, part: str, y: float = 58.0, sure: float = 0.98) -> WrittenLine:
    return WrittenLine(words, part, "foot left", (5.0, y, 25.0, y + 2.0), sure)


def card(scans: Path, *lines: WrittenLine, outcome: str = "new_caption") -> CardResult:
    _, told = photo_answer(scans, 50, outcome, pose="P000", crop="A")
    (closest,) = told.cards[0].candidates
    named = replace(closest, evidence=replace(closest.evidence, subject="Sitter 0", mark="Brell & Co."))
    return replace(told.cards[0], lines=lines, candidates=(named,))


def test_words_are_those_of_this_card_and_never_of_the_record_it_resembles(scans: Path) -> None:
    fields = proposed_fields(card(scans, line(NAME, "caption"), line(CLUB, "club", 61), line("coll. Ray", "", 20)))
    assert (fields["caption"].value, fields["club"].value) == (NAME, CLUB)
    assert {fields[name].origin for name in ("caption", "club", "caption_place")} == {READ}
    assert fields["caption"].confirm  # it differs from the closest record
    assert fields["subject"].origin == "copied from V000"
    assert fields["caption_place"].value == "foot left"
    assert fields_from_json(fields_json(fields)) == fields


def test_a_mark_is_proposed_with_its_place_and_one_not_read_is_left_blank(scans: Path) -> None:
    read = proposed_fields(card(scans, line(NAME, "caption"), line(MARK, "mark")))["mark"]
    assert (read.value, read.origin) == (f"{MARK} (foot left)", READ)
    blank = proposed_fields(card(scans, line(NAME, "caption")))["mark"]
    assert (blank.value, blank.confirm) == ("", True)


def test_a_mark_is_proposed_with_its_frame_where_that_was_seen(scans: Path) -> None:
    oval = replace(line(MARK, "mark"), form="oval")
    assert proposed_fields(card(scans, oval))["mark"].value == f"{MARK} (oval, foot left)"


def test_a_new_mark_that_says_what_the_known_one_says_is_proposed_as_it_stands_here(scans: Path) -> None:
    """The known record's mark was filled in, in its own frame and place."""
    ribbon = replace(line("BRELL & CO.", "mark"), form="ribbon")
    told = proposed_fields(card(scans, ribbon, outcome="new_mark"))["mark"]
    assert (told.value, told.confirm) == ("BRELL & CO. (ribbon, foot left)", True)


def test_a_mark_that_says_what_the_closest_records_says_is_written_as_there(scans: Path) -> None:
    """A reader's full stop for a comma would make the same mark another one wherever records are listed by it."""
    told = proposed_fields(card(scans, line("BRELL & CO.", "mark")))["mark"]
    assert (told.value, told.origin, told.confirm) == ("Brell & Co.", READ, False)
    assert proposed_fields(card(scans, line("BRELL & CO.", "mark", sure=0.5)))["mark"].confirm


def test_an_issuers_line_is_no_caption_though_no_record_compared_with_bears_it(
    catalogue: Catalogue, scans: Path
) -> None:
    """On a card of a new negative the largest line was offered as its caption, and was another issuer's mark."""
    edit_record(catalogue, "V003", {"mark": f"{MARK} (oval, foot right)"}, ADA)
    path, told = photo_answer(scans, 50, "new_pose")
    lines = (line("Umpire", ""), line("QUILLORY TFA", "caption", 61))
    told = replace(told, cards=(replace(told.cards[0], lines=lines),))
    (found,) = propose(catalogue, told, path.read_bytes())
    fields = resolution.find(catalogue, found.find_id).found.fields
    assert (fields["mark"].value, fields["mark"].confirm) == ("QUILLORY TFA (foot left)", True)
    assert "caption" not in fields
    assert "caption_place" not in fields


def test_a_caption_stays_one_where_the_mark_was_read_or_no_issuer_prints_it(scans: Path) -> None:
    read = card(scans, line(MARK, "caption"), line("Brell & Co.", "mark", 20))
    assert proposed_fields(read, lambda: {MARK})["caption"].value == MARK
    assert proposed_fields(card(scans, line(NAME, "caption")), lambda: {MARK})["caption"].value == NAME
    assert proposed_fields(card(scans, line(NAME, "caption")), lambda: ())["caption"].value == NAME


def test_a_club_is_not_asked_about_where_only_its_capitals_and_gaps_are_others(scans: Path) -> None:
    found = card(scans, line("FERRY HILL R.C.", "club", 61))
    (closest,) = found.candidates
    known = replace(closest, evidence=replace(closest.evidence, club="Ferry Hill R. C."))
    told = proposed_fields(replace(found, candidates=(known,)))["club"]
    assert (told.value, told.origin, told.confirm) == ("Ferry Hill R. C.", READ, False)
    other = proposed_fields(replace(found, candidates=(known,), lines=(line("FERRY HALL R.C.", "club", 61),)))["club"]
    assert (other.value, other.confirm) == ("FERRY HALL R.C.", True)


def test_a_card_like_one_without_a_mark_is_proposed_without_one_unless_one_was_read(scans: Path) -> None:
    found = card(scans, line(NAME, "caption"))
    (closest,) = found.candidates
    bare = replace(closest, evidence=replace(closest.evidence, mark="none"))
    told = proposed_fields(replace(found, candidates=(bare,)))["mark"]
    assert (told.value, told.origin, told.confirm) == ("none", "copied from V000", False)
    read = replace(found, candidates=(bare,), lines=(line(NAME, "caption"), line(MARK, "mark")))
    assert proposed_fields(read)["mark"].value == f"{MARK} (foot left)"


def test_a_line_read_without_certainty_is_to_be_confirmed_though_it_agrees(scans: Path) -> None:
    known = card(scans).closest
    assert known is not None
    for sure, confirm in ((0.99, False), (0.7, True)):
        read = line(known.caption, "caption", sure=sure)
        assert proposed_fields(card(scans, read))["caption"].confirm == confirm


def test_accepting_as_read_takes_over_what_was_read_and_nothing_else(catalogue: Catalogue, scans: Path) -> None:
    path, told = photo_answer(scans, 50, "new_caption", pose="P000", crop="A")
    lines = (line(NAME, "caption"), line(CLUB, "club", 61))
    told = replace(told, cards=(replace(told.cards[0], lines=lines),))
    (found,) = propose(catalogue, told, path.read_bytes())
    assert code_of(accept, catalogue, found.find_id, ADA) == "missing_value"
    fields = resolution.find(catalogue, found.find_id).found.fields
    accept(catalogue, found.find_id, ADA, RecordFields(club="Ferry Hill B. C.").with_read(fields))
    record = catalogue.record("V004")
    assert (record.caption, record.club, record.caption_place) == (NAME, "Ferry Hill B. C.", "foot left")


@pytest.mark.parametrize("outcome", ["new_mark", "new_caption"])
def test_both_kinds_of_new_words_become_finds(catalogue: Catalogue, scans: Path, outcome: str) -> None:
    path, told = photo_answer(scans, 50, outcome, pose="P000", crop="A")
    (found,) = propose(catalogue, told, path.read_bytes())
    assert found.outcome == outcome


def test_a_new_mark_keeps_the_records_words_and_never_its_mark(catalogue: Catalogue, scans: Path) -> None:
    closest = card(scans, outcome="new_mark").candidates
    wanted, _ = as_closest(catalogue, "new_mark", closest, RecordFields())
    assert wanted.caption == catalogue.record("V000").caption
    assert wanted.mark is None


def test_a_find_whose_mark_is_new_is_no_record_until_somebody_says_the_mark(catalogue: Catalogue, scans: Path) -> None:
    """Accepted without, it was a second record of the known card, told from it by nothing."""
    path, told = photo_answer(scans, 50, "new_mark", pose="P000", crop="A")
    (found,) = propose(catalogue, told, path.read_bytes())
    words = RecordFields(caption=NAME)
    assert code_of(accept, catalogue, found.find_id, ADA, words) == "missing_value"
    accept(catalogue, found.find_id, ADA, replace(words, mark="none"))
    assert catalogue.record("V004").mark == "none"


def test_a_club_left_blank_is_told_with_what_was_read_on_the_card(catalogue: Catalogue, scans: Path) -> None:
    closest = card(scans, outcome="new_caption").candidates
    club = catalogue.record("V000").club
    assert club
    _, told = as_closest(catalogue, "new_caption", closest, RecordFields(caption=NAME), "Other Hill B. C.")
    assert f"the club was left blank; on this card 'Other Hill B. C.' was read, V000 says {club!r}: if one" in told


@pytest.mark.parametrize("outcome", ["new_caption", "new_pose"])
def test_a_club_that_was_not_read_is_told_as_left_blank(catalogue: Catalogue, scans: Path, outcome: str) -> None:
    """But where somebody has said that none is printed, and where the words are known, there is nothing to tell."""
    closest = card(scans, outcome=outcome).candidates
    _, told = as_closest(catalogue, outcome, closest, RecordFields(caption=NAME))
    assert "the club was left blank; none was read on this card" in told
    assert "platekin records edit RECORD --set club=..." in told
    assert "blank" in as_closest(catalogue, outcome, (), RecordFields(caption=NAME))[1]
    for club in ("", CLUB):
        assert "blank" not in as_closest(catalogue, outcome, closest, RecordFields(caption=NAME, club=club))[1]
    assert "blank" not in as_closest(catalogue, "new_crop", closest, RecordFields())[1]
