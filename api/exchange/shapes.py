"""The shapes of what `exchange` is asked and answers."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal

from fastapi import Path
from pydantic import BaseModel, Field, StringConstraints

from api.curation.decision_requests import Name
from api.parameters import PLAIN, Query, Stripping

TABLE = "CSV in UTF-8, or JSON Lines where its file name ends in .jsonl; one row a picture."

Column = Annotated[str, StringConstraints(max_length=400, pattern=PLAIN)]


ExportName = Annotated[Literal["records.csv", "records.jsonl", "decisions.jsonl"], Path()]


class MappingQuery(Query):
    column: list[Column] = Field(
        [],
        max_length=100,
        description="THEIRS=OURS, for example sitter=subject.",
    )


class ExportQuery(Stripping):
    """Stripped, it has no log: hashes and chain are of the pictures as they were given."""


class TableQuery(MappingQuery, Stripping):
    by: Name | None = Field(None, description="Who decides, on this machine; elsewhere it is the token's name.")


class Imported(BaseModel):
    decisions: int = Field(description="How many decisions were new to the catalogue.")
    lacking: int = Field(description="Pictures that the log names and the catalogue does not have.")


class MappedColumn(BaseModel):
    theirs: str
    ours: str | None = Field(description="Null: kept under its own name.")


class TablePreview(BaseModel):
    columns: list[MappedColumn]
    lacking: list[str] = Field(description="Columns that are needed and to which none of the table's is mapped.")
    rows: list[Mapping[str, str]] = Field(description="The first few rows, by platekin's columns.")
    total: int = Field(description="How many rows there are.")


class FailedRow(BaseModel):
    """A row that was not enrolled."""

    line: int
    image: str
    code: str
    message: str
    remedy: str


class RowNote(BaseModel):
    """A row that was enrolled, with something to note."""

    line: int
    image: str
    note: str


class ImportedTable(BaseModel):
    added: int
    unchanged: int
    failed: list[FailedRow] = Field(description="In the order of the table.")
    notes: list[RowNote]
    records: int = Field(description="How many records the catalogue holds now.")
    references: int = Field(description="How many references the catalogue holds now.")


class Trouble(BaseModel):
    kind: str
    what: str
    todo: str


class Checked(BaseModel):
    troubles: list[Trouble] = Field(description="Empty where all is well.")
