"""The search index brought up to date with what the catalogue holds."""

from __future__ import annotations

from collections.abc import Collection

from matcher.catalogue.log.decisions import DecisionRow
from matcher.catalogue.records import files
from matcher.catalogue.records.store import PATIENCE, Catalogue
from matcher.catalogue.tables.database import disk_is_full, failure, guarded
from matcher.core.describe import fingerprint
from matcher.core.search.reference_index import ReferenceIndex, synchronise


def bring_index_up_to_date(catalogue: Catalogue, anew: Collection[int] = ()) -> None:
    """Make the search index hold what the catalogue holds: by one process at a time, while others decide.

    anew: references that were outlined anew, whose description has changed. Raises CatalogueError locked, disk_full.
    """
    with guarded(catalogue.folder), files.only_writer(catalogue.folder, PATIENCE, "indexing.lock"):
        _update_index(catalogue, anew)


def _update_index(catalogue: Catalogue, anew: Collection[int]) -> None:
    folder = catalogue.folder / "index"
    references = {reference.id: reference for reference in catalogue.references()}
    with guarded(catalogue.folder):
        try:
            index = ReferenceIndex.open(folder, fingerprint(size=catalogue.settings.face))
            index.remove(*anew)
            if synchronise(index, references, lambda i: catalogue.description(references[i]), keep=True):
                index.save()
        except RuntimeError as error:  # what FAISS raises, whatever went wrong
            if disk_is_full(catalogue.folder):
                raise failure("disk_full", catalogue.folder) from error
            raise


def outlined_anew(catalogue: Catalogue, *decisions: DecisionRow) -> None:
    """Have the index know the references that decisions have outlined anew, or back. Raises CatalogueError locked."""
    changes = [change for decision in decisions for change in decision.changes]
    anew = [
        int(change.key[0])
        for change in changes
        if change.table == "references" and change.before and change.after and "outline" in change.after
    ]
    if anew:
        bring_index_up_to_date(catalogue, anew)
