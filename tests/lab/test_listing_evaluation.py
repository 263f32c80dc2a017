"""The evaluation of listings: texts with their truth, the table's cells, sets that are drawn already, other copies."""

from __future__ import annotations

import csv
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from matcher.catalogue import RecordRow
from matcher.catalogue.records.name_search import plain
from matcher.core.describe import perceptual_hash
from matcher.core.flatten import Face
from matcher.jobs.listing.claims import Reader
from matcher.jobs.listing.vocabulary import Vocabulary
from matcher.lab.evaluation.listing_drawn import own_words, read_set
from matcher.lab.evaluation.listing_fill import another_copy
from matcher.lab.evaluation.listing_seen import CHANGES, plan_seen
from matcher.lab.evaluation.listing_set import REPORTING, TUNING, ListingSet, Words, make_set
from matcher.lab.evaluation.listing_table import cells
from matcher.lab.evaluation.listing_texts import texts_of
from matcher.lab.evaluation.negatives import Negative
from matcher.lab.evaluation.table import Cell


@pytest.fixture(scope="module")
def made() -> ListingSet:
    """Twelve sitters of three exposures each; nothing is drawn."""
    negatives = [
        Negative(f"n{s}-{k}", Path(), f"s{s}", 3 * s + k, tuple(f"n{s}-{o}" for o in range(3) if o != k))
        for s in range(12)
        for k in range(3)
    ]
    return make_set(negatives, Words.load(TUNING), 24, 5, ("",))


def test_a_third_contradict_in_one_claim(made: ListingSet) -> None:
    texts = list(texts_of(made, 6, 5))
    lies = [[one for one in text.stated if one.truth == "contradicts"] for text in texts]
    assert len(texts) == 6 * 24
    assert sum(map(bool, lies)) == pytest.approx(len(texts) / 3, abs=2)
    assert max(map(len, lies)) == 1
    assert {"subject", "pose", "crop"} <= {one.kind for found in lies for one in found}
    strange = [found for text, found in zip(texts, lies, strict=True) if text.query.kind in ("near_pose", "unknown")]
    assert not any(strange)
    assert [text.text for text in texts_of(made, 6, 5)] == [text.text for text in texts]
    assert [text.text for text in texts_of(made, 6, 6)] != [text.text for text in texts]


CAPTION_LIE = ("caption", "contradicts")


def test_a_lie_differs_from_what_the_picture_shows(made: ListingSet) -> None:
    stated = [(one, text.query.copy.shows) for text in texts_of(made, 6, 5) for one in text.stated]
    subjects = [(one.truth, one.value == shown.negative.sitter) for one, shown in stated if one.kind == "subject"]
    true = {("agrees", True), ("open", True), ("contradicts", False)}
    assert {pair for pair in subjects if pair[0] != "cannot be told"} == true
    lies = [(one.value, shown.caption.name) for one, shown in stated if (one.kind, one.truth) == CAPTION_LIE]
    assert lies
    assert not [name for value, name in lies if plain(value) == plain(name)]


def test_the_two_lists_of_words_share_nothing_that_counts() -> None:
    one, other = Words.load(TUNING), Words.load(REPORTING)
    assert not set(one.sitters) & set(other.sitters)
    for kind in ("templates", "idle", "captions", "unlisted"):
        assert not {str(text) for text in one.said[kind]} & {str(text) for text in other.said[kind]}


def test_the_reader_keeps_its_bars_on_the_words_for_tuning(made: ListingSet) -> None:
    """A guard against breaking it unawares; what is reported is measured on other words."""
    records = [
        RecordRow(
            record.record_id, record.shows.negative.sitter, record.shows.pose, record.shows.crop_name,
            record.shows.caption.name, record.shows.caption.club,
            extra={"pose_description": made.poses[record.shows.pose]["described"],
                   "crop_description": made.crops[record.shows.pose, record.shows.crop_name]["described"]},
        )
        for record in made.plan.records
    ]  # fmt: skip
    reader = Reader(Vocabulary.shipped().described_by(records), records)
    read, found = Counter[str](), Counter[str]()
    for text in texts_of(made, 4, 9):
        claims = {(claim.kind, claim.negated) for claim in reader.read(text.text).claims}
        for one in text.stated:
            read[one.kind] += 1
            found[one.kind] += (one.kind, one.denied) in claims
    assert sum(found.values()) >= 0.93 * sum(read.values())


def row(truth: str, status: str, *, kind: str = "pose", contrast: float = 0.8, value: str = "seated") -> dict[str, Any]:
    stated = {"kind": kind, "value": "seated", "truth": truth, "denied": False}
    claim = {"kind": kind, "value": value, "denied": False, "may_also_mean": [], "status": status}
    return {
        "stated": [stated], "claims": [claim], "also": [], "contrast": contrast,
        "verdict": {"step": "at odds" if status == "contradicts" else "open"},
    }  # fmt: skip


