"""Each script is a door of a few lines, and opens."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SCRIPTS = sorted(path for path in (ROOT / "scripts").iterdir() if path.suffix != ".sh")


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda path: path.name)
def test_a_script_says_what_it_does(script: Path, tmp_path: Path) -> None:
    own = {"PLATEKIN_ENVIRONMENT": sys.prefix, "PYTHONPATH": str(ROOT)}
    done = subprocess.run(
        [script, "--help"], cwd=tmp_path, env=os.environ | own, capture_output=True, text=True, timeout=120
    )
    assert done.returncode == 0, done.stderr
    assert len(done.stdout) > 100


def test_a_script_is_a_door_and_says_at_its_head_what_for() -> None:
    for script in SCRIPTS:
        lines = script.read_text("utf-8").splitlines()
        assert len(lines) <= 14, script.name
        assert lines[1].startswith("# "), script.name
        assert '. "$(dirname "$0")/environment.sh"' in lines, script.name


def test_ci_runs_what_a_contributor_runs() -> None:
    lines = [line for line in (ROOT / ".ci" / "run").read_text("utf-8").splitlines() if not line.startswith("#")]
    assert lines == ['exec "$(dirname "$0")/../scripts/test"']
    assert "scripts/check" in (ROOT / "scripts" / "test").read_text("utf-8")
    for tool in ('ruff" format --check', 'ruff" check', "mypy", "lint-imports"):
        assert tool in (ROOT / "scripts" / "check").read_text("utf-8")
