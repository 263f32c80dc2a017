"""Invented scans and tables, and enrolling without the search of outlines, for tests of what comes afterwards."""

from __future__ import annotations

import hashlib
import os
import sqlite3
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from matcher.catalogue.records.enrol import enrol
from matcher.catalogue.records.enrol_report import EnrolReport
from matcher.catalogue.records.ingest import PreparedReference
from matcher.core.errors import UnreadablePhoto
from matcher.core.settings import Settings
from matcher.lab.benchmarks import stock
from matcher.lab.benchmarks.stock import HEADER, draw, row, write_table

__all__ = [
    "HEADER",
    "ROOT",
    "change",
    "codes",
    "draw",
    "dump",
    "mounted",
    "row",
    "run",
    "whole_image",
    "write_scans",
    "write_table",
]

ROOT = Path(__file__).parents[2]


def whole_image(path: Path, settings: Settings) -> PreparedReference:
    """A stand-in for the search of outlines: the image is the card."""
    if "no_card" in path.name:
        raise UnreadablePhoto("no_card", f"{path}: no card found", "scan it again")
    if "crash" in path.name:
        os._exit(1)
    return stock.whole_image(path, settings)


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
