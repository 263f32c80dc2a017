"""A consistent copy of a catalogue while it is in use: opened catalogue in, a folder that is one too out.

SQLite's own online backup copies the database at one moment (https://sqlite.org/backup.html). From a shared
database the log is read at one moment and replayed into a new SQLite file. Images never change and are never deleted,
so those that the copy names can be copied afterwards.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

from sqlalchemy import select

from matcher.catalogue.calibration_store import NAME
from matcher.catalogue.exchange.log_io import export_log, replay
from matcher.catalogue.records import files
from matcher.catalogue.records.scratch import scratch_folder
from matcher.catalogue.records.store import Catalogue
from matcher.catalogue.tables.database import (
    DATABASE,
    guarded,
    open_engine,
    own_url,
    reading_connection,
    sqlite_path,
)
from matcher.catalogue.tables.log import Image
from matcher.catalogue.tables.targets import under_own_name, writing_out
from matcher.core.errors import CatalogueError


def backup(catalogue: Catalogue, target: Path) -> int:
    """Copy the catalogue into a folder that is not there yet; it appears only when it is whole.

    Returns the number of images. Raises CatalogueError target_exists, damaged, disk_full.
    """
    if target.exists():
        raise CatalogueError("target_exists", f"{target} is there already", "name a folder that is not there yet")
    part = target.with_name(f"{target.name}.{os.getpid()}.part")
    try:
        with under_own_name(part, target), guarded(part), writing_out(target):
            part.mkdir(parents=True)
            named = backup_files(catalogue, part)
            for name, path in named.items():
                (part / name).parent.mkdir(parents=True, exist_ok=True)
                if path.parent != part:
                    shutil.copyfile(path, part / name)
            part.rename(target)
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return sum(name.startswith("images/") for name in named)


def backup_files(catalogue: Catalogue, scratch: Path) -> dict[str, Path]:
    """Name -> file of all that a copy holds: the database is copied into `scratch`, the others are where they are.

    The index and the faces are caches, which the copy makes for itself. Raises CatalogueError damaged, disk_full.
    """
    with guarded(scratch):
        source = sqlite_path(catalogue.url)
        if source is not None:
            _copy_sqlite(source, scratch / DATABASE)
        else:
            _copy_by_log(catalogue, scratch)
        named = {DATABASE: scratch / DATABASE}
        for name in [NAME] if (catalogue.folder / NAME).is_file() else []:
            named[name] = catalogue.folder / name
        for name in _images_in(scratch):
            if not (catalogue.folder / name).is_file():
                raise CatalogueError("damaged", f"{catalogue.folder / name} is missing", "run platekin check")
            named[name] = catalogue.folder / name
    return named


def _copy_sqlite(source: Path, target: Path) -> None:
    with closing(reading_connection(source)) as live, closing(sqlite3.connect(target)) as copy:
        live.backup(copy)
        # Whoever restores the copy later makes tokens anew: revoked ones must not work again.
        with copy:
            copy.execute("DELETE FROM sessions")
            copy.execute("DELETE FROM tokens")
        copy.execute("VACUUM")


def _copy_by_log(catalogue: Catalogue, part: Path) -> None:
    with scratch_folder(catalogue.folder) as scratch:
        log = scratch / "log.jsonl"
        export_log(catalogue, log)
        with Catalogue.make_in(part) as copy, copy.writing(), copy.replaying() as connection:
            replay(connection, log)


def _images_in(folder: Path) -> list[str]:
    engine = open_engine(own_url(folder))
    try:
        with engine.connect() as connection:
            rows = connection.execute(select(Image.sha256, Image.suffix)).all()
    finally:
        engine.dispose()
    return [files.image_name(sha256, suffix) for sha256, suffix in rows]
