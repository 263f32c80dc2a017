"""What became of a table that is being enrolled, row by row as it is known, and the report at its end."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from matcher.catalogue.records.table import TableRow
from matcher.core.errors import PlatekinError


@dataclass(frozen=True)
class FailedRow:
    """A row that was not stored: where it is in the table, what is wrong, what to do."""

    line: int
    image: str
    code: str
    message: str
    remedy: str


@dataclass(frozen=True)
class RowOutcome:
    """What became of one row, as soon as it is known. note: what a person should know of it, or ""."""

    line: int
    record_id: str
    image: str
    result: Literal["added", "unchanged", "failed"]
    note: str = ""


@dataclass(frozen=True)
class EnrolReport:
    """What became of a table.

    added, unchanged: rows. failed: in the order of the table. notes: rows that went well but for something.
    records, references: how many the catalogue holds now. told: of the table as a whole, how it was read.
    references_added: their ids.
    """

    added: int
    unchanged: int
    failed: tuple[FailedRow, ...]
    notes: tuple[RowOutcome, ...]
    records: int
    references: int
    told: tuple[str, ...] = ()
    references_added: tuple[int, ...] = ()


class Tally:
    """Counts outcomes as they come, and passes them on."""

    def __init__(
        self,
        total: int,
        progress: Callable[[int, int], None] | None,
        on_row: Callable[[RowOutcome], None] | None,
    ) -> None:
        self._total = total
        self._progress = progress
        self._on_row = on_row
        self._outcomes: list[RowOutcome] = []
        self._failed: list[FailedRow] = []
        self.references_added: list[int] = []

    def add(self, row: TableRow, result: Literal["added", "unchanged"], note: str = "") -> None:
        """A row went well."""
        self._tell(RowOutcome(row.line, row.record_id, row.image, result, note))

    def fail(self, row: TableRow, error: PlatekinError, then: str = "") -> None:
        """A row was not stored; then: what follows from it, added to the message."""
        self.failed_row(row.line, row.record_id, row.image, error, then)

    def failed_row(self, line: int, record_id: str, image: str, error: PlatekinError, then: str = "") -> None:
        """The same for a row of which only these are known."""
        self._failed.append(FailedRow(line, image, error.code, error.message + then, error.remedy))
        self._tell(RowOutcome(line, record_id, image, "failed", error.message + then))

    def report(self, records: int, references: int, told: tuple[str, ...] = ()) -> EnrolReport:
        """The whole, once all rows are through; records, references: in the catalogue now. told: of the table."""
        results = [outcome.result for outcome in self._outcomes]
        return EnrolReport(
            added=results.count("added"),
            unchanged=results.count("unchanged"),
            failed=tuple(sorted(self._failed, key=lambda failed: failed.line)),
            notes=tuple(o for o in self._outcomes if o.note and o.result != "failed"),
            records=records,
            references=references,
            told=told,
            references_added=tuple(self.references_added),
        )

    def _tell(self, outcome: RowOutcome) -> None:
        self._outcomes.append(outcome)
        if self._on_row:
            self._on_row(outcome)
        if self._progress:
            self._progress(len(self._outcomes), self._total)
