"""The whole demo, from drawing to answers, on a seed that nothing was tuned on: the same command that README shows."""

from __future__ import annotations

import csv
import json
from math import sqrt
from pathlib import Path

import pytest
from typer.testing import CliRunner

from matcher.cli import app
from matcher.core.answer_json import from_json
from reference_demo.score import score

HELD_OUT_SEED = 4711

FEWER = "wrongly called known"
"""Of which fewer are better; of all others more."""

MEASURED = {
    "right record first, record enrolled": (37, 38),
    "right pose first, pose enrolled": (56, 56),
    "right pose first, residual contrast 15 %": (15, 15),
    "right outcome, all kinds": (62, 74),
    "right outcome, known": (30, 38),
    FEWER: (1, 74),
}
"""Counted with this seed on 2026-11-29, captions in ten places and six letterings beside two issuers' marks; with
captions in one place and one lettering 65 and 34 were right on 2026-11-28. Of the eight known cards that are missed now
six have 18 % of their contrast or less."""


def twice_the_error(right: int, of: int) -> float:
    """Two standard errors of a share (binomial); of one at the end of the scale, those of half a case from it.

    >>> round(twice_the_error(50, 100), 3), round(twice_the_error(50, 50), 3)
    (0.1, 0.028)
    """
    share = min(max(right / of, 0.5 / of), 1 - 0.5 / of)
    return 2 * sqrt(share * (1 - share) / of)


@pytest.mark.slow
def test_the_demo_runs_and_answers_no_worse_than_measured(tmp_path: Path) -> None:
    arguments = ["demo", "--output", str(tmp_path), "--seed", str(HELD_OUT_SEED), "--no-pictures"]
    result = CliRunner().invoke(app, arguments)
    assert result.exit_code == 0, result.output
    assert "does not authenticate" in result.stdout
    with (tmp_path / "set" / "truth.csv").open(encoding="utf-8", newline="") as file:
        truth = list(csv.DictReader(file))
    answers = [from_json(json.loads(line)) for line in (tmp_path / "results.jsonl").read_text().splitlines()]
    found = {what: (right, of) for what, right, of in score(truth, answers).rows()}
    print(found)
    assert {what: of for what, (_, of) in found.items() if what in MEASURED} == {
        w: of for w, (_, of) in MEASURED.items()
    }
    missed = [what for what, (right, of) in MEASURED.items() if not _holds(what, found[what][0], right, of)]
    assert not missed, {what: found[what] for what in missed}


def _holds(what: str, now: int, then: int, of: int) -> bool:
    worse = now - then if what == FEWER else then - now
    return worse / of <= twice_the_error(then, of)


def test_the_gates_let_no_more_through_than_chance() -> None:
    """How many fewer than measured are still taken: 56 of 74 outcomes, two wrongly called known."""
    let_through = {
        what: max(k for k in range(of) if _holds(what, then + k if what == FEWER else then - k, then, of))
        for what, (then, of) in MEASURED.items()
    }
    assert let_through == {
        "right record first, record enrolled": 1,
        "right pose first, pose enrolled": 1,
        "right pose first, residual contrast 15 %": 1,
        "right outcome, all kinds": 6,
        "right outcome, known": 5,
        FEWER: 1,
    }