def later(kind: str, of: str, *found: str) -> dict[str, Any]:
    told = [{"kind": "same file", "where": "sighting", "name": name, "probability": 1.0, "how": ""} for name in found]
    return {"kind": kind, "of": of, "change": "cut" if kind == "reused" else None, "found": told}


def cell(found: list[Cell], what: str) -> Cell:
    (one,) = [each for each in found if each.what == what]
    return one


def test_the_cells() -> None:
    rows = [
        row("contradicts", "contradicts"),
        row("contradicts", "cannot be told"),
        row("contradicts", "cannot be told", contrast=0.15),  # too faint to count
        row("agrees", "contradicts"),
        row("cannot be told", "cannot be told"),
        row("cannot be told", "agrees"),
        row("agrees", "agrees", value="standing"),  # read, but not what is said
    ]
    seen = [later("reused", "a.jpg", "a.jpg"), later("reused", "b.jpg"), later("same card", "c.jpg", "c.jpg", "d.jpg"),
            later("other card", "")]  # fmt: skip
    found = cells(rows, seen, 100)
    assert cell(found, "claims read: precision").value == pytest.approx(6 / 7)
    assert cell(found, "claims read: recall").value == pytest.approx(6 / 7)
    assert cell(found, "contradictions found, pose, legible pictures").value == pytest.approx(1 / 2)
    assert cell(found, "contradictions found, subject and pose, all pictures").value == pytest.approx(1 / 3)
    assert cell(found, "false contradictions, of all claims").value == pytest.approx(1 / 7)
    assert cell(found, "'cannot be told' where it cannot").value == pytest.approx(1 / 2)
    assert cell(found, "reused file found among 100 sightings").value == pytest.approx(1 / 2)
    assert cell(found, "same card newly photographed found among 100 sightings").value == 1
    assert cell(found, "copy nobody has seen, called seen before").met is True
    assert cell(found, "false, of all pairs of a picture and a sighting").value == pytest.approx(1 / 400)


def test_later_pictures_repeat_sightings(made: ListingSet) -> None:
    planned = plan_seen(made.plan, 5, 8)
    names = {one.name for one in planned if one.kind == "sighting"}
    assert len(planned) == 5 * 5
    assert {one.change for one in planned if one.kind == "reused"} == set(CHANGES)
    for one in planned:
        assert (one.of in names) == (one.kind != "other card")
    same = {one.of: one.query.copy for one in planned if one.kind == "same card"}
    assert all(one.query.copy == same[one.name] for one in planned if one.kind == "sighting" and one.name in same)


def test_another_copy_resembles_the_card_and_is_not_it() -> None:
    rng = np.random.default_rng(2)
    face = np.kron(rng.integers(60, 220, (20, 12, 1), dtype=np.uint8), np.ones((32, 31, 3), np.uint8))[:640, :368]
    face = np.ascontiguousarray(face)
    copy = another_copy(face, np.random.default_rng(3))
    assert copy.shape == face.shape
    bits = np.unpackbits(perceptual_hash(Face.from_pixels(face)) ^ perceptual_hash(Face.from_pixels(copy))).sum()
    assert 0 < bits < 90


def test_a_set_that_is_drawn_already(tmp_path: Path) -> None:
    (tmp_path / "set").mkdir()
    columns = ("record_id", "subject", "pose", "crop", "caption", "club", "year")
    records = [(f"V{k}", f"Sitter {k // 2}", f"P{k}", "A", f"Sitter {k // 2}", "", "1888") for k in range(6)]
    write(tmp_path / "set" / "records.csv", columns, records)
    truths = [(f"queries/q{k}.jpg", "known", *records[k][:6], "0.5", "", "x" if k == 5 else "") for k in range(6)]
    write(
        tmp_path / "set" / "truth.csv",
        (
            "photo",
            "kind",
            "record_id",
            "subject",
            "pose",
            "crop",
            "caption",
            "club",
            "residual_contrast",
            "copy",
            "beside",
        ),
        truths,
    )
    parts = [read_set(tmp_path, Words.load(TUNING), 1, part) for part in (0, 1)]
    assert [[q.query_id for q in part.plan.queries] for part in parts] == [["q0", "q1", "q4"], ["q2", "q3"]]
    words = own_words(parts[0])
    assert set(words["poses"]) == {f"P{k}" for k in range(6)}
    assert words["poses"]["P0"] != words["poses"]["P1"]


def write(path: Path, columns: tuple[str, ...], rows: list[tuple[str, ...]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream).writerows([columns, *rows])
