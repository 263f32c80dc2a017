"""The catalogue as files for others: a Data Package (version 2) of CSV tables with Dublin Core terms, and the log.

In: an opened catalogue; out: name -> bytes, the same bytes for the same catalogue. `records.csv` has the columns
of `enrol`, so that it can be enrolled elsewhere; `decisions.jsonl` is the whole truth, from which `bag` imports.
"""

from __future__ import annotations

import io
import json
import posixpath
from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import Column, Connection, Table, select

from matcher.catalogue.exchange.log_io import write_log
from matcher.catalogue.log.changes import LOGGED, canonical, to_json
from matcher.catalogue.log.decisions import identity, last, read
from matcher.catalogue.log.past_words import COLUMNS
from matcher.catalogue.records.columns import OPTIONAL, REQUIRED
from matcher.catalogue.records.csv_text import csv_bytes
from matcher.catalogue.records.files import image_name
from matcher.catalogue.records.prepare import is_given
from matcher.catalogue.tables.models import Copy, Record, Reference
from matcher.core.detect.given_outline import outline_text

LOG = "decisions.jsonl"
PACKAGE = "datapackage.json"
PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"

TERMS = {
    "record_id": "identifier", "caption": "title", "subject": "subject", "issuer": "publisher", "year": "date",
    "series": "isPartOf", "note": "description", "source": "source", "image": "hasFormat", "copy": "hasPart",
    "club": "coverage", "pose": "relation", "title": "title", "years": "temporal",
}  # fmt: skip
"""Our columns as Dublin Core terms (DCMI Metadata Terms), where one fits."""

_TEXTS = (
    "record_id", "subject", "pose", "crop", "caption", "club", "issuer", "year", "series", "mark",
    "caption_place", "format",
)  # fmt: skip


LATER = ("format",)
"""Columns that exports of earlier versions lack: they are written where something stands in them, so that an old export
is what it was."""

_IF_SAID = (*LATER, "outline")
"""The same of the records' table."""


def tables(connection: Connection, outlines: bool = True) -> dict[str, bytes]:
    """All files but the images, by name. outlines: whether the records' table tells them, see `tells_outlines`."""
    rows = [row if outlines else _without_outline(row) for row in record_rows(connection)]
    named: dict[str, bytes] = {"records.csv": _as_csv(rows)}
    resources = [_resource("records", _columns(rows), None)]
    for name, table in LOGGED.items():
        columns = [column.name for column in table.columns if _is_said(connection, column)]
        file = f"tables/{name}.csv"
        named[file] = csv_bytes(columns, _rows(connection, table, columns))
        key = [column.name for column in table.primary_key.columns]
        resources.append(_resource(f"table-{name}", columns, key, file))
    named["dublin-core.jsonl"] = dublin_core(connection)
    named[LOG] = log_bytes(connection)
    named[PACKAGE] = _package(connection, resources)
    return named


def in_todays_words(name: str, data: bytes) -> bytes:
    """One of these files as an earlier version wrote it, its columns by today's names."""
    for once, now in COLUMNS["records"].items():
        if name in ("records.csv", "tables/records.csv"):
            header, _, rows = data.partition(b"\n")
            data = header.replace(once.encode(), now.encode()) + b"\n" + rows
        elif name == PACKAGE:
            data = data.replace(f'"name": "{once}"'.encode(), f'"name": "{now}"'.encode())
    return data


def tells_outlines(table: bytes) -> bool:
    """Whether a records' table of an export has the column of outlines: those of earlier versions lack it."""
    return "outline" in table.partition(b"\n")[0].decode("utf-8", "replace").strip().split(",")


def records_csv(connection: Connection, start: str = "") -> bytes:
    """The records with their references, one row per image, with the columns of `enrol`.

    start: path from the table's folder to the catalogue's; "" where the images lie beside the table.
    """
    return _as_csv(record_rows(connection, start))


def _as_csv(rows: Sequence[Mapping[str, str]]) -> bytes:
    columns = _columns(rows)
    return csv_bytes(columns, ([row.get(name, "") for name in columns] for row in rows))


def records_jsonl(connection: Connection, start: str = "") -> bytes:
    """The same rows, one JSON object per line."""
    return "".join(canonical(row) + "\n" for row in record_rows(connection, start)).encode("utf-8")


def _is_said(connection: Connection, column: Column[Any]) -> bool:
    """Whether a column takes part in an export."""
    if column.name not in LATER:
        return True
    return connection.execute(select(column).where(column != "").limit(1)).first() is not None


