"""A table of listings in, a file of results out, one per line; stopped at any moment, the same call resumes.

Columns: `listing` (a name of its own), `text` or `text_file`, and `photos` (paths with ; between them, or a folder);
paths start from the table's folder. A result is known again by its text's and photos' content and by everything that
it was made with: catalogue, vocabulary, confidence and versions. What has changed is done anew.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import IO, Any

from matcher.catalogue import Catalogue
from matcher.catalogue.calibration_store import NAME as CONFIDENCE
from matcher.catalogue.records.cells import Row as CellRow
from matcher.catalogue.records.cells import names_known, plain_name, read_cells
from matcher.catalogue.records.columns import nearest
from matcher.catalogue.records.files import write_whole
from matcher.catalogue.records.table import find_picture
from matcher.catalogue.records.text_encoding import decode
from matcher.catalogue.tables.targets import writing_out
from matcher.core.errors import BadListing, BadTable, PlatekinError
from matcher.core.ordinary_files import open_ordinary
from matcher.core.settings import PhotoLimits, Settings
from matcher.core.versions import versions
from matcher.jobs.job import Job, JobResult
from matcher.jobs.listing.assess import Assessor
from matcher.jobs.listing.inspection import InspectCards, ListingPhoto
from matcher.jobs.listing.listing_json import failed
from matcher.jobs.listing.text import MOST_BYTES, words_of
from matcher.jobs.listing.vocabulary import NAME as VOCABULARY
from matcher.jobs.lot.discovery import pages_in
from matcher.jobs.workers import identify_all

MOST_PHOTOS = 24
"""More pictures than any listing has; a folder with more is no listing's."""

SUFFIXES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".bmp", ".gif", ".heic", ".heif", ".pdf")
"""Files of a folder that are taken for pictures."""

COLUMNS = ("listing", "text", "text_file", "photos")

MEANT = {
    "listing": ("id", "item", "lot", "number", "name"),
    "text": ("description", "title", "words"),
    "photos": ("pictures", "images", "scans", "files"),
}
"""What people call these columns: only ever suggested."""


@dataclass(frozen=True)
class Row:
    """One listing of a table. error: why it cannot be weighed, or None. key: what its result is known again by."""

    name: str
    text: str = ""
    photos: tuple[Path, ...] = ()
    error: PlatekinError | None = None
    key: str = ""

    @cached_property
    def pages(self) -> tuple[Job, ...]:
        """Every page of every picture."""
        return tuple(job for photo in self.photos for job in _pages(photo))


def weigh_all(
    table: Path, catalogue: Path, output: Path, settings: Settings, workers: int | None = None
) -> Iterator[dict[str, Any]]:
    """Every listing's result in the order of the table, those that `output` holds already read from there.

    Raises BadTable and CatalogueError before anything is written.
    """
    rows = read_rows(table)
    with Catalogue.open(catalogue, settings=settings) as opened:
        assessor = Assessor.of(opened)
        made_with = _made_with(opened)
    keyed = [_keyed(row, made_with) for row in rows]
    done = read_results(output)
    left = [row for row in keyed if row.key not in done]
    steps = (InspectCards(),)
    jobs = [replace(job, steps=steps) for row in left if row.error is None for job in row.pages]
    answers = identify_all(jobs, catalogue, settings, workers)
    with _appending(output) as stream:
        for row in keyed:
            if row.key in done:
                yield done[row.key]
                continue
            result = done[row.key] = _weigh(row, assessor, answers)
            with writing_out(output):
                stream.write((json.dumps({**result, "key": row.key}, ensure_ascii=False) + "\n").encode())
                stream.flush()
                os.fsync(stream.fileno())
            yield result
    _leave_out(output, {row.key for row in keyed}, {row.name for row in keyed})


