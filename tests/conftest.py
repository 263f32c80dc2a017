"""Databases for tests: SQLite always, and a PostgreSQL server where one was started.

`scripts/test` starts one and names it in PLATEKIN_TEST_POSTGRES. Each catalogue folder of a test gets a schema of
its own there, so that tests may make as many catalogues as they like.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import sys
import uuid
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import create_engine, make_url

from matcher.catalogue import Catalogue, undo_redo
from matcher.catalogue.exchange.log_io import export_log, replay_log
from matcher.catalogue.finds.resolution import RecordFields, accept, reject
from matcher.catalogue.tables import database as catalogue_database
from matcher.catalogue.tables.database import DATABASE, URL_VARIABLE
from matcher.cli import main
from tests.support.cards import ADA, AWKWARD, a_find
from tests.support.enrolling import run, write_scans
from tests.support.service import service, write_catalogue

SERVER = "PLATEKIN_TEST_POSTGRES"

Platekin = Callable[..., tuple[int, str]]


@pytest.fixture(params=["sqlite", "postgresql"])
def database(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """Which database the catalogues of this test are kept in; everything that uses this runs on both."""
    monkeypatch.delenv(URL_VARIABLE, raising=False)
    if request.param == "sqlite":
        yield "sqlite"
        return
    server = os.environ.get(SERVER)
    if not server:
        pytest.skip(f"no PostgreSQL server here: scripts/test starts one, or set {SERVER}")
    name = f"t{uuid.uuid4().hex[:12]}"
    with _Admin(server) as execute:
        execute(f"CREATE DATABASE {name}")
        monkeypatch.setattr(catalogue_database, "database_url", _by_folder(server, name))
        try:
            yield "postgresql"
        finally:
            execute(f"DROP DATABASE {name} WITH (FORCE)")


def _by_folder(server: str, name: str) -> Callable[[Path], object]:
    base = make_url(server).set(database=name)
    made: set[str] = set()

    def url(folder: Path) -> object:
        schema = "c" + hashlib.sha256(str(folder.resolve()).encode()).hexdigest()[:12]
        if schema not in made:
            made.add(schema)
            engine = create_engine(base)
            with engine.begin() as connection:
                connection.exec_driver_sql(f"CREATE SCHEMA IF NOT EXISTS {schema}")
            engine.dispose()
        return base.update_query_dict({"options": f"-csearch_path={schema}"})

    return url


@pytest.fixture(autouse=True)
def nobodys_settings(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    """What whoever runs the tests has told `platekin use` is neither read nor changed."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path_factory.mktemp("config")))
    monkeypatch.delenv("PLATEKIN_CATALOGUE", raising=False)


@pytest.fixture
def platekin(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Platekin:
    """Call the command; gives its exit code, and what it said on stderr."""

    def call(*words: object) -> tuple[int, str]:
        monkeypatch.setattr(sys, "argv", ["platekin", *map(str, words)])
        with pytest.raises(SystemExit) as ended:
            main()
        code = ended.value.code
        return code if isinstance(code, int) else 0, capsys.readouterr().err

    return call


@pytest.fixture(scope="session")
def stock(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a table, six scans and a catalogue of them (four records); copied, never changed."""
    folder = write_scans(tmp_path_factory.mktemp("stock") / "scans")
    run(folder / "RECORDS.csv", folder / "catalogue")
    with Catalogue.open(folder / "catalogue") as catalogue:
        export_log(catalogue, folder / "log.jsonl")
    return folder


@pytest.fixture
def scans(tmp_path: Path, stock: Path) -> Path:
    """The stock's table and scans, without a catalogue."""
    shutil.copytree(stock, tmp_path / "scans", ignore=shutil.ignore_patterns("catalogue", "log.jsonl"))
    return tmp_path / "scans"


@pytest.fixture
def folder(database: str, scans: Path, stock: Path) -> Path:
    """A catalogue of the stock: four records, six references."""
    shutil.copytree(stock / "catalogue", scans / "catalogue")
    if database != "sqlite":
        (scans / "catalogue" / DATABASE).unlink()
        with Catalogue.open(scans / "catalogue", create=True) as empty:
            replay_log(empty, stock / "log.jsonl")
    return scans / "catalogue"


@pytest.fixture
def catalogue(folder: Path) -> Iterator[Catalogue]:
    """The same, opened."""
    with Catalogue.open(folder) as opened:
        yield opened


@pytest.fixture
def lived_in(catalogue: Catalogue, scans: Path) -> Catalogue:
    """A catalogue with some history, texts that a spreadsheet would run, and an undone record."""
    a, b = a_find(catalogue, scans, 50), a_find(catalogue, scans, 51, "new_pose")
    accept(catalogue, a.find_id, ADA, RecordFields(caption=AWKWARD, copy="-mine"))
    undo_redo.undo(catalogue, [accept(catalogue, b.find_id, ADA, RecordFields(subject="Zoë", caption="")).number], ADA)
    reject(catalogue, b.find_id, ADA)
    return catalogue


@pytest.fixture(scope="session")
def library(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A catalogue of four records and five references for the service; nobody changes it."""
    return write_catalogue(tmp_path_factory.mktemp("library"))


@pytest.fixture
def client(library: Path) -> Iterator[TestClient]:
    """A client of a service on that catalogue."""
    with service(library) as client:
        yield client


class _Admin:
    """Statements outside a transaction, on the server's own database."""

    def __init__(self, server: str) -> None:
        self._engine = create_engine(server, isolation_level="AUTOCOMMIT")

    def __enter__(self) -> Callable[[str], None]:
        def execute(statement: str) -> None:
            with self._engine.connect() as connection:
                connection.exec_driver_sql(statement)

        return execute

    def __exit__(self, *_: object) -> None:
        self._engine.dispose()
