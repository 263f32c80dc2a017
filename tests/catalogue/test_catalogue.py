"""The catalogue folder: opening, versions, locks and rights, failures with a name."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import create_engine

from matcher.catalogue import Catalogue, undo_redo
from matcher.catalogue.exchange.check import check
from matcher.catalogue.log.decisions import person
from matcher.catalogue.records.files import only_writer
from matcher.catalogue.tables import migrate
from matcher.catalogue.tables.database import URL_VARIABLE, guarded
from matcher.catalogue.tables.given_ids import next_id
from matcher.catalogue.tables.models import Base, Reference, description_columns
from matcher.core.errors import CatalogueError
from tests.support.enrolling import change, mounted, run


@pytest.fixture
def database() -> str:
    """This file is about the SQLite file and its folder; what holds for both databases is in the other files."""
    return "sqlite"


def code_of(folder: Path, create: bool = False) -> str:
    with pytest.raises(CatalogueError) as caught:
        Catalogue.open(folder, create=create)
    assert str(folder) in caught.value.message or "DATABASE_URL" in caught.value.message
    assert caught.value.remedy
    return caught.value.code


# Versions


def test_head_is_the_newest_revision() -> None:
    assert ScriptDirectory.from_config(migrate._config()).get_heads() == [migrate.HEAD]


def test_the_revisions_make_what_the_mappings_say() -> None:
    with create_engine("sqlite://").begin() as connection:
        migrate.upgrade(connection)
        assert compare_metadata(MigrationContext.configure(connection), Base.metadata) == []
        assert migrate.state_of(connection) == "current"


def test_a_newer_version_is_refused(folder: Path) -> None:
    change(folder, "UPDATE alembic_version SET version_num = '9999'")
    assert code_of(folder) == "newer_version"
    assert code_of(folder, create=True) == "newer_version"


def test_a_killed_creation_is_no_catalogue_and_can_be_finished(tmp_path: Path) -> None:
    (tmp_path / "catalogue.sqlite").touch()
    assert code_of(tmp_path) == "not_a_catalogue"
    with Catalogue.open(tmp_path, create=True) as catalogue:
        assert catalogue.counts().records == 0
    with Catalogue.open(tmp_path) as catalogue:
        assert catalogue.records() == ()


def test_an_older_catalogue_is_taken_over_without_loss(folder: Path) -> None:
    """A database of revision 0001 with the same rows: nothing is lost, and the log tells it from the beginning."""
    with Catalogue.open(folder) as catalogue:
        wanted = catalogue.records(), catalogue.references()
        descriptions = {i: description_columns(d) for i, d in catalogue.descriptions()}
    rows = old_rows(folder)
    (folder / "catalogue.sqlite").unlink()
    engine = create_engine(f"sqlite:///{folder / 'catalogue.sqlite'}")
    with engine.begin() as connection:
        migrate.upgrade(connection, "0001")
        for table, values in rows:
            names = ", ".join(f'"{name}"' for name in values)
            marks = ", ".join("?" * len(values))
            connection.exec_driver_sql(f'INSERT INTO "{table}" ({names}) VALUES ({marks})', tuple(values.values()))
    engine.dispose()
    with Catalogue.open(folder) as catalogue:
        assert (catalogue.records(), catalogue.references()) == wanted
        assert {i: description_columns(d) for i, d in catalogue.descriptions()} == descriptions
        log = catalogue.decisions()
        assert [(row.actor, row.action) for row in log] == [("machine", "taken_over")] * 4
        assert check(catalogue) == ()
        undo_redo.undo(catalogue, [2], person("Ada Quill"))
        assert len(catalogue.records()) == 3
        with catalogue.writing(), catalogue.deciding(person("Ada Quill"), "edit") as entry:
            assert entry.draft.give(Reference) == 7
            assert next_id(entry.draft.connection, "record", "V00001") == "V004"
            assert next_id(entry.draft.connection, "pose", "P0001") == "P002"


def old_rows(folder: Path) -> list[tuple[str, dict[str, object]]]:
    """The rows as revision 0001 kept them."""
    new = ("series", "mark", "caption_place", "format", "seen_on", "outline", "digest")
    with sqlite3.connect(folder / "catalogue.sqlite") as connection:
        connection.row_factory = sqlite3.Row
        described = {(r["sha256"], r["outline"]): dict(r) for r in connection.execute("SELECT * FROM descriptions")}
        rows = []
        for table in ("records", "copies", "references"):
            for stored in connection.execute(f'SELECT * FROM "{table}"'):
                values = dict(stored)
                if table == "references":
                    values |= described[values["sha256"], values["outline"]]
                rows.append((table, {name: value for name, value in values.items() if name not in new}))
    connection.close()
    return rows


# What is not a catalogue


def test_refuses_what_is_no_catalogue(tmp_path: Path) -> None:
    assert code_of(tmp_path / "nowhere") == "not_a_catalogue"
    assert code_of(tmp_path) == "not_a_catalogue"
    assert not list(tmp_path.iterdir())  # opening made nothing
    (tmp_path / "file").touch()
    assert code_of(tmp_path / "file") == "not_a_catalogue"
    assert code_of(tmp_path / "file", create=True) == "not_a_catalogue"
    (tmp_path / "text").mkdir()
    (tmp_path / "text" / "catalogue.sqlite").write_text("not a database, but of some length" * 60)
    assert code_of(tmp_path / "text") == "not_a_catalogue"
    (tmp_path / "other").mkdir()
    change(tmp_path / "other", "CREATE TABLE stamps (id INTEGER)")
    assert code_of(tmp_path / "other") == code_of(tmp_path / "other", create=True) == "not_a_catalogue"


def read_all(folder: Path) -> None:
    with Catalogue.open(folder) as catalogue:
        catalogue.records()
        list(catalogue.descriptions())


def test_a_damaged_database_says_so(folder: Path) -> None:
    path = folder / "catalogue.sqlite"
    data = bytearray(path.read_bytes())
    data[8192:] = os.urandom(len(data) - 8192)
    path.write_bytes(data)
    with pytest.raises(CatalogueError) as caught:
        read_all(folder)
    assert caught.value.code == "damaged"


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (OSError(28, "No space left on device"), "disk_full"),
        (OSError(122, "Disk quota exceeded"), "disk_full"),
        (OSError(30, "Read-only file system"), "read_only"),
        (PermissionError(13, "Permission denied"), "read_only"),
        (OSError(5, "Input/output error"), "damaged"),
    ],
)
def test_names_failures_of_files(tmp_path: Path, error: OSError, code: str) -> None:
    with pytest.raises(CatalogueError) as caught, guarded(tmp_path):
        raise error
    assert caught.value.code == code


def test_another_database_by_url(tmp_path: Path, scans: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(URL_VARIABLE, f"sqlite:///{tmp_path / 'elsewhere.sqlite'}")
    report = run(scans / "RECORDS.csv", scans / "catalogue")
    assert report.references == 6
    assert not (scans / "catalogue" / "catalogue.sqlite").exists()
    with Catalogue.open(scans / "catalogue") as catalogue:
        assert catalogue.counts().references == 6
    monkeypatch.setenv(URL_VARIABLE, "no address")
    assert code_of(scans / "catalogue") == "not_a_catalogue"


# Locks and rights


def test_a_database_locked_by_another_program(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("matcher.catalogue.tables.database.BUSY_SECONDS", 0.1)
    other = sqlite3.connect(folder / "catalogue.sqlite", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with Catalogue.open(folder) as catalogue:
        assert catalogue.counts().records == 4  # reading goes on
        with pytest.raises(CatalogueError) as caught:
            catalogue.remove_record("V000")
    other.close()
    assert caught.value.code == "locked"
    with Catalogue.open(folder) as catalogue, catalogue.writing():
        assert all(catalogue.image_path(r).exists() for r in catalogue.references())


def test_removing_waits_for_nobody(folder: Path) -> None:
    with Catalogue.open(folder) as catalogue, only_writer(folder), pytest.raises(CatalogueError) as caught:
        catalogue.remove_record("V000")
    assert caught.value.code == "locked"


@pytest.fixture
def read_only(folder: Path) -> Iterator[Path]:
    """The catalogue, seen through a mount that may not be written: root ignores mere permissions."""
    if not shutil.which("mount"):
        pytest.skip("no mount command here")
    for path in mounted(folder.parent / "seen", "--bind", str(folder)):
        subprocess.run(["mount", "-o", "remount,bind,ro", str(path)], check=True)
        yield path


def test_a_read_only_catalogue_can_be_read(read_only: Path, folder: Path) -> None:
    shutil.rmtree(folder / "faces")
    with Catalogue.open(read_only) as catalogue:
        assert catalogue.counts().references == 6
        assert catalogue.face(catalogue.references()[0]).pixels.shape == (640, 368, 3)
        with pytest.raises(CatalogueError) as caught:
            catalogue.remove_record("V000")
        assert caught.value.code == "read_only"
        with Catalogue.open(folder) as writer:  # now a log is there, and is read
            writer.remove_record("V000")
            with Catalogue.open(read_only) as second:
                assert second.counts().records == 3


def test_enrolling_into_a_read_only_folder(read_only: Path, scans: Path) -> None:
    with pytest.raises(CatalogueError) as caught:
        run(scans / "RECORDS.csv", read_only)
    assert caught.value.code == "read_only"
    assert code_of(read_only / "new", create=True) == "read_only"
