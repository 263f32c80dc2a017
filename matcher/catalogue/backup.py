"""A consistent copy of a catalogue while it is in use: opened catalogue in, a folder that is one too out.

SQLite's own online backup copies the database at one moment (https://sqlite.org/backup.html). From a shared
database the log is read at one moment and played into a new SQLite file. Images never change and are never deleted,
so those that the copy names can be copied afterwards.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import tempfile
from contextlib import closing
from pathlib import Path

from sqlalchemy import select

from matcher.catalogue import files
from matcher.catalogue.database import DATABASE, guarded, open_engine, own_url, sqlite_path
from matcher.catalogue.journal import export_log, play
from matcher.catalogue.registers import Image
from matcher.catalogue.store import Catalogue
from matcher.errors import CatalogueError


def backup(catalogue: Catalogue, target: Path) -> int:
    """Copy the catalogue into a folder that is not there yet; it appears only when it is whole.

    Returns the number of images. Raises CatalogueError target_exists, damaged, disk_full.
    """
    if target.exists():
        raise CatalogueError("target_exists", f"{target} is there already", "name a folder that is not there yet")
    part = target.with_name(f"{target.name}.{os.getpid()}.part")
    try:
        with guarded(target.parent):
            part.mkdir(parents=True)
            source = sqlite_path(catalogue.url)
            if source is not None:
                _copy_sqlite(source, part / DATABASE)
            else:
                _copy_by_log(catalogue, part)
            count = _copy_images(catalogue.folder, part)
            part.rename(target)
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return count


def _copy_sqlite(source: Path, target: Path) -> None:
    with closing(sqlite3.connect(source)) as live, closing(sqlite3.connect(target)) as copy:
        live.backup(copy)


def _copy_by_log(catalogue: Catalogue, part: Path) -> None:
    with tempfile.TemporaryDirectory() as scratch:
        log = Path(scratch) / "log.jsonl"
        export_log(catalogue, log)
        with Catalogue.make_in(part) as copy, copy.writing(), copy.replaying() as connection:
            play(connection, log)


def _copy_images(folder: Path, part: Path) -> int:
    engine = open_engine(own_url(part))
    try:
        with engine.connect() as connection:
            rows = connection.execute(select(Image.sha256, Image.suffix)).all()
    finally:
        engine.dispose()
    for sha256, suffix in rows:
        name = files.image_name(sha256, suffix)
        (part / name).parent.mkdir(parents=True, exist_ok=True)
        if not (folder / name).is_file():
            raise CatalogueError("damaged", f"{folder / name} is missing", "run platekin check")
        shutil.copyfile(folder / name, part / name)
    return len(rows)
