"""The climb: which references are asked, and when others are asked as well."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import pytest

from matcher.core.ladder.candidate import Candidate
from matcher.core.ladder.verification import REFERENCES_PER_CROP, crops_again
from matcher.core.reference_set import KnownReference
from tests.core.ladder.test_ladder import candidate


class Bench:
    """Stands for the comparison: every reference's crop probability is given, and it is noted who was asked."""

    def __init__(self, *rows: tuple[str, str, float]) -> None:
        """rows: record, crop, probability; the reference's number is its place, from 1."""
        self.asked: list[int] = []
        self.all = [numbered(n, candidate(record, "P1", crop, 0.99, p)) for n, (record, crop, p) in enumerate(rows, 1)]
        self.references = SimpleNamespace(of_pose=lambda pose: tuple(one.reference for one in self.all))

    def register(self, known: KnownReference) -> Candidate:
        return replace(self.all[known.id - 1], crop=None)

    def crop(self, found: Candidate) -> Candidate:
        self.asked.append(found.reference.id)
        return self.all[found.reference.id - 1]

    def best(self) -> float:
        """Probability of the best crop when the first reference of each has been asked."""
        firsts = {one.record.crop: one for one in reversed(self.all)}
        found = crops_again(self, list(firsts.values()))  # type: ignore[arg-type]
        return max(one.crop_probability for one in found)


def numbered(number: int, found: Candidate) -> Candidate:
    return replace(found, reference=replace(found.reference, id=number))


def test_a_reference_that_was_outlined_badly_does_not_make_a_new_crop() -> None:
    bench = Bench(("V1", "A", 0.01), ("V2", "A", 0.99), ("V3", "A", 0.97), ("V4", "B", 0.02))
    assert bench.best() == pytest.approx(0.99)
    assert bench.asked == [2]  # the first that is certain ends it


def test_a_certain_crop_asks_no_more() -> None:
    bench = Bench(("V1", "A", 0.98), ("V2", "A", 0.5))
    assert bench.best() == pytest.approx(0.98)
    assert not bench.asked


def test_a_new_crop_is_new_against_every_crop_and_few_are_asked_of_each() -> None:
    rows = [(f"V{crop}{n}", crop, 0.02) for crop in "ABCDE" for n in range(6)]
    bench = Bench(*rows)
    assert bench.best() < 0.05
    assert len(bench.asked) == 3 * (REFERENCES_PER_CROP - 1)
