"""Enrolling: kills, workers, a full disk, other writers and readers."""

from __future__ import annotations

import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from PIL import Image

from matcher.catalogue.records.enrol_report import EnrolReport
from matcher.catalogue.records.files import only_writer
from matcher.catalogue.records.store import Catalogue
from matcher.core.errors import CatalogueError
from matcher.core.search.reference_index import ReferenceIndex
from tests.support.enrolling import codes, draw, dump, mounted, row, run, write_table

ROOT = Path(__file__).parents[2]


def test_enrols_a_table(scans: Path) -> None:
    seen: list[tuple[int, int]] = []
    outcomes: list[tuple[int, str]] = []
    originals = {p: p.read_bytes() for p in scans.iterdir() if p.is_file()}
    report = run(
        scans / "RECORDS.csv",
        scans / "catalogue",
        progress=lambda done, total: seen.append((done, total)),
        on_row=lambda outcome: outcomes.append((outcome.line, outcome.result)),
    )
    assert report == EnrolReport(6, 0, (), (), records=4, references=6, references_added=(1, 2, 3, 4, 5, 6))
    assert seen == [(done, 6) for done in range(1, 7)]
    assert outcomes == [(line, "added") for line in (2, 4, 3, 5, 6, 7)]  # rows of one record together
    assert {p: p.read_bytes() for p in originals} == originals
    with Catalogue.open(scans / "catalogue") as catalogue:
        record = catalogue.record("V000")
        assert (record.club, record.extra) == ("Oakmere", {"references": "7"})
        assert [r.copy for r in catalogue.references("V000")] == ["first", "second"]
        (stained,) = catalogue.references("V001")
        assert (stained.source, stained.note, stained.name) == ("album 2", "stained", "scan1.png")
        assert catalogue.image_path(stained).read_bytes() == (scans / "scan1.png").read_bytes()
        assert [r.id for r in catalogue.references()] == [1, 2, 3, 4, 5, 6]


@pytest.mark.parametrize("workers", [0, 1, 2])
def test_enrolling_twice_changes_nothing(scans: Path, workers: int) -> None:
    folder = scans / "catalogue"
    run(scans / "RECORDS.csv", folder)
    before = dump(folder)
    report = run(scans / "RECORDS.csv", folder, workers=workers)
    assert (report.added, report.unchanged, report.failed, report.notes) == (0, 6, (), ())
    assert dump(folder) == before


def test_what_the_table_says_differently_later_is_told_and_not_taken(scans: Path) -> None:
    folder = scans / "catalogue"
    run(scans / "RECORDS.csv", folder)
    later = write_table(scans / "later.csv", [row(1, "scan1.png", source="album 3", note="stained")])
    report = run(later, folder)
    assert [note.note for note in report.notes] == ["enrolled before; the catalogue keeps source 'album 2'"]


def test_workers_give_the_same_catalogue(scans: Path) -> None:
    run(scans / "RECORDS.csv", scans / "here")
    run(scans / "RECORDS.csv", scans / "there", workers=1)
    assert dump(scans / "here") == dump(scans / "there")


def test_a_picture_that_ends_its_worker_costs_only_itself(scans: Path) -> None:
    draw(scans / "crash.png", 50)
    table = write_table(scans / "bad.csv", [row(0, "scan0.png"), row(1, "crash.png"), row(2, "scan2.png")])
    report = run(table, scans / "catalogue", workers=1)
    assert codes(report) == [(3, "worker_lost")]
    assert report.added == 2


def test_the_index_follows(scans: Path) -> None:
    folder = scans / "catalogue"
    run(scans / "RECORDS.csv", folder)
    with Catalogue.open(folder) as catalogue:
        ids = {r.id for r in catalogue.references()}
        fingerprint = catalogue.references()[0].fingerprint
    assert ReferenceIndex.open(folder / "index", fingerprint).reference_ids() == ids
    shutil.rmtree(folder / "index")
    run(scans / "RECORDS.csv", folder)
    assert ReferenceIndex.open(folder / "index", fingerprint).reference_ids() == ids


# Kills

KILLED = """
import os, signal, sys
from pathlib import Path
from matcher.catalogue.records.enrol import enrol
from tests.support.enrolling import whole_image

where, count, table, folder = sys.argv[1], int(sys.argv[2]), Path(sys.argv[3]), Path(sys.argv[4])

def fatal(real):
    def wrapped(*args, **kwargs):
        global count
        count -= 1
        if count < 0:
            os.kill(os.getpid(), signal.SIGKILL)
        return real(*args, **kwargs)
    return wrapped

prepare = whole_image
if where == "image":
    prepare = fatal(whole_image)
elif where == "file":
    Path.replace = fatal(Path.replace)
elif where == "sync":
    os.fsync = fatal(os.fsync)
elif where == "removal":
    Path.unlink = fatal(Path.unlink)
on_row = fatal(lambda outcome: None) if where == "row" else None
enrol(table, folder, workers=0, prepare=prepare, on_row=on_row)
"""


