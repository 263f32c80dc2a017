"""Verification: which references are asked, on which rungs, and when others are asked as well."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pytest

from matcher.core.align.alignment import Alignment
from matcher.core.align.view import View
from matcher.core.calibration import Calibration
from matcher.core.describe import Description, describe
from matcher.core.flatten import Face
from matcher.core.ladder import verification
from matcher.core.ladder.candidate import Candidate
from matcher.core.ladder.copy import CopyFinding
from matcher.core.ladder.settings import LadderSettings
from matcher.core.ladder.verification import (
    crops_again,
    every_caption,
    every_crop,
    first_of_each_pose,
    poses_again,
    verify,
)
from matcher.core.reference_set import KnownRecord, KnownReference, Reading, Written
from matcher.core.search.reference_index import Hit
from matcher.core.settings import FaceSize
from tests.core.ladder.test_ladder import UNSCALED, candidate
from tests.support.faces import face_of, picture, window

SETTINGS = LadderSettings()
LIMITS = SETTINGS.verification
FITS = Alignment(np.eye(3), 50, 0.9, 0.1, 1.0, "orb")


@dataclass
class Known:
    """The references of a test: everything about them is given, nothing is measured."""

    rows: list[Candidate]

    def known(self, reference_id: int) -> KnownReference | None:
        return next((row.reference for row in self.rows if row.reference.id == reference_id), None)

    def of_pose(self, pose: str) -> tuple[KnownReference, ...]:
        found = [row.reference for row in self.rows if row.record.pose == pose]
        return tuple(sorted(found, key=lambda known: -known.legibility))


@dataclass
class Scripted:
    """Stands for the `Verifier`: each rung finds what the row says, and it is noted who was asked for what."""

    references: Known
    asked: list[tuple[str, int]] = field(default_factory=list)
    thorough: list[bool] = field(default_factory=list)
    calibration: Calibration = UNSCALED
    settings: LadderSettings = SETTINGS
    bare: set[str] = field(default_factory=set)

    def of(self, rung: str) -> list[int]:
        return sorted(number for name, number in self.asked if name == rung)  # two threads ask in any order

    def of_each(
        self, work: Callable[[KnownReference], Candidate], references: Sequence[KnownReference]
    ) -> list[Candidate]:
        return [work(known) for known in references]

    def _row(self, rung: str, number: int) -> Candidate:
        self.asked.append((rung, number))
        return next(row for row in self.references.rows if row.reference.id == number)

    def register(self, known: KnownReference, start: object = None, thorough: bool = True) -> Candidate:
        self.thorough.append(thorough)
        return Candidate(known, self._row("register", known.id).alignment)

    def sees_picture(self, known: KnownReference) -> bool:
        return known.legibility >= LIMITS.seen

    def in_picture(self, known: KnownReference) -> int:
        return 7

    def transform(self, found: Candidate) -> object:
        return found.alignment.transform if found.alignment else None

    def pose(self, found: Candidate) -> Candidate:
        return found if found.pose else replace(found, pose=self._row("pose", found.reference.id).pose)

    def crop(self, found: Candidate) -> Candidate:
        return replace(found, crop=self._row("crop", found.reference.id).crop)

    def same_crop(self, found: Candidate, lead: Candidate) -> Candidate:
        return replace(found, crop=lead.crop)

    def caption(self, found: Candidate) -> Candidate:
        return replace(found, caption=self._row("caption", found.reference.id).caption)

    def copy(self, found: Candidate) -> Candidate:
        self._row("copy", found.reference.id)
        return replace(found, copy=CopyFinding(0.5, 0.0, 0.0, {}))


def scripted(*rows: Candidate, legibility: tuple[float, ...] = ()) -> Scripted:
    """The rows numbered from 1; legibility falls from row to row unless it is given."""
    given = legibility or tuple(1 - 0.01 * n for n in range(len(rows)))
    numbered = [
        replace(row, reference=replace(row.reference, id=n, legibility=legible))
        for n, (row, legible) in enumerate(zip(rows, given, strict=True), 1)
    ]
    return Scripted(Known(numbered))


def hits(*inliers: int) -> list[Hit]:
    return [Hit(number, float(count), count, False) for number, count in enumerate(inliers, 1)]


# Poses


def test_of_each_pose_the_most_legible_of_those_that_match_nearly_best_is_registered() -> None:
    rows = [candidate(f"V{n}", pose, "A", 0.5) for n, pose in enumerate(("P1", "P1", "P1", "P2"))]
    verifier = scripted(*rows, legibility=(0.3, 0.6, 0.9, 0.5))
    found = first_of_each_pose(verifier, hits(100, 60, 49, 40))  # type: ignore[arg-type]
    assert [one.reference.id for one in found] == [2, 4]  # the third matches less than half as well


def test_no_more_poses_are_registered_than_the_settings_say_and_few_of_them_thoroughly() -> None:
    verifier = scripted(*(candidate(f"V{n}", f"P{n}", "A", 0.5) for n in range(9)))
    found = first_of_each_pose(verifier, hits(*[50] * 9))  # type: ignore[arg-type]
    assert [one.record.pose for one in found] == [f"P{n}" for n in range(LIMITS.poses)]
    assert verifier.thorough == [True] * LIMITS.thorough + [False] * (LIMITS.poses - LIMITS.thorough)


def test_once_a_pose_is_certain_only_near_twins_are_registered() -> None:
    poses = (0.99, 0.4, 0.4)
    verifier = scripted(*(candidate(f"V{n}", f"P{n}", "A", p) for n, p in enumerate(poses)))
    found = first_of_each_pose(verifier, hits(100, 90, 20))  # type: ignore[arg-type]
    assert verifier.of("register") == [1, 2]
    assert not found[2].alignment
    assert found[2].pose is None
    assert "nearly certain" in found[2].alignment.reason


def test_beside_a_pose_that_shares_much_those_that_share_hardly_anything_are_not_registered() -> None:
    """Whatever the first turns out to be: had the card another's picture, it would share more with that one."""
    rows = [candidate(f"V{n}", f"P{n}", "A", 0.1) for n in range(3)]
    found = first_of_each_pose(verifier := scripted(*rows), hits(LIMITS.many, LIMITS.many // 2, LIMITS.many // 6))
    assert verifier.of("register") == [1, 2]
    assert "shares far more" in found[2].alignment.reason
    few = scripted(*rows)
    first_of_each_pose(few, hits(LIMITS.many - 1, 5, 5))  # too few to rule anything out
    assert few.of("register") == [1, 2, 3]
    failed = scripted(replace(rows[0], alignment=Alignment.failed("no transform"), pose=None), *rows[1:])
    first_of_each_pose(failed, hits(LIMITS.many, 5, 5))  # what could not be compared rules nothing out either
    assert failed.of("register") == [1, 2, 3]


def test_features_of_the_words_alone_are_no_resemblance_where_both_pictures_are_to_be_seen() -> None:
    """Cards of different sitters share 100 to 190 features by mount, issuer's line and caption alone."""
    rows = [
        replace(candidate(f"V{n}", f"P{n}", "A", 0.1), alignment=Alignment.failed("lost"), pose=None) for n in (1, 2)
    ]
    verifier = scripted(*rows, legibility=(LIMITS.seen, LIMITS.seen - 0.01))
    assert [one.matches for one in first_of_each_pose(verifier, hits(130, 90))] == [7, 90]  # type: ignore[arg-type]
    fits = scripted(candidate("V1", "P1", "A", 0.1))
    assert first_of_each_pose(fits, hits(130))[0].matches == 130  # type: ignore[arg-type]


def test_a_reference_that_was_removed_since_is_passed_over() -> None:
    verifier = scripted(candidate("V1", "P1", "A", 0.5))
    found = first_of_each_pose(verifier, [Hit(77, 99.0, 99, False), *hits(50)])  # type: ignore[arg-type]
    assert [one.reference.id for one in found] == [1]


@pytest.mark.parametrize(("probability", "asked"), [(0.5, LIMITS.references_per_pose - 1), (0.99, 0), (0.01, 0)])
def test_other_references_are_asked_only_about_a_pose_in_doubt(probability: float, asked: int) -> None:
    verifier = scripted(*(candidate(f"V{n}", "P1", "A", probability) for n in range(8)))
    first = verifier.references.rows[0]
    found = poses_again(verifier, [first])  # type: ignore[arg-type]
    assert verifier.of("pose") == list(range(2, 2 + asked))
    assert len(found) == 1 + asked


# Crops


def test_every_crop_of_the_pose_is_measured_once() -> None:
    rows = [candidate(f"V{n}", "P1", crop, 0.99, 0.1) for n, crop in enumerate("AABBC")]
    verifier = scripted(*rows, candidate("V9", "P2", "D", 0.1, 0.9))
    registered = [replace(row, crop=None) for row in verifier.references.rows[:2]]
    found = every_crop(verifier, registered, "P1")  # type: ignore[arg-type]
    assert verifier.of("register") == [3, 5]  # the first of B and of C; A is registered twice already
    assert verifier.of("crop") == [1, 3, 5]
    assert [one.record.crop for one in found if one.crop] == ["A", "B", "C"]


def test_a_crop_is_measured_by_a_reference_that_could_be_registered() -> None:
    verifier = scripted(*(candidate(f"V{n}", "P1", "A", 0.99, 0.9) for n in range(2)))
    lost, fine = (replace(row, crop=None) for row in verifier.references.rows)
    found = every_crop(verifier, [replace(lost, alignment=Alignment.failed("lost")), fine], "P1")  # type: ignore[arg-type]
    assert verifier.of("crop") == [2]
    assert found[0].crop is None


def best_crop(verifier: Scripted) -> float:
    """Probability of the best crop when the first reference of each has been asked."""
    firsts = {one.record.crop: one for one in reversed(verifier.references.rows)}
    return max(one.crop_probability for one in crops_again(verifier, list(firsts.values())))  # type: ignore[arg-type]


def crops(*rows: tuple[str, str, float]) -> Scripted:
    """rows: record, crop, its probability."""
    return scripted(*(candidate(record, "P1", crop, 0.99, p) for record, crop, p in rows))


def test_a_reference_that_was_outlined_badly_does_not_make_a_new_crop() -> None:
    verifier = crops(("V1", "A", 0.01), ("V2", "A", 0.99), ("V3", "A", 0.97), ("V4", "B", 0.02))
    assert best_crop(verifier) == pytest.approx(0.99)
    assert verifier.of("crop") == [2]  # the first that is certain ends it


def test_a_certain_crop_asks_no_more() -> None:
    verifier = crops(("V1", "A", 0.98), ("V2", "A", 0.5))
    assert best_crop(verifier) == pytest.approx(0.98)
    assert not verifier.asked


def test_a_new_crop_is_new_against_every_crop_and_few_are_asked_of_each() -> None:
    verifier = crops(*((f"V{crop}{n}", crop, 0.02) for crop in "ABCDE" for n in range(6)))
    assert best_crop(verifier) < 0.05
    assert len(verifier.of("crop")) == LIMITS.crops_again * (LIMITS.references_per_crop - 1)


# Captions


def test_a_second_reference_is_asked_only_where_the_first_leaves_the_caption_in_doubt() -> None:
    sure = [candidate("V1", "P1", "A", 0.99, 0.98, 0.97)] * 3
    open_ = [candidate("V2", "P1", "A", 0.99, 0.98, 0.5)] * 3
    verifier = scripted(*sure, *open_)
    found = every_caption(verifier, [verifier.references.rows[0]], verifier.references.rows[0])  # type: ignore[arg-type]
    assert verifier.of("caption") == [1, 4, 5]
    assert [one.reference.id for one in found] == [1, 4, 5]


def test_only_the_crop_that_leads_is_asked_for_its_captions() -> None:
    verifier = scripted(
        candidate("V1", "P1", "A", 0.99, 0.98, 0.02),
        candidate("V2", "P1", "B", 0.99, 0.1, 0.9),
        candidate("V3", "P1", "A", 0.99, 0.98, 0.97),
        candidate("V4", "P2", "A", 0.99, 0.98, 0.97),
    )
    first, other = verifier.references.rows[:2]
    found = every_caption(verifier, [first, other], first)  # type: ignore[arg-type]
    assert verifier.of("caption") == [1, 3]
    assert found[1] == other  # as it was


def test_the_copy_is_judged_for_the_likeliest_record_alone() -> None:
    verifier = scripted(*(candidate(f"V{n}", "P1", "A", 0.99, 0.98, p) for n, p in enumerate((0.02, 0.97, 0.03))))
    found = every_caption(verifier, [verifier.references.rows[0]], verifier.references.rows[0])  # type: ignore[arg-type]
    assert verifier.of("copy") == [2]
    assert [one.copy is not None for one in found] == [False, True, False]
    assert found[1].pose is not None  # the likeliest one's pose is judged as well, though its crop's lead settled it


def test_no_more_records_are_compared_than_the_settings_say() -> None:
    verifier = scripted(*(candidate(f"V{n}", "P1", "A", 0.99, 0.98, 0.02) for n in range(LIMITS.captions + 5)))
    every_caption(verifier, [], verifier.references.rows[0])  # type: ignore[arg-type]
    assert len(verifier.of("caption")) == LIMITS.captions


# All of it, on faces


@dataclass
class InMemory:
    """The smallest reference set: faces, and records in their order."""

    faces: list[Face]
    records: list[KnownRecord]
    threads: set[int] = field(default_factory=set)

    @property
    def sizes(self) -> tuple[FaceSize, ...]:
        return (FaceSize(),)

    def search(self, description: Description) -> tuple[Hit, ...]:
        return tuple(hits(*[80 - 10 * n for n in range(len(self.faces))]))

    def known(self, reference_id: int) -> KnownReference | None:
        return KnownReference(reference_id, self.records[reference_id - 1], 0.5)

    def of_pose(self, pose: str) -> tuple[KnownReference, ...]:
        numbers = [n for n, record in enumerate(self.records, 1) if record.pose == pose]
        return tuple(KnownReference(n, self.records[n - 1], 0.5) for n in numbers)

    def face(self, reference_id: int) -> Face:
        self.threads.add(threading.get_ident())
        return self.faces[reference_id - 1]

    def read(self, reference_id: int, reading: Reading[Written]) -> Written:
        return reading.read(self.face(reference_id))

    def description(self, reference_id: int) -> Description:
        return describe(self.face(reference_id))


def of_two_sitters() -> tuple[View, InMemory]:
    """A card, and references of its words and others, of another crop, and of another sitter."""
    shown, other = picture(61), picture(62)
    records = [
        KnownRecord("V1", "Some One", "P1", "A", "J. Kelwick"),
        KnownRecord("V2", "Some One", "P1", "A", "Wm. Corvane"),
        KnownRecord("V3", "Some One", "P1", "B", "J. Kelwick"),
        KnownRecord("V4", "Another", "P2", "A", "J. Kelwick"),
    ]
    faces = [
        face_of(shown, noise=2, caption="J. Kelwick", seed=1),
        face_of(shown, noise=2, caption="Wm. Corvane", seed=2),
        face_of(shown, window(1.2), noise=2, caption="J. Kelwick", seed=3),
        face_of(other, noise=2, caption="J. Kelwick", seed=4),
    ]
    return View(face_of(shown, noise=2, caption="J. Kelwick", seed=5)), InMemory(faces, records)


def test_a_face_is_verified_against_references_that_no_catalogue_holds() -> None:
    view, references = of_two_sitters()
    found = {
        one.record.record_id: one for one in verify(view, references, UNSCALED, references.search(view.description))
    }
    assert set(found) == {"V1", "V2", "V3", "V4"}
    assert found["V1"].pose_probability > 0.9 > 0.1 > found["V4"].pose_probability
    assert found["V1"].crop_probability > 0.9 > 0.1 > found["V3"].crop_probability
    assert (found["V1"].caption_probability or 0) > 0.9 > 0.1 > (found["V2"].caption_probability or 0)
    assert found["V1"].copy is not None
    assert found["V2"].copy is None
    assert found["V4"].crop is None


def test_two_threads_find_what_one_does_and_ask_the_references_on_one(monkeypatch: pytest.MonkeyPatch) -> None:
    """A connection of Python's sqlite3 serves the thread that opened it alone, unless it is told otherwise
    (`check_same_thread`)."""
    view, references = of_two_sitters()
    both = verify(view, references, UNSCALED, references.search(view.description))
    assert references.threads == {threading.get_ident()}
    monkeypatch.setattr(verification, "side_by_side", lambda work, items: list(map(work, items)))
    one = verify(view, references, UNSCALED, references.search(view.description))
    assert [found_of(candidate) for candidate in both] == [found_of(candidate) for candidate in one]


def found_of(one: Candidate) -> tuple[object, ...]:
    told = (one.pose, one.crop, one.caption, one.copy)
    return (one.record.record_id, one.alignment.transform.tolist(), *(found and found.probability for found in told))


def test_a_reference_that_stands_on_its_head_is_compared_the_right_way_up() -> None:
    shown, captions = picture(61), ("J. Kelwick", "Wm. Corvane")
    records = [KnownRecord(f"V{n}", "Some One", "P1", "A", words) for n, words in enumerate(captions, 1)]
    faces = [face_of(shown, noise=2, caption=words, seed=seed) for seed, words in enumerate(captions)]
    turned = InMemory([faces[0], faces[1].half_turn()], records)
    query = face_of(shown, noise=2, caption=captions[0], seed=5)
    view = View(query)
    found = {one.record.record_id: one for one in verify(view, turned, UNSCALED, turned.search(view.description))}
    assert min(one.crop_probability for one in found.values()) > 0.9
    assert (found["V1"].caption_probability or 0) > 0.9 > 0.1 > (found["V2"].caption_probability or 0)
    # The transform leads to the reference as it is stored: the query's first corner lies on its last one.
    far = found["V2"].alignment.transform @ [0, 0, 1]
    assert far[:2] / far[2] == pytest.approx([query.size.width - 1, query.size.height - 1], abs=2)
