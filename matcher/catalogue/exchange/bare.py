"""The records with their pictures for others, without what the pictures' files say of place, device and owner.

A table and pictures, to be enrolled: no log, whose chain and hashes are of the pictures as they were given.
"""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Iterator
from pathlib import Path

from matcher.catalogue.exchange import package
from matcher.catalogue.records import files
from matcher.catalogue.records.csv_text import csv_bytes
from matcher.catalogue.records.store import Catalogue
from matcher.catalogue.tables.database import failure
from matcher.catalogue.tables.targets import writing_out
from matcher.core.errors import CatalogueError, UnreadablePhoto
from matcher.core.strip import stripped

TABLE = "records.csv"


def export_stripped(catalogue: Catalogue, target: Path) -> int:
    """Write a folder that is not there yet; it appears only when it is whole. Returns how many pictures.

    Raises CatalogueError target_exists, damaged, disk_full.
    """
    if target.exists():
        raise CatalogueError("target_exists", f"{target} is there already", "name a folder that is not there yet")
    part = target.with_name(f"{target.name}.{os.getpid()}.part")
    try:
        with writing_out(target):
            part.mkdir(parents=True)
            written = 0
            for name, data in bare_files(catalogue):
                (part / name).parent.mkdir(parents=True, exist_ok=True)
                (part / name).write_bytes(data)
                written += name != TABLE
            part.rename(target)
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return written


def bare_files(catalogue: Catalogue) -> Iterator[tuple[str, bytes]]:
    """(path, content) of each picture, one at a time, and of the table at last. Raises CatalogueError damaged."""
    with catalogue.reading() as connection:
        rows = package.record_rows(connection)
    named: dict[str, str] = {}
    for row in rows:
        image = row["image"]
        if image not in named:
            bare = _bare(catalogue, image)
            new = files.image_name(hashlib.sha256(bare).hexdigest(), files.suffix_of(bare))
            if new not in named.values():
                yield new, bare
            named[image] = new
        row["image"] = named[image]
    columns = list(dict.fromkeys(name for row in rows for name in row))
    yield TABLE, csv_bytes(columns, ([row.get(name, "") for name in columns] for row in rows))


def _bare(catalogue: Catalogue, image: str) -> bytes:
    """The picture without its notes."""
    try:
        data = (catalogue.folder / image).read_bytes()
        return catalogue.elsewhere(stripped, data, catalogue.settings.photo, image)
    except (OSError, UnreadablePhoto) as error:
        raise failure("damaged", catalogue.folder, f"{image}: {error}") from error
