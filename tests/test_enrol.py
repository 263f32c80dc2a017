"""Enrolling: tables, failures that cost only themselves, kills, a full disk, a read-only folder."""

from __future__ import annotations

import csv
import hashlib
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from matcher.catalogue.arrivals import PreparedReference
from matcher.catalogue.enrol import enrol
from matcher.catalogue.files import only_writer
from matcher.catalogue.prepare import prepare_outline
from matcher.catalogue.store import Catalogue
from matcher.catalogue.table import read_table
from matcher.catalogue.tally import EnrolReport
from matcher.errors import BadTable, CatalogueError, UnreadablePhoto
from matcher.index import ReferenceIndex
from matcher.locate import Outline
from matcher.photo import read_photo
from matcher.settings import Settings

HEADER = ("record_id", "subject", "pose", "crop", "caption", "image")
ROOT = Path(__file__).parents[1]


def whole_image(path: Path, settings: Settings) -> PreparedReference:
    """A stand-in for the search of outlines: the image is the card."""
    if "no_card" in path.name:
        raise UnreadablePhoto("no_card", f"{path}: no card found", "scan it again")
    if "crash" in path.name:
        os._exit(1)
    photo = read_photo(path, settings.photo)
    corners = [[0, 0], [photo.width, 0], [photo.width, photo.height], [0, photo.height]]
    return prepare_outline(photo, Outline(np.array(corners, np.float32), 1.0), settings)


def draw(path: Path, seed: int) -> str:
    """Write an invented picture; returns its name."""
    rng = np.random.default_rng(seed)
    small = rng.integers(60, 220, (16, 9, 3), dtype=np.uint8)
    picture = cv2.resize(small, (276, 480), interpolation=cv2.INTER_CUBIC)
    path.parent.mkdir(parents=True, exist_ok=True)
    assert cv2.imwrite(str(path), picture)
    return path.name


def write_table(path: Path, rows: list[dict[str, str]], encoding: str = "utf-8") -> Path:
    columns = dict.fromkeys([*HEADER, *(name for row in rows for name in row)])
    with path.open("w", encoding=encoding, newline="") as stream:
        writer = csv.DictWriter(stream, list(columns), restval="")
        writer.writeheader()
        writer.writerows(rows)
    return path


def row(record: int, image: str, **more: str) -> dict[str, str]:
    return {
        "record_id": f"V{record:03d}",
        "subject": f"Sitter {record // 2}",
        "pose": f"P{record // 2:03d}",
        "crop": "AB"[record % 2],
        "caption": f"SITTER {record // 2}, Oakmere",
        "image": image,
        **more,
    }


def write_scans(folder: Path) -> Path:
    """A folder with a table of four records and six scans, one of them under two copies' labels."""
    for seed in range(6):
        draw(folder / f"scan{seed}.png", seed)
    write_table(
        folder / "RECORDS.csv",
        [
            row(0, "scan0.png", copy="first", club="Oakmere", shelf="7"),
            row(1, "scan1.png", source="album 2", note="stained"),
            row(0, "scan2.png", copy="second"),
            row(2, "scan3.png", year="1888"),
            row(3, "scan4.png"),
            row(3, "scan5.png"),
        ],
    )
    return folder


def run(table: Path, folder: Path, **options: Any) -> EnrolReport:
    return enrol(table, folder, workers=options.pop("workers", 0), prepare=whole_image, **options)


def dump(folder: Path) -> tuple[list[str], dict[str, str]]:
    """All rows without the time of adding, and the hash of every file of images and faces."""
    with sqlite3.connect(folder / "catalogue.sqlite") as connection:
        rows = []
        for table in ("records", "copies", "references"):
            cursor = connection.execute(f'SELECT * FROM "{table}" ORDER BY 1')
            names = [column[0] for column in cursor.description]
            keep = [i for i, name in enumerate(names) if name != "added_at"]
            rows += [repr([values[i] for i in keep]) for values in cursor]
    connection.close()
    files = {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for part in ("images", "faces")
        for path in (folder / part).rglob("*")
        if path.is_file()
    }
    return rows, files


def codes(report: EnrolReport) -> list[tuple[int, str]]:
    return [(failed.line, failed.code) for failed in report.failed]


# Tables


def test_reads_a_table_with_and_without_byte_order_mark(tmp_path: Path) -> None:
    rows = [row(0, " a.png ", caption='Sitter, "Zoë"\nOakmere', shelf="x"), row(1, "b.png", caption="")]
    plain = read_table(write_table(tmp_path / "plain.csv", rows))
    marked = read_table(write_table(tmp_path / "marked.csv", rows, "utf-8-sig"))
    assert plain.rows == marked.rows
    first, second = plain.rows
    assert (first.image, first.path, first.extra) == ("a.png", tmp_path / "a.png", {"shelf": "x"})
    assert first.caption == 'Sitter, "Zoë"\nOakmere'
    assert (first.line, second.line) == (2, 4)  # the first row is two lines long
    assert second.caption == ""  # a card may bear no words


GOOD = "V1,Sitter,P1,A,Words,a.png"