@pytest.mark.parametrize(
    ("where", "count"),
    [
        ("image", 4),  # some records stored, none under way
        ("file", 0),  # before the note of what is coming has its name
        ("file", 2),  # an image in place, its face not, no row
        ("sync", 10),  # in the middle of writing a file
        ("row", 3),  # rows stored, their outcome not told
        ("removal", 0),  # rows stored, the note still there
    ],
)
def test_killed_and_run_again_ends_the_same(scans: Path, where: str, count: int) -> None:
    run(scans / "RECORDS.csv", scans / "undisturbed")
    folder = scans / "killed"
    arguments = [where, str(count), str(scans / "RECORDS.csv"), str(folder)]
    killed = subprocess.run([sys.executable, "-c", KILLED, *arguments], cwd=ROOT, check=False, timeout=120)
    assert killed.returncode == -signal.SIGKILL
    if (folder / "catalogue.sqlite").exists():
        with Catalogue.open(folder) as catalogue:  # usable as it is, and whole as far as it goes
            assert all(catalogue.image_path(r).exists() for r in catalogue.references())
            ids = {r.record_id for r in catalogue.references()}
            assert ids == {r.record_id for r in catalogue.records()}
    run(scans / "RECORDS.csv", folder)
    assert dump(folder) == dump(scans / "undisturbed")
    assert not list(folder.rglob("*.part"))
    assert not (folder / "writing.files").exists()


# The folder


@pytest.fixture(params=[300, 700, 1200])
def small_disk(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Path]:
    if not shutil.which("mount"):
        pytest.skip("no mount command here")
    yield from mounted(tmp_path / "small", "-t", "tmpfs", "-o", f"size={request.param}k", "none")


def test_a_full_disk_leaves_whole_records(scans: Path, small_disk: Path) -> None:
    folder = small_disk / "catalogue"
    rows = [row(i, draw(scans / f"more{i}.png", 100 + i)) for i in range(8)]
    table = write_table(scans / "more.csv", rows)
    with pytest.raises(CatalogueError) as caught:
        run(table, folder)
    assert caught.value.code == "disk_full"
    assert not list(folder.rglob("*.part"))
    subprocess.run(["mount", "-o", "remount,size=20m", str(small_disk)], check=True)
    if (folder / "catalogue.sqlite").exists() and (folder / "catalogue.sqlite").stat().st_size:
        with Catalogue.open(folder, create=True) as catalogue:
            assert all(catalogue.image_path(r).exists() for r in catalogue.references())
            assert {r.record_id for r in catalogue.references()} == {r.record_id for r in catalogue.records()}
    report = run(table, folder)
    assert (report.records, report.references, report.failed) == (8, 8, ())
    run(table, scans / "undisturbed")
    assert dump(folder) == dump(scans / "undisturbed")


def test_only_one_writes(scans: Path) -> None:
    folder = scans / "catalogue"
    run(scans / "RECORDS.csv", folder)
    with only_writer(folder), pytest.raises(CatalogueError, match="another platekin is writing") as caught:
        run(scans / "RECORDS.csv", folder)
    assert caught.value.code == "locked"


def test_reads_while_another_process_writes(scans: Path) -> None:
    folder = scans / "catalogue"
    run(write_table(scans / "one.csv", [row(0, "scan0.png")]), folder)
    counted: list[int] = []
    with Catalogue.open(folder) as reader:
        run(scans / "RECORDS.csv", folder, on_row=lambda _: counted.append(reader.counts().references))
        assert counted[-1] == reader.counts().references == 6


def test_pages_that_are_left_out_are_told(scans: Path) -> None:
    """A reference is one picture: of a TIFF with more pages it is the first."""
    with Image.open(scans / "scan0.png") as first, Image.open(scans / "scan1.png") as second:
        first.save(scans / "both.tif", save_all=True, append_images=[second])
    write_table(scans / "both.csv", [row(9, "both.tif")])
    report = run(scans / "both.csv", scans / "new")
    assert [note.note for note in report.notes] == ["2 pages in the file; the first was taken"]
    assert run(scans / "both.csv", scans / "new").notes == ()