def read_rows(table: Path) -> list[Row]:
    """The listings of a table. Raises BadTable; what is wrong with one row stays with that row."""
    cells = read_cells(table, names_known(COLUMNS))
    columns = [plain_name(name) for name in cells.header.cells]
    missing = [name for name in ("listing", "photos") if name not in columns]
    missing += [] if {"text", "text_file"} & set(columns) else ["text"]
    if missing:
        raise _missing_columns(table, cells.header, missing)
    rows: list[Row] = []
    names: set[str] = set()
    for row in cells.rows:
        values = dict(zip(columns, [*row.cells, *[""] * len(columns)], strict=False))
        name = values["listing"]
        if name and name not in names:
            rows.append(_row(table, row.line, name, values))
        else:
            why = "no name in column listing" if not name else f"two listings are called {name!r}"
            name = name or f"line {row.line}"
            code = "clash" if name in names else "missing_value"
            error = BadTable(code, f"{table} line {row.line}: {why}", "give each its own name")
            rows.append(Row(name if name not in names else f"{name} (line {row.line})", error=error))
        names.add(name)
    if not rows:
        raise BadTable("empty_table", f"{table}: no rows below the header", "add one row per listing")
    return rows


def _missing_columns(table: Path, header: CellRow, missing: list[str]) -> BadTable:
    """The error for a table of listings that lacks columns: with what each was probably meant to be."""
    told = ", ".join("text or text_file" if name == "text" else name for name in missing)
    found = ", ".join(filter(None, header.cells)) or "nothing"
    why = f"{table} line {max(header.line, 1)}: no column {told}; found: {found}"
    meant = nearest([name for name in header.cells if name and plain_name(name) not in COLUMNS], missing, MEANT)
    if not meant:
        return BadTable("missing_column", why, "it needs listing, photos, and text or text_file")
    asked = "; ".join(f"{theirs}: did you mean {ours}?" for theirs, ours in meant.items())
    rest = [name for name in missing if name not in meant.values()]
    more = f"; and add {', '.join(rest)}" if rest else ""
    return BadTable("missing_column", f"{why}. {asked}", f"rename the columns{more}")


def _row(table: Path, line: int, name: str, values: Mapping[str, str]) -> Row:
    try:
        file = values.get("text_file", "")
        if not file and not values.get("text", ""):
            raise BadListing("empty_text", "the text is empty", "give the listing's title and description")
        text = values.get("text", "") or read_text(find_picture(table.parent, file))
        words_of(text)
        return Row(name, text, tuple(photos_of(table.parent, values["photos"])))
    except PlatekinError as error:
        return Row(name, error=type(error)(error.code, f"{table} line {line}: {error.message}", error.remedy))


def read_text(path: Path) -> str:
    """A listing's text from a file in any encoding. Raises BadListing missing_file, text_too_large, not_utf8."""
    try:
        with open_ordinary(path) as stream:
            data = stream.read(MOST_BYTES + 1)
        if len(data) > MOST_BYTES:
            raise too_large(str(path))
    except OSError as error:
        raise BadListing("missing_file", f"{path}: {error.strerror}", "give a text, or the path of one") from None
    return text_of(str(path), data)


def text_of(name: str, data: bytes) -> str:
    """A listing's text from its bytes. Raises BadListing not_utf8 for what is no text."""
    try:
        return decode(data).text
    except ValueError as error:
        raise BadListing("not_utf8", f"{name}: {error}", "save it as plain text in UTF-8") from None


def too_large(name: str) -> BadListing:
    told = f"{name}: the text is longer than {MOST_BYTES / 1e6:g} MB"
    return BadListing("text_too_large", told, "give the title and the description alone")


def photos_of(start: Path, told: str) -> list[Path]:
    """The pictures that a cell names: paths with ; between them, or a folder. Raises BadListing no_photo."""
    found: list[Path] = []
    for part in filter(None, (part.strip() for part in told.split(";"))):
        path = start / part if (start / part).is_dir() else find_picture(start, part)
        inside = sorted(p for p in path.iterdir() if p.suffix.lower() in SUFFIXES) if path.is_dir() else [path]
        found += inside
    if not found:
        raise BadListing("no_photo", f"{told!r}: no picture is given", "name at least one picture, or a folder of them")
    if len(found) > MOST_PHOTOS:
        raise BadListing(
            "too_many_photos", f"{len(found)} pictures; a listing may have {MOST_PHOTOS}", "leave some out"
        )
    return found