@pytest.mark.parametrize(
    ("content", "code", "says"),
    [
        (b"record_id,subject,pose,crop,caption\nV1,a,b,c,d\n", "missing_column", "line 1: no column image"),
        (b"record_id;subject;pose;crop;caption;image\n", "missing_column", "save it with commas"),
        (b"", "missing_column", "found: nothing"),
        (b"record_id,subject,pose,crop,caption,image\n\n , ,,,,\n", "empty_table", "no rows"),
        (b"record_id,subject,pose,crop,caption,image,image\n", "duplicate_column", "image"),
        (b"record_id,subject,pose,crop,caption,image\nV1,Zo\xeb,P,A,c,i\n", "not_utf8", "line 2"),
        ("record_id,subject".encode("utf-16"), "not_utf8", "line 1"),
        (b'record_id,subject,pose,crop,caption,image\nV1,a,b,c,d,e\nV2,"a,b,c,d,e\n', "not_csv", "line 3"),
    ],
)
def test_refuses_a_table(tmp_path: Path, content: bytes, code: str, says: str) -> None:
    path = tmp_path / "RECORDS.csv"
    path.write_bytes(content)
    with pytest.raises(BadTable) as caught:
        enrol(path, tmp_path / "catalogue")
    assert caught.value.code == code
    assert says in str(caught.value)
    assert str(path) in str(caught.value)
    assert caught.value.remedy
    assert not (tmp_path / "catalogue").exists()  # nothing half-made


def test_refuses_a_table_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(BadTable, match="No such file"):
        read_table(tmp_path / "RECORDS.csv")


@pytest.mark.parametrize(
    ("rows", "failed"),
    [
        # a value is missing: only that row
        ([row(0, "scan0.png", pose=""), row(1, "scan1.png")], [(2, "missing_value")]),
        # the record's rows contradict each other: none of them is taken, the others are
        (
            [row(0, "scan0.png"), row(1, "scan1.png"), row(0, "scan2.png", caption="other")],
            [(2, "clash"), (4, "clash")],
        ),
        # a club that is not stated contradicts nothing, two clubs do
        ([row(1, "scan1.png", club=""), row(1, "scan2.png", club="Oakmere")], []),
        (
            [row(1, "scan0.png"), row(1, "scan1.png", club="Oakmere"), row(1, "scan2.png", club="Fernhill")],
            [(2, "clash"), (3, "clash"), (4, "clash")],
        ),
        # one pose under two subjects
        (
            [row(0, "scan0.png"), row(1, "scan1.png", subject="Another"), row(2, "scan2.png")],
            [(2, "clash"), (3, "clash")],
        ),
        # the image is missing, not an image, or shows no card
        ([row(0, "nowhere.png"), row(1, "scan1.png")], [(2, "missing_file")]),
        ([row(0, "RECORDS.csv"), row(1, "scan1.png")], [(2, "not_an_image")]),
        ([row(0, "no_card.png"), row(1, "scan1.png")], [(2, "no_card")]),
        # one image for two records
        (
            [row(0, "scan0.png"), row(1, "scan1.png"), row(2, "scan0.png")],
            [(2, "duplicate_image"), (4, "duplicate_image")],
        ),
        # one image twice for one record is no failure
        ([row(0, "scan0.png"), row(0, "scan0.png")], []),
    ],
)
def test_a_bad_row_costs_only_itself(scans: Path, rows: list[dict[str, str]], failed: list[tuple[int, str]]) -> None:
    report = run(write_table(scans / "bad.csv", rows), scans / "catalogue")
    assert codes(report) == failed
    assert report.added + report.unchanged == len(rows) - len(failed)
    assert all(f"line {f.line}" in f.message or str(scans / f.image) in f.message for f in report.failed)
    assert all(f.remedy for f in report.failed)


def test_a_record_without_a_usable_image_is_not_stored(scans: Path) -> None:
    rows = [row(0, "no_card.png"), row(1, "scan1.png"), row(1, "nowhere.png")]
    table = write_table(scans / "bad.csv", rows)
    report = run(table, scans / "catalogue")
    assert report.records == 1
    assert "record V000 was not stored" in report.failed[0].message
    assert "not stored" not in report.failed[1].message


def test_contradicting_the_catalogue_fails_only_the_new_rows(scans: Path) -> None:
    folder = scans / "catalogue"
    run(scans / "RECORDS.csv", folder)
    before = dump(folder)
    draw(scans / "new.png", 99)
    rows = [
        row(0, "scan0.png", copy="first", club="Oakmere"),  # as it is
        row(0, "new.png", club="Fernhill"),  # another club
        row(2, "new.png", subject="Another", record_id="V777"),  # its pose has another subject
        row(1, "scan0.png"),  # an image of another record
    ]
    report = run(write_table(scans / "more.csv", rows), folder)
    assert codes(report) == [(3, "clash"), (4, "clash"), (5, "duplicate_image")]
    assert (report.added, report.unchanged) == (0, 1)
    assert dump(folder) == before


# Enrolling


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
    assert report == EnrolReport(added=6, unchanged=0, failed=(), notes=(), records=4, references=6)
    assert seen == [(done, 6) for done in range(1, 7)]
    assert outcomes == [(line, "added") for line in (2, 4, 3, 5, 6, 7)]  # rows of one record together
    assert {p: p.read_bytes() for p in originals} == originals
    with Catalogue.open(scans / "catalogue") as catalogue:
        record = catalogue.record("V000")
        assert (record.club, record.extra) == ("Oakmere", {"shelf": "7"})
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
from matcher.catalogue.enrol import enrol
from tests.test_enrol import whole_image

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


def mounted(path: Path, *options: str) -> Iterator[Path]:
    path.mkdir(exist_ok=True)
    done = subprocess.run(["mount", *options, str(path)], check=False, capture_output=True, text=True)
    if done.returncode:
        pytest.skip(f"mounting is not permitted here: {done.stderr.strip()}")
    try:
        yield path
    finally:
        subprocess.run(["umount", str(path)], check=True)


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
