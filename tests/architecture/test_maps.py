"""The docstring of a package is its map: every module of it stands there, and nothing that is not there."""

from __future__ import annotations

import importlib
import re
from pathlib import Path

import pytest

MAPPED = [
    "matcher.lab",
    *(f"matcher.lab.{room}" for room in ("synthesis", "evaluation", "training", "benchmarks")),
    "matcher.catalogue",
    *(f"matcher.catalogue.{room}" for room in ("tables", "log", "records", "finds", "exchange")),
    "matcher.jobs.listing",
    *(f"matcher.core.{room}" for room in ("detect", "align", "search", "parallel")),
]


@pytest.mark.parametrize("package", MAPPED)
def test_a_map_names_every_module_of_its_package(package: str) -> None:
    module = importlib.import_module(package)
    assert module.__doc__
    assert module.__file__
    folder = Path(module.__file__).parent
    there = {path.stem for path in folder.glob("*.py")} | {path.parent.name for path in folder.glob("*/__init__.py")}
    named = re.findall(r"^    ([a-z_]+)  ", module.__doc__, re.MULTILINE)
    assert sorted(named) == sorted(there - {"__init__"})
