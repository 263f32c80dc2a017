"""The next free id, whatever the ids of a catalogue look like."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from sqlalchemy import Connection, create_engine

from matcher.catalogue import Catalogue, undo_redo
from matcher.catalogue.log.decisions import person
from matcher.catalogue.records.corrections import edit_record
from matcher.catalogue.tables.given_ids import keep_id, next_id
from matcher.catalogue.tables.models import Base

ADA = person("Ada Quill")


@pytest.fixture
def connection() -> Iterator[Connection]:
    engine = create_engine("sqlite://")
    with engine.begin() as opened:
        Base.metadata.create_all(opened)
        yield opened
    engine.dispose()


@pytest.mark.parametrize(
    ("ids", "wanted"),
    [
        ([], "V00001"),
        (["spare", "other"], "V00001"),  # none is numbered
        (["V0009", "V0017", "spare"], "V0018"),
        (["V0017", "V0009"], "V0018"),  # whatever the order
        (["V99", "V100"], "V101"),
        (["V100", "V99"], "V101"),
        (["V9"], "V10"),
        (["V7", "V00005"], "V8"),  # written like the highest
        (["A-2", "V1", "A-1"], "A-3"),  # of the commonest beginning
        (["B1", "A1"], "A2"),  # of equally common ones the first
        (["1-03", "1-04"], "1-05"),
        (["007"], "008"),
        (["V1234567890123456789012", "V000001"], "V000002"),  # nobody's counting
    ],
)
def test_next_id(connection: Connection, ids: list[str], wanted: str) -> None:
    for name in ids:
        keep_id(connection, "record", name)
    keep_id(connection, "pose", "P7")
    assert next_id(connection, "record", "V00001") == wanted
    assert next_id(connection, "pose", "P0001") == "P8"


def test_names_follow_decisions_and_are_not_given_again(catalogue: Catalogue) -> None:
    def following() -> tuple[str, str]:
        with catalogue.reading() as connection:
            return next_id(connection, "record", "V1"), next_id(connection, "pose", "P1")

    assert following() == ("V004", "P002")
    edited = edit_record(catalogue, "V003", {"pose": "P009"}, ADA)
    assert following() == ("V004", "P010")
    undo_redo.undo(catalogue, [edited.number], ADA)
    assert following() == ("V004", "P010")
    catalogue.remove_record("V003", ADA)
    assert following() == ("V004", "P010")
