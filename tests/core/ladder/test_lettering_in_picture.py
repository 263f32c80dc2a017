"""Words printed upon the picture are no part of it: another mark there is no other exposure, nor does it hide one.

Truth comes from the drawing: marks laid on one invented picture, and on the picture of a moment later.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from matcher.core.align.view import View
from matcher.core.calibration import Calibration
from matcher.core.card_lines import BoxMm
from matcher.core.flatten import Face
from matcher.core.ladder.candidate import Candidate
from matcher.core.ladder.verification import verify
from matcher.core.reference_set import KnownRecord
from tests.core.align.test_print_area import on_mount
from tests.core.ladder.test_mark import NEGATIVE, marked
from tests.core.ladder.test_verification import InMemory
from tests.support.faces import face_of, moved_spot

SIDE = (18.0, 28.0)
THERE: BoxMm = (4.0, 22.0, 32.0, 33.0)


@dataclass
class Told:
    """Lettering that is known, in place of a reader's; it is noted of whom it was asked."""

    boxes: tuple[BoxMm, ...]
    asked: int = 0

    def in_picture(self, candidate: Candidate) -> Sequence[BoxMm]:
        self.asked += 1
        return self.boxes


def pose_of(query: Face, lettering: Told | None, reference: Face) -> Candidate:
    known = InMemory([reference], [KnownRecord("V1", "Some One", "P1", "A", "")])
    view = View(query)
    (found,) = verify(view, known, Calibration.load(), known.search(view.description), lettering=lettering)
    return found


def printed(form: str, seed: int) -> Face:
    return marked(form=form, at=SIDE, times=2.2, seed=seed)  # type: ignore[arg-type]


def test_a_mark_of_another_form_in_the_picture_is_no_other_exposure() -> None:
    query, reference = printed("ribbon", 2), printed("oval", 1)
    alone, told = pose_of(query, None, reference), pose_of(query, Told((THERE,)), reference)
    assert alone.pose_probability < 0.5
    assert told.pose_probability > 0.9
    assert "lettering and mount do not count" in (told.pose.words if told.pose else "")


def test_what_has_moved_beside_the_lettering_is_still_another_exposure() -> None:
    later: NDArray[np.uint8] = moved_spot(NEGATIVE, (260.0, 620.0), 90.0, (9.0, 5.0))
    found = pose_of(face_of(later, noise=4, seed=2), Told((THERE,)), printed("oval", 1))
    assert found.pose_probability < 0.1


def test_a_print_pasted_a_little_otherwise_beside_a_rule_is_no_other_exposure() -> None:
    """The rule on the mount, and its edge, had 'moved': 'another exposure' at 1 %."""
    reference = on_mount("oval", by=(0.0, 0.0), noise=1)
    for shift in (0.6, -0.6):
        found = pose_of(on_mount("oval", by=(shift, 0.3), noise=2), None, reference)
        assert found.pose_probability > 0.9


def test_another_picture_on_the_same_mount_is_another_exposure() -> None:
    for kind, seed in (("oval", 62), ("rectangle", 63), ("rectangle", 64)):
        told = Told((THERE,))
        found = pose_of(on_mount(kind, seed=seed, noise=2), told, on_mount(kind, seed=61, noise=1))
        assert found.pose_probability < 0.25
        assert told.asked == 0  # their mounts agree, the pictures do not


def test_lettering_is_asked_only_where_no_pose_is_certain() -> None:
    told = Told((THERE,))
    found = pose_of(face_of(NEGATIVE, noise=4, seed=2), told, face_of(NEGATIVE, noise=4, seed=1))
    assert found.pose_probability > 0.97
    assert told.asked == 0


def test_where_no_lettering_is_found_the_picture_is_judged_once() -> None:
    query, reference, told = printed("ribbon", 2), printed("oval", 1), Told(())
    assert pose_of(query, told, reference).pose_probability == pose_of(query, None, reference).pose_probability
    assert told.asked == 1
