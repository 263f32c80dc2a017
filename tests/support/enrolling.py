"""Invented scans and tables, and enrolling without the search of outlines, for tests of what comes afterwards."""

from __future__ import annotations

import csv
import hashlib
import os
import sqlite3
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from matcher.catalogue.records.enrol import enrol
from matcher.catalogue.records.enrol_report import EnrolReport
from matcher.catalogue.records.ingest import PreparedReference
from matcher.catalogue.records.prepare import prepare_outline
from matcher.core.detect.detection import CardQuad
from matcher.core.errors import UnreadablePhoto
from matcher.core.photo import read_photo
from matcher.core.settings import Settings

HEADER = ("record_id", "subject", "pose", "crop", "caption", "image")
ROOT = Path(__file__).parents[2]


def whole_image(path: Path, settings: Settings) -> PreparedReference:
    """A stand-in for the search of outlines: the image is the card."""
    if "no_card" in path.name:
        raise UnreadablePhoto("no_card", f"{path}: no card found", "scan it again")
    if "crash" in path.name:
        os._exit(1)
    photo = read_photo(path, settings.photo)
    corners = [[0, 0], [photo.width, 0], [photo.width, photo.height], [0, photo.height]]
    return prepare_outline(photo, CardQuad(np.array(corners, np.float32), 1.0), settings)


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
            row(0, "scan0.png", copy="first", club="Oakmere", references="7"),
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


def change(folder: Path, statement: str) -> None:
    connection = sqlite3.connect(folder / "catalogue.sqlite")
    with connection:
        connection.execute(statement)
    connection.close()


def codes(report: EnrolReport) -> list[tuple[int, str]]:
    return [(failed.line, failed.code) for failed in report.failed]


def mounted(path: Path, *options: str) -> Iterator[Path]:
    path.mkdir(exist_ok=True)
    done = subprocess.run(["mount", *options, str(path)], check=False, capture_output=True, text=True)
    if done.returncode:
        pytest.skip(f"mounting is not permitted here: {done.stderr.strip()}")
    try:
        yield path
    finally:
        subprocess.run(["umount", str(path)], check=True)
