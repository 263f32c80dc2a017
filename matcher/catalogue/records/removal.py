"""Taking a record out: a draft and the record's id in; changes out, in an order that the database allows."""

from __future__ import annotations

from matcher.catalogue.log.changes import Draft
from matcher.catalogue.tables.bookkeeping import Find, Sighting
from matcher.catalogue.tables.models import Copy, Record, Reference


def remove_record(draft: Draft, record_id: str) -> None:
    """Remove a record with all that hangs on it; a find that had become it counts as rejected."""
    for find in draft.rows(Find, record_id=record_id):
        draft.update(Find, [find["find_id"]], state="rejected", record_id=None, reference_id=None)
    for sighting in draft.rows(Sighting, record_id=record_id):
        draft.delete(Sighting, sighting["id"])
    for reference in draft.rows(Reference, record_id=record_id):
        draft.delete(Reference, reference["id"])
    for copy in draft.rows(Copy, record_id=record_id):
        draft.delete(Copy, copy["id"])
    draft.delete(Record, record_id)
