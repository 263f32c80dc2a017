"""What a person is told to do where pictures of two poses are one negative."""

from __future__ import annotations

from matcher.core.reference_set import KnownRecord, KnownReference
from matcher.jobs.doubts import Doubt, each_merge_once

SITTERS = {"P0100": "Oscar Dunnelby", "P0101": "Sitter 1", "P0102": "Sitter 1"}


def doubted(one: str, other: str) -> Doubt:
    pair = tuple(
        KnownReference(int(pose[1:]), KnownRecord(f"V{pose[1:]}", SITTERS[pose], pose, "A", "words"), 0.5)
        for pose in (one, other)
    )
    return Doubt(pair[0].id, pair[0].record.record_id, "elsewhere", f"{one} shows {other}", "as it was found", pair)


def test_what_merges_two_poses_is_told_once_and_can_be_done_in_its_order() -> None:
    """Each of three poses was to be merged into the next, in a circle, and two sitters cannot be merged so."""
    outline = Doubt(7, "V0007", "outline", "is wide", "look at it")
    circle = [doubted("P0101", "P0100"), doubted("P0102", "P0101"), outline, doubted("P0100", "P0101")]
    first, second, other = each_merge_once(circle)
    subjects = "platekin subjects merge 'Sitter 1' 'Oscar Dunnelby', then platekin poses merge "
    assert f"{subjects}P0101 P0100;" in first.todo
    assert f"{subjects}P0102 P0100;" in second.todo  # P0101 is P0100 by then
    assert other == outline


def test_poses_of_one_sitter_are_merged_into_the_one_that_was_enrolled_first() -> None:
    (told,) = each_merge_once([doubted("P0101", "P0102"), doubted("P0102", "P0101")])
    assert "if they are one negative: platekin poses merge P0102 P0101;" in told.todo
