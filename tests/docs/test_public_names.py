"""`from matcher import ...`: an inventory; loaded when asked for; paths as text or `Path`; one call that identifies."""

from __future__ import annotations

import ast
import subprocess
import sys
from importlib import import_module
from pathlib import Path

import numpy as np
import pytest

import matcher
from matcher import (
    Catalogue,
    CatalogueError,
    Identification,
    Settings,
    UnreadablePhoto,
    enrol,
    identify,
    read_photo,
)
from matcher.catalogue.reference_set import CatalogueReferences
from tests.support.enrolling import draw, whole_image

INVENTORY = """
    Alignment Answer BadListing BadTable Busy Candidate CaptionFinding CardAnswer CardQuad Catalogue CatalogueError
    Condition Confidence CopyFinding CropFinding EnrolReport Face FaceSize Identification KnownRecord KnownReference
    Photo PhotoAnswer PhotoLimits PlatekinError PoseFinding RecordRow ReferenceRow ReferenceSet RowOutcome Settings
    Thresholds UnreadablePhoto answer_of enrol identify read_photo to_json
"""
"""Taking one away breaks other people's programs; adding one is a promise."""

HEAVY = ("sqlalchemy", "alembic", "fastapi", "typer", "pydantic", "matplotlib")


def test_the_inventory() -> None:
    assert matcher.__all__ == INVENTORY.split()
    assert set(matcher.__all__) <= set(dir(matcher))


def test_each_name_is_what_its_home_calls_it() -> None:
    assert set(matcher._HOME) == set(matcher.__all__)
    for name, module in matcher._HOME.items():
        assert getattr(matcher, name) is getattr(import_module(module), name)
    with pytest.raises(AttributeError, match="no_such_name"):
        _ = matcher.no_such_name  # type: ignore[attr-defined]


def test_type_checkers_are_told_the_same() -> None:
    """What is imported for them alone is what `__getattr__` would find."""
    tree = ast.parse(Path(matcher.__file__).read_text(encoding="utf-8"))
    told = {
        name.name: node.module
        for guard in tree.body
        if isinstance(guard, ast.If)
        for node in guard.body
        if isinstance(node, ast.ImportFrom)
        for name in node.names
    }
    assert told == matcher._HOME


@pytest.mark.parametrize(
    "statement",
    [
        "import matcher",
        "import matcher.core",
        "from matcher import Settings, read_photo, UnreadablePhoto, ReferenceSet, Identification",
        "import pkgutil, importlib, matcher.core as core\n"
        "for found in pkgutil.walk_packages(core.__path__, 'matcher.core.'): importlib.import_module(found.name)",
    ],
)
def test_core_needs_neither_database_nor_framework(statement: str) -> None:
    asked = f"{statement}\nimport sys\nprint(sorted(set({HEAVY}) & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_a_catalogue_does_need_its_database() -> None:
    """The test above would see it."""
    asked = "from matcher import Catalogue; import sys; print('sqlalchemy' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "True"


def test_a_picture_by_text_path_and_content(tmp_path: Path) -> None:
    path = tmp_path / draw(tmp_path / "a.png", 1)
    by_path, by_text, by_content = read_photo(path), read_photo(str(path)), read_photo(path.read_bytes())
    assert by_path.sha256 == by_text.sha256 == by_content.sha256
    assert (by_path.name, by_text.name, by_content.name) == (str(path), str(path), "photo")
    with pytest.raises(UnreadablePhoto, match=r"gone\.jpg: there is no such file"):
        read_photo("gone.jpg")


def test_a_catalogue_by_text_and_path(scans: Path) -> None:
    table, folder = scans / "RECORDS.csv", scans / "made"
    assert enrol(str(table), str(folder), workers=0, prepare=whole_image, images=str(scans)).added == 6
    assert enrol(table, folder, workers=0, prepare=whole_image).unchanged == 6
    with Catalogue.open(str(folder)) as by_text, Catalogue.open(folder) as by_path:
        assert by_text.folder == by_path.folder == folder
        assert by_text.records() == by_path.records()
        lost = by_text.references()[0]
        by_text.image_path(lost).unlink()
        with by_text.writing():
            assert by_text.restore_image(lost, str(scans / lost.name))
    with CatalogueReferences.open(str(folder)) as references:
        assert len(references) == 6
    with pytest.raises(CatalogueError, match="nowhere"):
        Catalogue.open("nowhere")


def record_of(found: Identification) -> str:
    return found.cards[0].answer.candidates[0].record.record_id


@pytest.mark.usefixtures("enrolled")
def test_identifies_with_two_arguments() -> None:
    """Every way to give a photo; the references are opened once."""
    path = Path("photo.jpg")
    with Catalogue.open("my-cards") as catalogue:
        photos = (path, str(path), path.read_bytes(), read_photo(path))
        assert [record_of(identify(photo, catalogue)) for photo in photos] == ["V00001"] * 4
        opened = catalogue.reference_set
        assert isinstance(opened, CatalogueReferences)
        assert CatalogueReferences.of(catalogue) is opened


@pytest.mark.usefixtures("enrolled")
def test_takes_in_what_was_decided_since() -> None:
    with Catalogue.open("my-cards") as catalogue, Catalogue.open("my-cards") as other:
        assert record_of(identify("photo.jpg", catalogue)) == "V00001"
        other.remove_record("V00001")
        assert record_of(identify("photo.jpg", catalogue)) == "V00002"


@pytest.mark.usefixtures("enrolled")
def test_settings_are_the_catalogues_unless_given() -> None:
    with Catalogue.open("my-cards", settings=Settings(top=1)) as catalogue:
        assert len(identify("photo.jpg", catalogue).cards[0].answer.candidates) == 1
        assert len(identify("photo.jpg", catalogue, settings=Settings(top=2)).cards[0].answer.candidates) == 2


class Wrapped:
    """Another set of references than a catalogue's."""

    def __init__(self, inner: CatalogueReferences) -> None:
        self.search, self.known, self.of_pose = inner.search, inner.known, inner.of_pose
        self.face, self.description, self.sizes, self.read = inner.face, inner.description, inner.sizes, inner.read


@pytest.mark.usefixtures("enrolled")
def test_any_set_of_references_will_do() -> None:
    """It is judged with the usual settings and the shipped confidence."""
    with CatalogueReferences.open("my-cards") as references:
        plain, wrapped = (identify("photo.jpg", one).cards[0].answer for one in (references, Wrapped(references)))
    assert wrapped.outcome == plain.outcome
    assert wrapped.confidence == plain.confidence


@pytest.mark.usefixtures("enrolled")
def test_corners_name_the_only_card() -> None:
    with Catalogue.open("my-cards") as catalogue:
        found = identify("photo.jpg", catalogue).cards[0].outline.corners
        given = identify("photo.jpg", catalogue, corners=found[::-1].tolist()).cards
    assert len(given) == 1
    np.testing.assert_allclose(given[0].outline.corners, found, atol=0.01)
    assert given[0].outline.score == 1.0


def test_corners_must_be_four(catalogue: Catalogue, scans: Path) -> None:
    with pytest.raises(ValueError, match=r"\(4, 2\), not \(3, 2\)"):
        identify(scans / "scan0.png", catalogue, corners=[[0, 0], [9, 0], [9, 9]])
    with pytest.raises(UnreadablePhoto, match="outline"):
        identify(scans / "scan0.png", catalogue, corners=[[0, 0], [9, 0], [9, 9], [0, 9]])
