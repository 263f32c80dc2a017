"""Files that came over HTTP in; a catalogue with what they bring, and what came of it, out.

Everything is looked at in a scratch folder that goes when the request is done. Messages of the matcher name files by
their paths: here they lose the folders, which are no client's affair.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Sequence
from dataclasses import asdict
from pathlib import Path, PurePosixPath
from typing import IO, TypeVar

from starlette.datastructures import UploadFile

from api.exchange import shapes
from api.problems import PROBLEMS, Fault, Problem
from matcher.catalogue import Catalogue
from matcher.catalogue.exchange.bag import PROBLEMS_TOLD, check_bag
from matcher.catalogue.exchange.bag import bring_bag as bring_unpacked
from matcher.catalogue.exchange.log_io import replay_log
from matcher.catalogue.exchange.mapping import preview
from matcher.catalogue.exchange.zipped import CHUNK, Limits, unzip
from matcher.catalogue.log.changes import Draft
from matcher.catalogue.log.decisions import Actor
from matcher.catalogue.records.cells import JSON_LINES
from matcher.catalogue.records.columns import parse_mapping
from matcher.catalogue.records.enrol import enrol
from matcher.catalogue.records.scratch import scratch_folder
from matcher.catalogue.records.table import Reading, read_table
from matcher.catalogue.tables.database import guarded
from matcher.core.errors import PlatekinError

Check = Callable[[Draft], None]
Done = TypeVar("Done")


def in_scratch(
    catalogue: Catalogue, bring: Callable[[dict[str, UploadFile], Path], Done], files: dict[str, UploadFile]
) -> Done:
    """Bring files in by way of a scratch folder; what is wrong with them is said in full, but without our folders."""
    with guarded(catalogue.folder), scratch_folder(catalogue.folder) as scratch:
        try:
            return bring(files, scratch)
        except PlatekinError as error:
            kind = PROBLEMS.get(error.code)
            if kind is None or kind.status >= 500:
                raise
            raise Problem(error.code, _without(str(error), scratch, catalogue.folder)) from error


def bring_bag(
    catalogue: Catalogue, packed: IO[bytes], scratch: Path, limits: Limits, check: Check, who: Actor
) -> shapes.Imported:
    """Raises Problem bad_bag with a fault a file, BadTable (bad_zip, zip_too_large, bad_log, ...), CatalogueError."""
    folder = scratch / "bag"
    folder.mkdir()
    unzip(packed, folder, limits)
    inside = sorted(folder.iterdir())
    if not (folder / "bagit.txt").exists() and len(inside) == 1:
        folder = inside[0]
    problems = check_bag(folder)
    if problems:
        message = f"{len(problems)} files of the bag are not as its manifests say."
        raise Problem("bad_bag", message, [Fault("body", one.name, one.kind) for one in problems[:PROBLEMS_TOLD]])
    return shapes.Imported(**asdict(bring_unpacked(catalogue, folder, check, who)))


def play_log(catalogue: Catalogue, log: IO[bytes], scratch: Path, check: Check, who: Actor) -> shapes.Imported:
    """Raises BadTable bad_log, CatalogueError another_catalogue, does_not_fit, newer_version."""
    path = _stored(log, scratch / "log.jsonl")
    return shapes.Imported(**asdict(replay_log(catalogue, path, check=check, who=who)))


def look_at_table(table: UploadFile, scratch: Path, columns: Sequence[str]) -> shapes.TablePreview:
    """Raises BadTable."""
    seen = preview(_table(table, scratch), Reading(columns=parse_mapping(columns)))
    mapped = [shapes.MappedColumn(theirs=theirs, ours=ours or None) for theirs, ours in seen.columns]
    return shapes.TablePreview(columns=mapped, lacking=list(seen.lacking), rows=list(seen.rows), total=seen.total)


def enrol_table(
    catalogue: Catalogue, files: dict[str, UploadFile], scratch: Path, columns: Sequence[str], who: Actor,
    limits: Limits, check: Check, strip: bool = False,
) -> shapes.ImportedTable:  # fmt: skip
    """strip: keep the pictures without what their files say of themselves.

    Raises BadTable, CatalogueError, and Problem validation for image paths that lead out of the zip."""
    given, pictures = _table(files["table"], scratch), scratch / "pictures"
    pictures.mkdir()
    if "pictures" in files:
        unzip(files["pictures"].file, pictures, limits)
    reading = Reading(images=pictures, columns=parse_mapping(columns))
    outside = [row for row in read_table(given, reading).rows if _leads_out(row.image)]
    if outside:
        why = "must be the path of a picture in the zip"
        faults = [Fault("body", "table", f"line {row.line}: {row.image!r} {why}") for row in outside[:PROBLEMS_TOLD]]
        raise Problem("validation", faults=faults)
    done = enrol(
        given, catalogue.folder, catalogue.settings, who=who, reading=reading, check=check, strip=strip,
        elsewhere=catalogue.elsewhere,
    )  # fmt: skip
    failed = [
        shapes.FailedRow(**{**asdict(row), "message": _without(row.message, scratch, catalogue.folder)})
        for row in done.failed
    ]
    notes = [shapes.RowNote(line=row.line, image=row.image, note=row.note) for row in done.notes]
    return shapes.ImportedTable(
        added=done.added, unchanged=done.unchanged, failed=failed, notes=notes, records=done.records,
        references=done.references,
    )  # fmt: skip


def _table(table: UploadFile, scratch: Path) -> Path:
    """The table as a file; whether it is JSON Lines is told by its name, whatever else it is by its first bytes."""
    suffix = Path(table.filename or "").suffix.lower()
    return _stored(table.file, scratch / f"given{suffix if suffix in JSON_LINES else '.csv'}")


def _stored(stream: IO[bytes], path: Path) -> Path:
    with path.open("wb") as written:
        shutil.copyfileobj(stream, written, CHUNK)
    return path


def _leads_out(image: str) -> bool:
    path = PurePosixPath(image.replace("\\", "/"))
    return path.is_absolute() or ".." in path.parts or "\0" in image


def _without(text: str, *folders: Path) -> str:
    for folder in folders:
        for form in (f"{folder}/", str(folder)):
            text = text.replace(form, "")
    return text
