"""The catalogue out and in again: bags, data packages, backups, checks; on both databases."""

from __future__ import annotations

import hashlib
import json
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import bagit
import pytest

from matcher.catalogue import Catalogue
from matcher.catalogue.exchange.backup import backup
from matcher.catalogue.exchange.bag import check_bag, export_bag, import_bag
from matcher.catalogue.exchange.bare import export_stripped
from matcher.catalogue.exchange.check import check
from matcher.catalogue.exchange.log_io import content_digest
from matcher.catalogue.records import store
from matcher.core.describe import Description, describe
from matcher.core.errors import BadTable, CatalogueError, PlatekinError
from matcher.core.flatten import Face
from tests.support.cards import ADA
from tests.support.enrolling import mounted, row, run, write_table


def digest(catalogue: Catalogue) -> str:
    with catalogue.reading() as connection:
        return content_digest(connection)


def contents(folder: Path) -> dict[str, str]:
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in folder.rglob("*")
        if path.is_file()
    }


def test_export_import_export_is_identical(lived_in: Catalogue, tmp_path: Path) -> None:
    export_bag(lived_in, tmp_path / "bag")
    with Catalogue.open(tmp_path / "again", create=True) as again:
        assert import_bag(again, tmp_path / "bag").decisions == lived_in.last_decision()
        assert digest(again) == digest(lived_in)
        assert check(again) == ()
        export_bag(again, tmp_path / "second")
        assert import_bag(again, tmp_path / "second").decisions == 0  # nothing new
    assert contents(tmp_path / "bag") == contents(tmp_path / "second")
    assert not list(tmp_path.glob("*.part"))


