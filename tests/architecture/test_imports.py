"""Which room imports which: the contracts of pyproject.toml, and what the core loads."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
HEAVY = {
    "sqlalchemy",
    "alembic",
    "fastapi",
    "starlette",
    "uvicorn",
    "pydantic",
    "typer",
    "rich",
    "jinja2",
    "matplotlib",
}


def test_the_contracts_hold() -> None:
    command = "from importlinter.cli import lint_imports_command; lint_imports_command()"
    arguments = ["--no-cache", "--no-logo"]
    done = subprocess.run([sys.executable, "-c", command, *arguments], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout
    assert " 0 broken" in done.stdout


@pytest.mark.parametrize("module", ["matcher.core", "matcher.core.identify", "matcher.core.answer_json"])
def test_the_core_loads_no_database_no_http_and_no_command_line(module: str) -> None:
    command = f"import sys, {module}; print(*sorted({{name.split('.')[0] for name in sys.modules}}))"
    done = subprocess.run([sys.executable, "-c", command], cwd=ROOT, capture_output=True, text=True, check=True)
    loaded = set(done.stdout.split())
    assert "matcher" in loaded
    assert not loaded & HEAVY
