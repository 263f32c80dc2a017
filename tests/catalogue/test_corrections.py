"""Merging, splitting, copies, scarcity, gaps, names, crop maps; each undone again; on both databases."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from matcher.catalogue import Catalogue, RecordRow, undo_redo
from matcher.catalogue.exchange.check import check
from matcher.catalogue.finds.resolution import RecordFields, accept, find, merge
from matcher.catalogue.finds.sightings import join_copy, note_sightings, part_copy, sightings
from matcher.catalogue.log.decisions import person
from matcher.catalogue.records import corrections, name_search
from matcher.catalogue.records.name_search import Names, NameSearch
from matcher.catalogue.records.scarcity import gaps, plot, scarcity
from matcher.catalogue.records.series import all_series, set_series
from matcher.catalogue.reference_set import CatalogueReferences
from matcher.core.errors import CatalogueError
from matcher.jobs.crop_map import crop_map, map_crops
from tests.support.cards import a_find, photo_answer
from tests.support.history import rows

ADA = person("Ada Quill")


def undone(catalogue: Catalogue, before: Any, number: int) -> None:
    """The decision can be undone and redone, and the catalogue is whole each time."""
    after = rows(catalogue)
    assert after != before
    undo_redo.undo(catalogue, [number], ADA)
    assert rows(catalogue) == before
    undo_redo.redo(catalogue, [number], ADA)
    assert rows(catalogue) == after
    assert check(catalogue) == ()


def test_merged_records_keep_what_hung_on_both(catalogue: Catalogue, scans: Path) -> None:
    found = a_find(catalogue, scans, 50)
    merge(catalogue, found.find_id, "V003", ADA, copy="first")
    before = rows(catalogue)
    with CatalogueReferences.open(catalogue.folder) as references:
        decision = corrections.merge_records(catalogue, "V003", "V000", ADA, note="one after all")
        references.refresh()
        assert {known.record.record_id for known in references.of_pose("P001")} == {"V002"}
        assert len(references.of_pose("P000")) == 6
    assert [(r.id, r.copy) for r in catalogue.references("V000")] == [
        (1, "first"), (2, "second"), (5, None), (6, None), (7, "first (V003)"),
    ]  # fmt: skip
    assert find(catalogue, found.find_id).record_id == "V000"
    undone(catalogue, before, decision.number)


def test_a_split_record_takes_its_references_along(catalogue: Catalogue, scans: Path) -> None:
    before = rows(catalogue)
    decision = corrections.split_record(catalogue, "V000", [2], "V009", {"caption": "other words"}, ADA)
    assert [(r.id, r.copy) for r in catalogue.references("V009")] == [(2, "second")]
    assert catalogue.record("V009").caption == "other words"
    assert catalogue.record("V009").club == "Oakmere"
    undone(catalogue, before, decision.number)


def test_poses_are_merged_and_split(catalogue: Catalogue) -> None:
    before = rows(catalogue)
    decision = corrections.split_pose(catalogue, "P000", ["V001"], "P009", ADA)
    assert catalogue.record("V001").pose == "P009"
    undone(catalogue, before, decision.number)
    before = rows(catalogue)
    decision = corrections.merge_poses(catalogue, "P009", "P000", ADA, {"B": "C"})
    assert (catalogue.record("V001").pose, catalogue.record("V001").crop) == ("P000", "C")
    undone(catalogue, before, decision.number)


def test_two_names_are_one_sitter(catalogue: Catalogue) -> None:
    before = rows(catalogue)
    decision = corrections.merge_subjects(catalogue, "Sitter 1", "Sitter 0", ADA)
    assert {record.subject for record in catalogue.records()} == {"Sitter 0"}
    undone(catalogue, before, decision.number)
    corrections.add_spelling(catalogue, "Sitter 0", "Zoë Quillory", ADA)
    assert NameSearch.of(catalogue).find("zoe quilory")[0].record.subject == "Sitter 0"


def test_a_record_is_put_right(catalogue: Catalogue) -> None:
    before = rows(catalogue)
    decision = corrections.edit_record(catalogue, "V000", {"caption": "put right", "series": "S1"}, ADA)
    assert catalogue.record("V000").caption == "put right"
    undone(catalogue, before, decision.number)
    set_series(catalogue, "S1", {"title": "Oakmere cards", "width_mm": "36.5"}, ADA)
    set_series(catalogue, "S1", {"years": "1888-1890"}, ADA)
    assert [row.outcome for row in catalogue.decisions(about="S1")] == [
        "series S1: title, width_mm",
        "series S1: years",
    ]


def test_series_are_listed_with_what_names_them(catalogue: Catalogue) -> None:
    corrections.edit_record(catalogue, "V000", {"series": "S2"}, ADA)
    made = set_series(catalogue, "S1", {"title": "Oakmere cards", "width_mm": "36.5"}, ADA)
    described, named = all_series(catalogue)
    assert (described.series, described.title, described.width_mm, described.records) == (
        "S1",
        "Oakmere cards",
        "36.5",
        0,
    )
    assert (named.series, named.title, named.records) == ("S2", "", 1)
    undo_redo.undo(catalogue, [made.number], ADA)
    assert all_series(catalogue) == (named,)


@pytest.mark.parametrize(
    ("decide", "code"),
    [
        (lambda c: corrections.merge_records(c, "V000", "V000", ADA), "clash"),
        (lambda c: corrections.merge_records(c, "V999", "V000", ADA), "no_such_record"),
        (lambda c: corrections.split_record(c, "V000", [2], "V001", {"caption": "x"}, ADA), "clash"),
        (lambda c: corrections.split_record(c, "V000", [2], "V009", {}, ADA), "clash"),  # the same variation twice
        (lambda c: corrections.split_record(c, "V000", [3], "V009", {"caption": "x"}, ADA), "no_such_reference"),
        (lambda c: corrections.split_record(c, "V000", [], "V009", {"caption": "x"}, ADA), "no_such_reference"),
        (lambda c: corrections.split_record(c, "V000", [1, 2], "V009", {"caption": "x"}, ADA), "clash"),
        (lambda c: corrections.merge_poses(c, "P001", "P000", ADA), "clash"),  # two sitters
        (lambda c: corrections.split_pose(c, "P000", ["V000", "V001"], "P009", ADA), "clash"),
        (lambda c: corrections.split_pose(c, "P000", ["V000"], "P001", ADA), "clash"),
        (lambda c: corrections.merge_subjects(c, "Nobody", "Sitter 0", ADA), "no_such_record"),
        (lambda c: corrections.add_spelling(c, "Sitter 0", "Sitter 1", ADA), "clash"),
        (lambda c: corrections.edit_record(c, "V000", {"colour": "x"}, ADA), "missing_value"),
        (lambda c: corrections.edit_record(c, "V000", {"pose": " "}, ADA), "missing_value"),
        (lambda c: corrections.edit_record(c, "V000", {"subject": "Another"}, ADA), "clash"),
        (lambda c: corrections.edit_record(c, "V000", {"crop": "A"}, ADA), "nothing_changed"),
        (lambda c: set_series(c, "S1", {"width_mm": "wide"}, ADA), "missing_value"),
        (lambda c: set_series(c, " ", {"title": "x"}, ADA), "missing_value"),
        (lambda c: join_copy(c, "sighting", 9, "x", ADA), "no_such_sighting"),
        (lambda c: join_copy(c, "reference", 1, None, ADA), "missing_value"),
        (lambda c: map_crops(c, "P999"), "no_such_record"),
    ],
)
def test_what_cannot_be_is_told_and_changes_nothing(
    catalogue: Catalogue, decide: Callable[[Catalogue], Any], code: str
) -> None:
    before = rows(catalogue), catalogue.last_decision()
    with pytest.raises(CatalogueError) as caught:
        decide(catalogue)
    assert caught.value.code == code
    assert caught.value.remedy
    assert (rows(catalogue), catalogue.last_decision()) == before


def test_poses_of_two_sitters_are_merged_after_these_by_a_command_that_is_named(catalogue: Catalogue) -> None:
    with pytest.raises(CatalogueError) as caught:
        corrections.merge_poses(catalogue, "P001", "P000", ADA)
    assert caught.value.remedy.endswith("platekin subjects merge 'Sitter 1' 'Sitter 0'")
    corrections.merge_subjects(catalogue, "Sitter 1", "Sitter 0", ADA)
    corrections.merge_poses(catalogue, "P001", "P000", ADA, {"A": "D", "B": "E"})
    assert not [row for row in catalogue.records() if row.pose == "P001"]


# Copies


def a_sighting(catalogue: Catalogue, scans: Path, seed: int, copy: float, reference: str = "1") -> int:
    path, told = photo_answer(
        scans, seed, "known", record_id="V000", closest="V000", reference=reference, confidence={"copy": copy}
    )
    decision = note_sightings(catalogue, told, path.read_bytes(), ADA, source="sale", seen_on="1991")
    assert decision is not None
    return sightings(catalogue)[-1].id


def test_a_sighting_is_joined_by_a_person_only(catalogue: Catalogue, scans: Path) -> None:
    number = a_sighting(catalogue, scans, 60, copy=0.9)
    (row,) = sightings(catalogue, open_only=True)
    assert (row.suggested_reference, row.suggested_probability, row.copy, row.confirmed) == (1, 0.9, None, False)
    join_copy(catalogue, "sighting", number, None, ADA)
    (row,) = sightings(catalogue, "V000")
    assert (row.copy, row.confirmed, row.who) == ("first", True, "Ada Quill")
    assert sightings(catalogue, open_only=True) == ()
    part_copy(catalogue, "sighting", number, ADA)
    assert sightings(catalogue)[0].copy is None
    assert check(catalogue) == ()


def test_a_suggested_reference_without_a_copy_gets_one(catalogue: Catalogue, scans: Path) -> None:
    reference = catalogue.references("V001")[0]
    path, told = photo_answer(
        scans, 61, "known", record_id="V001", closest="V001", reference=str(reference.id), confidence={"copy": 0.8}
    )
    note_sightings(catalogue, told, path.read_bytes(), ADA)
    assert note_sightings(catalogue, told, path.read_bytes(), ADA) is None  # noted already
    join_copy(catalogue, "sighting", 1, None, ADA)
    assert catalogue.reference(reference.id).copy == sightings(catalogue)[0].copy == f"copy of reference {reference.id}"


def test_scarcity_counts_what_is_certain_and_what_may_be(catalogue: Catalogue, scans: Path, tmp_path: Path) -> None:
    a_sighting(catalogue, scans, 60, copy=0.9)
    a_sighting(catalogue, scans, 61, copy=0.1)
    join_copy(catalogue, "sighting", 1, None, ADA)
    found = {row.record.record_id: row for row in scarcity(catalogue)}
    assert (found["V000"].seen, found["V000"].at_least, found["V000"].at_most) == (4, 2, 3)
    assert found["V000"].first == "1991"
    assert found["V000"].best >= found["V000"].worst == 0.41  # type: ignore[operator]
    assert (found["V003"].seen, found["V003"].at_least, found["V003"].at_most) == (2, 1, 2)
    plot(tuple(found.values()), tmp_path / "plot.svg")
    assert b"<!-- different copies -->" in (tmp_path / "plot.svg").read_bytes()
    for name, code in (("plot.svg", "target_exists"), ("plot.txt", "bad_target")):
        with pytest.raises(CatalogueError) as caught:
            plot((), tmp_path / name)
        assert caught.value.code == code


def test_gaps_are_named(catalogue: Catalogue, scans: Path) -> None:
    kinds = {(gap.kind, gap.about) for gap in gaps(catalogue)}
    assert ("one copy", "V001") in kinds
    assert ("one copy", "V003") not in kinds
    corrections.split_pose(catalogue, "P000", ["V001"], "P009", ADA)
    assert {("one crop", "P000"), ("one crop", "P009")} <= {(gap.kind, gap.about) for gap in gaps(catalogue)}
    turned = a_find(catalogue, scans, 50, pose="P001")
    accept(catalogue, turned.find_id, ADA, RecordFields(caption="faint"))
    with catalogue.writing(), catalogue.deciding(ADA, "edit") as entry:
        from matcher.catalogue.tables.models import Reference

        entry.draft.update(Reference, [7], facts={"residual_contrast": 0.1})
    assert ("not legible", "V004") in {(gap.kind, gap.about) for gap in gaps(catalogue)}


# Crop maps


def test_a_crop_map_belongs_to_the_catalogue(catalogue: Catalogue) -> None:
    """The invented scans share nothing, so that only the frame's own crop can be mapped."""
    decision = map_crops(catalogue, "P000")
    assert decision is not None
    assert decision.actor == "machine"
    (own,) = crop_map(catalogue, "P000")
    assert own.window_mm == (0.0, 0.0, 36.5, 63.5)
    assert map_crops(catalogue, "P000") is None  # it is what it was
    corrections.split_pose(catalogue, "P000", ["V001"], "P009", ADA)
    assert crop_map(catalogue, "P000") == ()


