"""The folder that the README speaks of, drawn once a run."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from matcher.catalogue.records.enrol import enrol
from matcher.catalogue.tables.database import URL_VARIABLE
from tests.docs.documents import block_with, text_of
from tests.docs.drawn_folder import draw_folder


@pytest.fixture(scope="session")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder before the README's first command, with its table and listing; copied, never changed."""
    folder, readme = tmp_path_factory.mktemp("readme"), text_of("README.md")
    draw_folder(folder, block_with(readme, "record_id,"), block_with(readme, "Rowing card"))
    return folder


@pytest.fixture
def readers(drawn: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of that folder, in which the test works."""
    monkeypatch.delenv(URL_VARIABLE, raising=False)
    monkeypatch.chdir(shutil.copytree(drawn, tmp_path / "readers"))
    return tmp_path / "readers"


@pytest.fixture
def enrolled(readers: Path) -> Path:
    """The same, with the catalogue `my-cards`."""
    assert enrol("cards.csv", "my-cards", workers=0).added == 3
    return readers