def record_rows(connection: Connection, start: str = "") -> list[dict[str, str]]:
    """One row per image, by record and reference, as `enrol` would read it; extra columns are kept."""
    columns = [*(getattr(Record, name) for name in _TEXTS), Record.extra.label("more")]
    names = ("sha256", "suffix", "source", "note", "seen_on", "extra", "quad", "facts")
    columns += [getattr(Reference, name) for name in names]
    query = (
        select(*columns, Copy.label.label("copy"))
        .select_from(Record)
        .join(Reference, Reference.record_id == Record.record_id)
        .outerjoin(Copy, Reference.copy_id == Copy.id)
        .order_by(Record.record_id, Reference.id)
    )
    return [_record_row(row._asdict(), start) for row in connection.execute(query)]


def _record_row(row: Mapping[str, Any], start: str) -> dict[str, str]:
    cells = {str(key): str(value) for key, value in {**row["more"], **row["extra"]}.items()}
    said = {name: row[name] for name in (*_TEXTS, "source", "note", "seen_on")}
    said["outline"] = outline_text(row["quad"]) if is_given(row["facts"], row["quad"]) else ""
    cells |= {name: text for name, text in said.items() if text or name not in _IF_SAID}
    return {
        **cells,
        "copy": row["copy"] or "",
        "image": posixpath.join(start, image_name(row["sha256"], row["suffix"])),
    }


def _without_outline(row: Mapping[str, str]) -> dict[str, str]:
    return {name: text for name, text in row.items() if name != "outline"}


def dublin_core(connection: Connection) -> bytes:
    """One JSON object a record with Dublin Core terms, for those who know nothing of ours."""
    table = LOGGED["records"]
    lines = []
    for row in connection.execute(select(table).order_by(table.c.record_id)):
        values = {f"dcterms:{TERMS[n]}": v for n, v in row._asdict().items() if n in TERMS and v and isinstance(v, str)}
        lines.append(
            canonical({"@context": {"dcterms": "http://purl.org/dc/terms/"}, "dcterms:type": "StillImage", **values})
        )
    return "".join(line + "\n" for line in lines).encode("utf-8")


def last_day(connection: Connection) -> str:
    """The day of the newest decision: an export carries no date of its own, so that it can be made again the same."""
    for row in read(connection, newest_first=True, limit=1):
        return f"{row.at:%Y-%m-%d}"
    return "1970-01-01"


def log_bytes(connection: Connection) -> bytes:
    """The whole log as JSON Lines."""
    log = io.StringIO(newline="")
    write_log(connection, log)
    return log.getvalue().encode("utf-8")


def _columns(rows: Sequence[Mapping[str, str]]) -> list[str]:
    """The columns of `enrol`, then those that tables brought, by name."""
    there = {name for row in rows for name in row}
    ours = [name for name in (*REQUIRED, *OPTIONAL) if name not in _IF_SAID or name in there]
    return [*ours, *sorted(there - {*ours})]


def _rows(connection: Connection, table: Table, columns: Sequence[str]) -> list[list[object]]:
    rows = connection.execute(select(*(table.c[name] for name in columns)).order_by(*table.primary_key.columns))
    return [[_cell(value) for value in to_json(table, row._asdict()).values()] for row in rows]


def _cell(value: Any) -> object:
    if isinstance(value, (dict, list)):
        return canonical(value)
    if isinstance(value, bool):
        return "true" if value else "false"
    return value


def _package(connection: Connection, resources: Sequence[Mapping[str, Any]]) -> bytes:
    number, digest = last(connection)
    described = {
        "$schema": PROFILE,
        "name": "platekin-catalogue",
        "id": identity(connection),
        "version": f"0.0.{number}",
        "description": "A catalogue of known variations of studio-photograph cards, with the log of all decisions.",
        "platekin": {"decisions": number, "digest": digest, "log": LOG},
        "resources": list(resources),
    }
    return (json.dumps(described, ensure_ascii=False, indent=1) + "\n").encode("utf-8")


def _resource(name: str, columns: Sequence[str], key: Sequence[str] | None, path: str = "") -> dict[str, Any]:
    schema: dict[str, Any] = {"fields": [_field(column) for column in columns], "missingValues": [""]}
    if key:
        schema["primaryKey"] = list(key)
    return {
        "name": name,
        "type": "table",
        "path": path or f"{name}.csv",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "schema": schema,
    }


def _field(column: str) -> dict[str, Any]:
    field: dict[str, Any] = {"name": column, "type": "any" if column == "id" else "string"}
    if column in TERMS:
        field["rdfType"] = f"http://purl.org/dc/terms/{TERMS[column]}"
    return field
