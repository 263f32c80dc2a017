"""What the tests of finds, decisions and the log ask of a catalogue, and a history for it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from matcher.catalogue import Catalogue, undo_redo
from matcher.catalogue.exchange.log_io import content_digest
from matcher.catalogue.finds.resolution import RecordFields, accept, finds, reject
from matcher.catalogue.log.decisions import person
from matcher.core.errors import PlatekinError
from tests.support.cards import a_find

ADA = person("Ada Quill")


def digest(catalogue: Catalogue) -> str:
    with catalogue.reading() as connection:
        return content_digest(connection)


def rows(catalogue: Catalogue) -> Any:
    """What can be changed, without the log."""
    return catalogue.records(), catalogue.references(), finds(catalogue)


def code_of(call: Any, *arguments: Any, **options: Any) -> str:
    with pytest.raises(PlatekinError) as caught:
        call(*arguments, **options)
    assert caught.value.message
    assert caught.value.remedy
    return caught.value.code


def some_history(catalogue: Catalogue, scans: Path) -> None:
    a, b = a_find(catalogue, scans, 50), a_find(catalogue, scans, 51, "new_pose")
    accept(catalogue, a.find_id, ADA, RecordFields(caption='Zoë, "new"', copy="mine"))
    undo_redo.undo(catalogue, [accept(catalogue, b.find_id, ADA, RecordFields(subject="Zoë", caption="")).number], ADA)
    reject(catalogue, b.find_id, person("Bo"))
    catalogue.remove_record("V002")
