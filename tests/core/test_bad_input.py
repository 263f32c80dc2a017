"""Bad input through the command itself: it says what is wrong, where, and what to do, and leaves all as it was."""

from __future__ import annotations

import shutil
import sqlite3
import subprocess
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from api.app import create_app
from api.settings import ServiceSettings
from matcher.catalogue import Catalogue
from matcher.catalogue.exchange.bag import export_bag
from matcher.catalogue.exchange.check import check
from matcher.catalogue.exchange.log_io import content_digest
from matcher.core.errors import CatalogueError
from tests.conftest import Platekin
from tests.support.enrolling import mounted
from tests.support.service import TestClient

HEADER = b"record_id,subject,pose,crop,caption,image\n"


@pytest.fixture
def mine(tmp_path: Path, stock: Path) -> Iterator[Path]:
    """A catalogue of four records, which is the same afterwards."""
    folder = Path(shutil.copytree(stock / "catalogue", tmp_path / "mine"))
    before = state(folder)
    yield folder
    assert state(folder) == before
    with Catalogue.open(folder) as catalogue:
        assert check(catalogue) == ()
    assert not list(tmp_path.rglob("*.part"))


def state(folder: Path) -> str:
    with Catalogue.open(folder) as catalogue, catalogue.reading() as connection:
        return content_digest(connection)


@pytest.mark.parametrize(
    ("table", "code", "says"),
    [
        (HEADER + b'V9,a,P9,A,"words,a.png\n', 2, ("line 2", "quotation mark")),
        (HEADER + b"V9,Zo\xeb\0\1,P9,A,words,a.png\n", 2, ("it holds zero bytes", "CSV UTF-8")),
        (HEADER.decode().encode("utf-16"), 2, ("no rows below the header",)),
        (HEADER.replace(b",", b"/"), 2, ("no column record_id", "--map")),
        (HEADER, 2, ("no rows below the header",)),
        (HEADER.replace(b"image", b"image,image") + b"V9,a,P9,A,w,a.png,b.png\n", 2, ("two columns are called image",)),
        (HEADER + b"V000,Sitter 0,P000,A,other,scan0.png\n", 1, ("line 2: record V000 has caption 'other'", "correct")),
        (HEADER + b"V9,a,P9,A,w,a.png,surplus\n", 1, ("line 2: more cells than the header", "quotation marks")),
        (HEADER + b"V9,a,P9,A,w,nowhere.png\n", 1, ("nowhere.png: there is no such file", "V9 was not stored")),
    ],
)
@pytest.mark.parametrize("command", ["enrol", "import"])  # an old name is answered, and obeyed
def test_a_broken_table(
    mine: Path, tmp_path: Path, platekin: Platekin, command: str, table: bytes, code: int, says: tuple[str, ...]
) -> None:
    path = tmp_path / "theirs.csv"
    path.write_bytes(table)
    ended, told = platekin(command, path, "--catalogue", mine)
    assert ended == code, told
    assert all(words in told for words in says), told
    assert str(path) in told or "nowhere" in told


@pytest.mark.parametrize("name", ["huge.csv", "huge.jsonl"])
def test_a_table_of_a_gigabyte_is_refused_by_its_size(
    mine: Path, tmp_path: Path, platekin: Platekin, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    with (tmp_path / name).open("wb") as stream:
        stream.truncate(1_000_000_000)  # a hole: it takes no room
    read = Path.read_bytes
    monkeypatch.setattr(Path, "read_bytes", lambda one: pytest.fail("it was read") if one.name == name else read(one))
    ended, told = platekin("enrol", tmp_path / name, "--catalogue", mine)
    assert (ended, "1,000 MB, more than 100 MB" in told) == (2, True), told


def test_a_log_or_bag_of_another_catalogue(mine: Path, tmp_path: Path, platekin: Platekin) -> None:
    with Catalogue.open(tmp_path / "other", create=True) as other:
        export_bag(other, tmp_path / "bag")
    for words in (("decisions", "replay", tmp_path / "bag" / "data" / "decisions.jsonl"), ("enrol", tmp_path / "bag")):
        ended, told = platekin(*words, "--catalogue", mine)
        assert ended == 1
        assert "another catalogue" in told
        assert "what to do: " in told


def test_a_bag_without_an_image_or_beside_its_manifest(mine: Path, tmp_path: Path, platekin: Platekin) -> None:
    with Catalogue.open(mine) as catalogue:
        export_bag(catalogue, tmp_path / "bag")
    first, second, *_ = sorted((tmp_path / "bag" / "data" / "images").rglob("*.png"))
    first.unlink()
    second.write_bytes(b"another")
    (tmp_path / "bag" / "data" / "more.txt").write_text("x")
    ended, told = platekin("enrol", tmp_path / "bag", "--catalogue", tmp_path / "again")
    assert ended == 1
    for kind, path in (("missing", first), ("changed", second)):  # all of it, not only the first
        assert f"{kind}: {path.relative_to(tmp_path / 'bag')}" in told
    assert "unlisted: data/more.txt" in told
    assert not (tmp_path / "again").exists()  # no empty catalogue is left behind


def test_a_catalogue_of_a_newer_version(tmp_path: Path, stock: Path, platekin: Platekin) -> None:
    folder = Path(shutil.copytree(stock / "catalogue", tmp_path / "newer"))
    with closing(sqlite3.connect(folder / "catalogue.sqlite")) as connection, connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
    before = (folder / "catalogue.sqlite").read_bytes()
    for words in (
        ("enrol", stock / "RECORDS.csv"), ("records", "list"), ("finds", "list"), ("decisions", "undo"),
        ("export", tmp_path / "bag"), ("backup", tmp_path / "copy"), ("scarcity",),
    ):  # fmt: skip
        ended, told = platekin(*words, "--catalogue", folder)
        assert ended == 1, words
        assert "made by a newer version" in told
        assert "what to do: upgrade platekin" in told
    with pytest.raises(CatalogueError) as caught, TestClient(create_app(ServiceSettings(catalogue=folder))):
        pass
    assert caught.value.code == "newer_version"
    assert (folder / "catalogue.sqlite").read_bytes() == before
    assert not (tmp_path / "bag").exists()
    assert not (tmp_path / "copy").exists()


def test_a_disk_that_fills_up_while_a_bag_comes_in(mine: Path, tmp_path: Path, platekin: Platekin) -> None:
    with Catalogue.open(mine) as catalogue:
        export_bag(catalogue, tmp_path / "bag")
    if not shutil.which("mount"):
        pytest.skip("no mount command here")
    for disk in mounted(tmp_path / "small", "-t", "tmpfs", "-o", "size=700k", "none"):
        ended, told = platekin("enrol", tmp_path / "bag", "--catalogue", disk / "again")
        assert ended == 1
        assert "the disk is full" in told
        assert "what to do: free some space" in told
        subprocess.run(["mount", "-o", "remount,size=20m", str(disk)], check=True)
        with Catalogue.open(disk / "again", create=True) as again:
            assert again.records() == ()
        assert list((disk / "again").rglob("*.png")) == []
        platekin_again = platekin("enrol", tmp_path / "bag", "--catalogue", disk / "again")
        assert platekin_again[0] == 0, platekin_again
        with Catalogue.open(disk / "again") as again:
            assert check(again) == ()
            assert len(again.records()) == 4
