"""The catalogue in; pages of records, one record with its references, and the service's health out."""

from __future__ import annotations

import json
from dataclasses import asdict

from api.queue import Load
from api.schemas import (
    CatalogueHealth,
    Health,
    IndexHealth,
    QueueHealth,
    Record,
    RecordDetail,
    RecordPage,
    RecordsQuery,
    Reference,
)
from matcher.catalogue import Catalogue, RecordRow, ReferenceRow
from matcher.core.describe import fingerprint


def page_of_records(catalogue: Catalogue, query: RecordsQuery) -> RecordPage:
    """The records that the query asks for, by id, and how many there are without its limit."""
    found = [row for row in catalogue.records() if _fits(row, query)]
    shown = found[query.offset : query.offset + query.limit]
    return RecordPage(total=len(found), items=[Record.model_validate(row) for row in shown])


def record_detail(catalogue: Catalogue, record_id: str) -> RecordDetail:
    """One record with its references. Raises CatalogueError no_such_record."""
    row = catalogue.record(record_id)
    references = [_reference(reference) for reference in catalogue.references(record_id)]
    return RecordDetail(**asdict(row), references=references)


def health(catalogue: Catalogue, load: Load, versions: dict[str, str]) -> Health:
    """How the service is; an empty catalogue is healthy too."""
    counts = catalogue.counts()
    return Health(
        status="ok" if load.state == "ready" else load.state,
        versions=versions,
        catalogue=CatalogueHealth(**asdict(counts)),
        queue=QueueHealth(**asdict(load)),
        index=_index(catalogue, counts.references),
    )


def image_address(reference_id: int) -> str:
    return f"/v1/references/{reference_id}/image"


def _fits(row: RecordRow, query: RecordsQuery) -> bool:
    if query.subject is not None and row.subject.casefold() != query.subject.strip().casefold():
        return False
    if query.pose is not None and row.pose != query.pose.strip():
        return False
    if query.series is not None and row.series != query.series.strip():
        return False
    texts = (row.record_id, row.subject, row.caption, row.club, row.issuer, row.year, row.note)
    return query.q is None or query.q.strip().casefold() in "\n".join(texts).casefold()


def _reference(row: ReferenceRow) -> Reference:
    return Reference.model_validate({**asdict(row), "image": image_address(row.id)})


def _index(catalogue: Catalogue, references: int) -> IndexHealth:
    """From the stored index's own facts: loading it only to look would cost hundreds of megabytes."""
    try:
        facts = json.loads((catalogue.folder / "index" / "index.json").read_text())
        stored, kind, made_by = int(facts["references"]), str(facts["kind"]), facts["fingerprint"]
    except (OSError, ValueError, KeyError, TypeError):
        return IndexHealth(references=0, kind=None, current=references == 0)
    return IndexHealth(references=stored, kind=kind, current=made_by == fingerprint() and stored == references)