def read_results(output: Path) -> dict[str, dict[str, Any]]:
    """Results by key; a last line that was not written to its end does not count. Raises BadListing bad_results."""
    try:
        *lines, last = output.read_bytes().split(b"\n")
    except FileNotFoundError:
        return {}
    if not (last.startswith(BEGINNING) or BEGINNING.startswith(last)):
        raise _no_results(f"{output} line {len(lines) + 1}")
    found: dict[str, dict[str, Any]] = {}
    for number, line in enumerate(lines, 1):
        try:
            result = json.loads(line)
            found[result.pop("key")] = result
        except (ValueError, KeyError, AttributeError, TypeError, RecursionError):
            raise _no_results(f"{output} line {number}") from None
    return found


BEGINNING = b'{"listing":'
"""Of every result: what a kill left of the last one begins so too, and nothing else is cut off."""


def _no_results(place: str) -> BadListing:
    told = f"{place}: this is not a result of platekin listing"
    return BadListing("bad_results", told, "name another --output, or move that file away")


@contextmanager
def _appending(output: Path) -> Iterator[IO[bytes]]:
    """The file to write on at its end, with what a kill left of a last line cut off.

    What a full disk keeps from being written is dropped when the file is closed: it was told already.
    """
    with writing_out(output):
        output.parent.mkdir(parents=True, exist_ok=True)
        with output.open("ab+") as whole:
            whole.seek(0)
            whole.truncate(whole.read().rfind(b"\n") + 1)
        stream = output.open("ab")
    try:
        yield stream
    finally:
        with suppress(OSError):
            stream.close()


def _leave_out(output: Path, keys: Collection[str], names: Collection[str]) -> None:
    """Once all is done, take out older results of the same listings: each has one line."""
    lines = output.read_bytes().splitlines(keepends=True)
    kept = [line for line in lines if (told := json.loads(line))["key"] in keys or told["listing"] not in names]
    if len(kept) < len(lines):
        with writing_out(output):
            write_whole(output, b"".join(kept))


def _weigh(row: Row, assessor: Assessor, answers: Iterator[JobResult]) -> dict[str, Any]:
    if row.error is not None:
        return failed(row.name, row.error)
    return assessor.assess(row.name, row.text, [ListingPhoto.of(next(answers)) for _ in row.pages])


def _pages(photo: Path) -> list[Job]:
    """A job for each page of a file, named as RFC 8118 names one where there are several."""
    count = pages_in(photo, PhotoLimits())
    if count == 1:
        return [Job(str(photo), photo)]
    return [Job(f"{photo}#page={number}", photo, page=number - 1) for number in range(1, count + 1)]


def _keyed(row: Row, made_with: str) -> Row:
    digest = hashlib.sha256(made_with.encode())
    for part in (row.name, row.text, str(row.error or "")):
        digest.update(hashlib.sha256(part.encode("utf-8", "surrogatepass")).digest())
    for photo in row.photos:
        try:
            own = hashlib.sha256(photo.read_bytes()).hexdigest()
        except OSError as error:
            own = str(error.strerror)
        digest.update(f"{photo}\0{own}\0".encode("utf-8", "surrogatepass"))
    return Row(row.name, row.text, row.photos, row.error, digest.hexdigest()[:32])


def _made_with(catalogue: Catalogue) -> str:
    """Everything beside the listing itself that a result depends on."""
    own = []
    for name in (VOCABULARY, CONFIDENCE):
        path = catalogue.folder / name
        own.append(hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else "")
    return json.dumps([catalogue.last_decision(), own, versions()], sort_keys=True)
