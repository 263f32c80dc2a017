"""Finds: proposed by the machine, accepted, merged or rejected by people; on both databases."""

from __future__ import annotations

from pathlib import Path

import pytest

from matcher.catalogue import Catalogue, undo_redo
from matcher.catalogue.finds.resolution import RecordFields, accept, count_finds, find, merge, propose, reject
from matcher.catalogue.log.decisions import machine, person
from matcher.catalogue.reference_set import CatalogueReferences
from tests.support.cards import a_find, photo_answer
from tests.support.history import ADA, code_of, digest


def test_an_identification_becomes_an_open_find_with_its_evidence(catalogue: Catalogue, scans: Path) -> None:
    found = a_find(catalogue, scans, 50)
    assert (found.find_id, found.state, found.outcome, found.pose) == ("F00001", "open", "new_crop", "P000")
    assert (found.source, found.seen_on, found.name) == ("album 3", "1987-05", "photo50.png")
    assert found.evidence["candidates"][0]["record_id"] == "V000"
    assert catalogue.image_path(found).read_bytes() == (scans / "photo50.png").read_bytes()
    entry = catalogue.decisions()[-1]
    assert (entry.actor, entry.action, entry.by) == ("machine", "propose", machine().name)
    assert len(catalogue.records()) == 4  # a suggestion is no record


def test_the_same_card_is_proposed_once(catalogue: Catalogue, scans: Path) -> None:
    first = a_find(catalogue, scans, 50)
    log = catalogue.last_decision()
    assert a_find(catalogue, scans, 50) == first
    assert catalogue.last_decision() == log


@pytest.mark.parametrize("outcome", ["known", "undecided", "unreadable"])
def test_other_outcomes_are_no_finds(catalogue: Catalogue, scans: Path, outcome: str) -> None:
    path, told = photo_answer(scans, 50, outcome, record_id="V000")
    before = catalogue.last_decision()
    assert propose(catalogue, told, path.read_bytes()) == ()
    assert catalogue.last_decision() == before


def test_accepting_makes_a_record_that_is_known_at_once(catalogue: Catalogue, scans: Path) -> None:
    with CatalogueReferences.open(catalogue.folder) as references:
        found = a_find(catalogue, scans, 50)
        assert len(references) == 6
        decision = accept(catalogue, found.find_id, ADA, RecordFields(caption="Oakmere", copy="mine"), note="sure")
        record = catalogue.record("V004")
        assert (record.subject, record.pose, record.crop, record.caption) == ("Sitter 0", "P000", "C", "Oakmere")
        (reference,) = catalogue.references("V004")
        assert (reference.id, reference.copy, reference.seen_on, reference.source) == (7, "mine", "1987-05", "album 3")
        assert references.refresh()
        assert not references.refresh()
        assert [hit.reference_id for hit in references.index.search(catalogue.description(reference), 1)] == [7]
        assert references.known(7).record.record_id == record.record_id  # type: ignore[union-attr]
        assert 7 in {known.id for known in references.of_pose("P000")}
        undo_redo.undo(catalogue, [decision.number], ADA)
        references.refresh()
        assert references.known(7) is None
        assert 7 not in references.index.reference_ids()
    assert (decision.actor, decision.by, decision.note) == ("person", "Ada Quill", "sure")
    assert decision.evidence["closest"]["reference"] == "1"
    with CatalogueReferences.open(catalogue.folder) as fresh:
        assert fresh.index.reference_ids() == {1, 2, 3, 4, 5, 6}


def test_a_new_pose_wants_a_subject_and_words(catalogue: Catalogue, scans: Path) -> None:
    found = a_find(catalogue, scans, 51, "new_pose")
    before = digest(catalogue)
    assert code_of(accept, catalogue, found.find_id, ADA, RecordFields(caption="x")) == "missing_value"
    assert code_of(accept, catalogue, found.find_id, ADA, RecordFields(subject="Someone")) == "missing_value"
    assert digest(catalogue) == before
    accept(catalogue, found.find_id, ADA, RecordFields(subject="Someone", caption=""))
    record = catalogue.record("V004")
    assert (record.subject, record.pose, record.crop, record.caption) == ("Someone", "P002", "A", "")


@pytest.mark.parametrize(
    "wanted",
    [
        RecordFields(record_id="V001", caption="new"),  # that id is taken
        RecordFields(subject="Another", caption="new"),  # the pose shows somebody else
        RecordFields(crop="A", caption="SITTER 0, Oakmere", club="Oakmere"),  # that variation is V000
    ],
)
def test_what_clashes_is_not_accepted(catalogue: Catalogue, scans: Path, wanted: RecordFields) -> None:
    found = a_find(catalogue, scans, 50)
    before = digest(catalogue)
    assert code_of(accept, catalogue, found.find_id, ADA, wanted) == "clash"
    assert digest(catalogue) == before


def test_merging_makes_a_further_reference(catalogue: Catalogue, scans: Path) -> None:
    found = a_find(catalogue, scans, 50)
    merge(catalogue, found.find_id, "V001", ADA)
    assert [r.name for r in catalogue.references("V001")] == ["scan1.png", "photo50.png"]
    assert find(catalogue, found.find_id).state == "merged"
    assert code_of(merge, catalogue, "F00001", "V000", ADA) == "already_decided"
    assert code_of(merge, catalogue, "F00009", "V000", ADA) == "no_such_find"


def test_a_rejected_find_stays_and_is_not_proposed_again(catalogue: Catalogue, scans: Path) -> None:
    found = a_find(catalogue, scans, 50)
    reject(catalogue, found.find_id, ADA, note="a reprint")
    assert a_find(catalogue, scans, 50).state == "rejected"
    assert (count_finds(catalogue), count_finds(catalogue, "open"), count_finds(catalogue, "rejected")) == (1, 0, 1)


def test_a_machine_decides_nothing(catalogue: Catalogue, scans: Path) -> None:
    found = a_find(catalogue, scans, 50)
    before = digest(catalogue)
    with pytest.raises(ValueError, match="the program may not accept"):
        accept(catalogue, found.find_id, machine(), RecordFields(caption="x"))
    assert digest(catalogue) == before
    assert code_of(person, " ") == "no_name"
