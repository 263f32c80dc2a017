"""The whole demo, from drawing to answers, on a seed that nothing was tuned on: the same command that README shows."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from matcher.cli import app
from reference_demo.score import score

HELD_OUT_SEED = 4711


@pytest.mark.slow
def test_the_demo_runs_and_answers_no_worse_than_measured(tmp_path: Path) -> None:
    arguments = ["demo", "--output", str(tmp_path), "--seed", str(HELD_OUT_SEED), "--no-pictures"]
    result = CliRunner().invoke(app, arguments)
    assert result.exit_code == 0, result.output
    assert "does not authenticate" in result.stdout
    with (tmp_path / "set" / "truth.csv").open(encoding="utf-8", newline="") as file:
        truth = list(csv.DictReader(file))
    answers = [json.loads(line) for line in (tmp_path / "results.jsonl").read_text().splitlines()]
    shares = {what: right / total for what, right, total in score(truth, answers).rows() if total}
    print(shares)
    assert len(truth) >= 60
    assert shares["right pose first, pose enrolled"] >= 0.95
    assert shares["right pose first, residual contrast 15 %"] >= 0.90
    # Below the figures that README reports for the usual seed, by what 74 photos of another seed may scatter.
    assert shares["right record first, record enrolled"] >= 0.78
    assert shares["right outcome, all kinds"] >= 0.62
    assert shares["wrongly called known"] <= 0.08
