"""What the demo takes away is what a demo made, and nobody has worked in."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from matcher.catalogue import Catalogue
from matcher.catalogue.log.decisions import person
from matcher.catalogue.records.series import set_series
from matcher.cli.demo import MARK, _make_room
from matcher.core.errors import CatalogueError


@pytest.fixture
def demo(stock: Path, tmp_path: Path) -> Path:
    """A folder as a demo leaves it."""
    folder = tmp_path / "demo-output"
    shutil.copytree(stock / "catalogue", folder / "catalogue")
    with Catalogue.open(folder / "catalogue") as made:
        (folder / MARK).write_text(json.dumps({"last_decision": made.last_decision()}))
    return folder


def test_a_demos_own_folder_is_used_again(demo: Path, tmp_path: Path) -> None:
    _make_room(demo)
    assert not (demo / "catalogue").exists()
    _make_room(tmp_path / "new" / "one")  # and so is one that is not there yet
    assert json.loads((tmp_path / "new" / "one" / MARK).read_text()) == {"last_decision": None}


def test_what_a_demo_that_was_stopped_left_is_taken_away(demo: Path) -> None:
    (demo / MARK).write_text(json.dumps({"last_decision": None}))
    _make_room(demo)
    assert not (demo / "catalogue").exists()


@pytest.mark.parametrize("mark", [None, "", "[]", "{}"])
def test_somebody_elses_catalogue_is_left_alone(demo: Path, mark: str | None) -> None:
    """`platekin demo --output .` deleted a catalogue called 'catalogue' that lay there."""
    (demo / MARK).unlink()
    if mark is not None:
        (demo / MARK).write_text(mark)
    with pytest.raises(CatalogueError) as caught:
        _make_room(demo)
    assert caught.value.code == "target_exists"
    assert (demo / "catalogue" / "catalogue.sqlite").is_file()


def test_a_demos_catalogue_that_was_worked_in_is_left_alone(demo: Path) -> None:
    with Catalogue.open(demo / "catalogue") as catalogue:
        set_series(catalogue, "S1", {"title": "A series"}, person("Ada"))
    with pytest.raises(CatalogueError) as caught:
        _make_room(demo)
    assert "something was decided in it" in caught.value.message
    assert (demo / "catalogue" / "catalogue.sqlite").is_file()