def test_others_may_decide_while_what_came_in_is_described(
    lived_in: Catalogue, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    export_bag(lived_in, tmp_path / "one")
    decided = []

    def slow(face: Face) -> Description:
        if not decided:
            with Catalogue.open(tmp_path / "again") as another:
                decided.append(another.remove_record("V003"))
        return describe(face)

    monkeypatch.setattr(store, "describe", slow)
    with Catalogue.open(tmp_path / "again", create=True) as again:
        assert import_bag(again, tmp_path / "one").lacking == 0
        assert decided
        assert len(again.records()) == len(lived_in.records()) - 1
        assert check(again) == ()


def test_a_bag_is_valid_to_bagit_and_its_package_to_frictionless(lived_in: Catalogue, tmp_path: Path) -> None:
    """BagIt: RFC 8493, by the Library of Congress' bagit; Data Package v2 by frictionless, in a process of its own."""
    export_bag(lived_in, tmp_path / "bag")
    bagit.Bag(str(tmp_path / "bag")).validate()
    package = tmp_path / "bag" / "data" / "datapackage.json"
    assert json.loads(package.read_text())["$schema"] == "https://datapackage.org/profiles/2.0/datapackage.json"
    program = (
        "import sys, frictionless; r = frictionless.validate(sys.argv[1]); "
        "print(r.flatten(['type', 'note'])); sys.exit(not r.valid)"
    )
    command = [sys.executable, "-W", "ignore", "-c", program, package.name]
    done = subprocess.run(command, cwd=package.parent, check=False, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr


def test_a_bag_that_bagit_finds_wrong_is_refused(lived_in: Catalogue, tmp_path: Path) -> None:
    export_bag(lived_in, tmp_path / "bag")
    image = next((tmp_path / "bag" / "data" / "images").rglob("*.png"))
    image.write_bytes(image.read_bytes() + b"x")
    with pytest.raises(bagit.BagError):
        bagit.Bag(str(tmp_path / "bag")).validate()
    assert [problem.kind for problem in check_bag(tmp_path / "bag")] == ["changed"]


def lose_image(bag: Path) -> None:
    next((bag / "data" / "images").rglob("*.png")).unlink()


def add_file(bag: Path) -> None:
    (bag / "data" / "extra.csv").write_text("x")


def change_table(bag: Path) -> None:
    table = bag / "data" / "records.csv"
    table.write_bytes(table.read_bytes().replace(b"Sitter 0", b"Sitter 9"))


def change_table_and_manifest(bag: Path) -> None:
    change_table(bag)
    reseal(bag)


def change_log_and_manifest(bag: Path) -> None:
    log = bag / "data" / "decisions.jsonl"
    log.write_bytes(log.read_bytes().replace(b"Sitter 0", b"Sitter 9"))
    reseal(bag)


def climb_out(bag: Path) -> None:
    manifest = bag / "manifest-sha256.txt"
    manifest.write_text(manifest.read_text() + f"{'0' * 64}  ../../outside.txt\n")
    reseal(bag, payload=False)


def hide_a_line_end(bag: Path) -> None:
    """A picture's name that, a name a line, named the catalogue's own database as a file to be taken away."""
    odd = bag / "data" / "images" / "x\ncatalogue.sqlite"
    odd.write_bytes(b"x")
    reseal(bag)
    manifest = bag / "manifest-sha256.txt"
    manifest.write_text(manifest.read_text().replace("x\n", "x%0A"))
    reseal(bag, payload=False)


def hide_a_program(bag: Path) -> None:
    (bag / "data" / "images" / "run.sh").write_text("exit")
    reseal(bag)


def exchange_pictures(bag: Path) -> None:
    one, other, *_ = sorted(path for path in (bag / "data" / "images").rglob("*") if path.is_file())
    first, second = one.read_bytes(), other.read_bytes()
    one.write_bytes(second)
    other.write_bytes(first)
    reseal(bag)


def reseal(bag: Path, payload: bool = True) -> None:
    def lines(paths: Iterator[Path]) -> str:
        return "".join(
            f"{hashlib.sha256(p.read_bytes()).hexdigest()}  {p.relative_to(bag).as_posix()}\n" for p in sorted(paths)
        )

    if payload:
        (bag / "manifest-sha256.txt").write_text(lines(p for p in (bag / "data").rglob("*") if p.is_file()))
    tags = (bag / name for name in ("bagit.txt", "bag-info.txt", "manifest-sha256.txt"))
    (bag / "tagmanifest-sha256.txt").write_text(lines(tags))


@pytest.mark.parametrize(
    ("harm", "code", "says"),
    [
        (lose_image, "bad_bag", "missing: data/images/"),
        (add_file, "bad_bag", "unlisted: data/extra.csv"),
        (change_table, "bad_bag", "changed: data/records.csv"),
        (change_table_and_manifest, "bad_bag", "records.csv differs from the log"),
        (change_log_and_manifest, "bad_log", "does not follow"),
        (climb_out, "bad_bag", "bad name: ../../outside.txt"),
        (hide_a_line_end, "bad_bag", "bad name: data/images/x\ncatalogue.sqlite"),
        (hide_a_program, "bad_bag", "bad name: data/images/run.sh"),
        (exchange_pictures, "bad_bag", "another picture than its name says: data/images/"),
        (lambda bag: (bag / "bagit.txt").unlink(), "bad_bag", "not an export of platekin"),
    ],
)
def test_a_damaged_bag_brings_nothing(
    lived_in: Catalogue, tmp_path: Path, harm: Callable[[Path], Any], code: str, says: str
) -> None:
    export_bag(lived_in, tmp_path / "bag")
    harm(tmp_path / "bag")
    with Catalogue.open(tmp_path / "again", create=True) as again:
        before = digest(again)
        with pytest.raises(BadTable, match=says) as caught:
            import_bag(again, tmp_path / "bag")
        assert caught.value.code == code
        assert digest(again) == before
        assert [path for path in (tmp_path / "again" / "images").rglob("*") if path.is_file()] == []


def test_another_catalogue_is_not_overwritten(lived_in: Catalogue, scans: Path, tmp_path: Path) -> None:
    export_bag(lived_in, tmp_path / "bag")
    run(write_table(scans / "one.csv", [row(7, "scan0.png")]), tmp_path / "other")
    with Catalogue.open(tmp_path / "other") as other:
        before = digest(other)
        with pytest.raises(CatalogueError) as caught:
            import_bag(other, tmp_path / "bag")
        assert (caught.value.code, digest(other)) == ("another_catalogue", before)
        with pytest.raises(CatalogueError) as caught:
            export_bag(other, tmp_path / "bag")
        assert caught.value.code == "target_exists"


def test_a_lost_image_is_told_when_exporting(lived_in: Catalogue, tmp_path: Path) -> None:
    lived_in.image_path(lived_in.references()[0]).unlink()
    with pytest.raises(CatalogueError) as caught:
        export_bag(lived_in, tmp_path / "bag")
    assert caught.value.code == "damaged"
    assert not (tmp_path / "bag").exists()
    assert not list(tmp_path.glob("*.part"))


def test_a_full_disk_leaves_no_half_bag(lived_in: Catalogue, tmp_path: Path) -> None:
    if not shutil.which("mount"):
        pytest.skip("no mount command here")
    for disk in mounted(tmp_path / "small", "-t", "tmpfs", "-o", "size=200k", "none"):
        with pytest.raises(CatalogueError) as caught:
            export_bag(lived_in, disk / "bag")
        assert caught.value.code == "disk_full"
        assert list(disk.iterdir()) == []


@pytest.mark.parametrize(("export", "copies"), [(backup, "_images_in"), (export_stripped, "csv_bytes")])
def test_a_full_disk_is_told_of_the_file_that_was_asked_for(
    lived_in: Catalogue, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, export: Any, copies: str
) -> None:
    """What is written meanwhile has another name, which nobody knows (28: No space left on device, errno(3))."""

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device", "b.1.part")

    monkeypatch.setattr(sys.modules[export.__module__], copies, full)
    with pytest.raises(CatalogueError, match="the disk is full") as caught:
        export(lived_in, tmp_path / "wanted")
    assert caught.value.code == "disk_full"
    assert caught.value.message.startswith(f"{tmp_path / 'wanted'}: ")


# Checks and backups


def test_a_sound_catalogue_has_no_troubles(lived_in: Catalogue) -> None:
    assert check(lived_in) == ()


def test_what_is_wrong_is_listed(lived_in: Catalogue) -> None:
    first, second, *_ = lived_in.references()
    lived_in.image_path(first).unlink()
    lived_in.image_path(second).write_bytes(b"x")
    (lived_in.folder / "images" / "stray.png").write_bytes(b"x")
    with lived_in.writing(), lived_in.replaying() as connection:
        connection.exec_driver_sql("UPDATE records SET caption = 'x' WHERE record_id = 'V001'")
    assert sorted(trouble.kind for trouble in check(lived_in)) == [
        "changed_image", "missing_image", "not_in_log", "stray_file",
    ]  # fmt: skip
    with lived_in.writing(), lived_in.replaying() as connection:
        connection.exec_driver_sql("UPDATE decisions SET note = 'x' WHERE number = 2")
    assert "log_broken" in {trouble.kind for trouble in check(lived_in)}
    assert all(trouble.todo and trouble.what for trouble in check(lived_in))


def test_a_backup_is_the_catalogue(lived_in: Catalogue, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert backup(lived_in, tmp_path / "copy") == 8
    before = digest(lived_in)
    lived_in.remove_record("V000")
    monkeypatch.undo()  # the copy is an SQLite catalogue, whatever the first one is
    with Catalogue.open(tmp_path / "copy") as copy:
        assert digest(copy) == before
        assert check(copy) == ()
    with pytest.raises(PlatekinError) as caught:
        backup(lived_in, tmp_path / "copy")
    assert caught.value.code == "target_exists"


def test_a_backup_waits_for_nobody(lived_in: Catalogue, tmp_path: Path) -> None:
    with lived_in.writing(), lived_in.deciding(ADA, "edit") as entry:
        from matcher.catalogue.tables.models import Record

        entry.draft.update(Record, ["V000"], note="half done")
        assert backup(lived_in, tmp_path / "copy") == 8
    assert lived_in.record("V000").note == "half done"
    with Catalogue.make_in(tmp_path / "copy") as copy:
        assert copy.record("V000").note == ""