# Names


def test_names_are_found_however_they_are_spelt() -> None:
    records = [
        RecordRow("V1", "Oscar Dunnelby", "P1", "A", "O. DUNNELBY"),
        RecordRow("V2", "William Tarrowick", "P2", "A", "Wm. Tarrowick, Gannock Bar"),
        RecordRow("V3", "Zoë O'Neill-Bray", "P3", "A", ""),
    ]
    ready = NameSearch(records, {"William Tarrowick": ["Bill Tarrowick"]})
    for text, record_id in (
        ("oscar dunelbi", "V1"), ("tarowick wiliam", "V2"), ("bil tarrowick", "V2"), ("zoe oneil bray", "V3"),
        ("v2", "V2"),
    ):  # fmt: skip
        assert ready.find(text, 1)[0].record.record_id == record_id
    assert ready.find("  ,", 3) == ()
    assert NameSearch([], {}).find("x") == ()


def test_kept_names_know_what_was_decided_since(catalogue: Catalogue, monkeypatch: pytest.MonkeyPatch) -> None:
    names, anew = Names(catalogue), NameSearch.of

    def same_as_anew() -> None:
        for text in ("siter 0", "oakmere", "bil tarrowick", "V003", "wm zoe"):
            assert names.find(text) == anew(catalogue).find(text)

    same_as_anew()
    with monkeypatch.context() as patch:
        patch.setattr(NameSearch, "of", lambda _: pytest.fail("all records were read again"))
        corrections.edit_record(catalogue, "V001", {"caption": "Zoë Bray"}, ADA)
        same_as_anew()
        corrections.add_spelling(catalogue, "Sitter 0", "Bill Tarrowick", ADA)
        assert names.find("bil tarrowick", 1)[0].record.subject == "Sitter 0"
        same_as_anew()
        undo_redo.undo(catalogue, [catalogue.last_decision()], ADA)
        assert names.find("bil tarrowick", 1)[0].likeness < 70
        corrections.merge_subjects(catalogue, "Sitter 1", "Sitter 0", ADA)
        same_as_anew()
        catalogue.remove_record("V003", ADA)
        same_as_anew()
        undo_redo.undo(catalogue, [catalogue.last_decision()], ADA)
        same_as_anew()
    monkeypatch.setattr(name_search, "FEW", 0)  # much news: all is read anew
    corrections.edit_record(catalogue, "V001", {"caption": "Wm. Bray"}, ADA)
    same_as_anew()
