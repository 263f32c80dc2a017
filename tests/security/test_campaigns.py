"""The campaigns run a short number; the full numbers are run by command, see `matcher/lab/RESULTS.md`."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from matcher.core.parallel.limits import WorkLimits
from matcher.lab.campaigns import broken, contract, kills

LIMITS = WorkLimits(job_s=60.0, memory_bytes=2_500_000_000)


@pytest.mark.parametrize("form", broken.FORMATS)
def test_broken_files_are_refused_with_a_reason(form: str) -> None:
    pytest.importorskip({"HEIC": "pi_heif", "PDF": "pypdfium2"}.get(form, "PIL"))
    count = 12 if form in ("HEIC", "PDF") else 60
    tally = broken.run(broken.of_format(form, count, seed=3), workers=2, limits=LIMITS)
    assert tally.told.total() == count
    assert not [what for what in tally.told if "HANGS" in what or "UNEXPECTED" in what or "lost" in what], tally
    assert tally.most_bytes < LIMITS.memory_bytes


def test_costly_files_end_within_their_limits() -> None:
    pytest.importorskip("pypdfium2")
    tally = broken.run(broken.bombs(8, random.Random(2)), workers=2, limits=LIMITS)
    assert tally.told.total() == 8
    assert not [what for what in tally.told if "HANGS" in what or "UNEXPECTED" in what], tally
    assert tally.slowest < LIMITS.job_s + broken.SPARE_S


def test_kills_lose_nothing_that_was_acknowledged(tmp_path: Path) -> None:
    found = kills.run(tmp_path / "work", 15, seed=4, tell=lambda _: None)
    assert (found.lost, found.double, found.unclean) == ([], [], []), found.line
    assert found.acknowledged > 0


def test_the_service_keeps_to_its_description_in_sequences_too(library: Path) -> None:
    pytest.importorskip("schemathesis")
    tally = contract.run(library, examples=0, sequences=4)
    assert tally.findings == []
    assert tally.troubles == 0
    assert tally.steps >= 4
