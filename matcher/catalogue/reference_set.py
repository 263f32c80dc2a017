"""What `identify` needs of a catalogue, opened once a process: its index, its rows, its faces.

Read-only. Rows are read once, so that a look-up costs nothing, and `refresh` takes in what is decided later; faces
and descriptions come when they are needed and the last ones used are kept.
"""

from __future__ import annotations

import json
import os
from collections import Counter, defaultdict
from functools import lru_cache
from pathlib import Path
from typing import Any, Self

from matcher.catalogue import Catalogue, RecordRow, ReferenceRow
from matcher.catalogue.calibration_store import NAME, confidence_in_use
from matcher.catalogue.log.changes import touched
from matcher.catalogue.log.decisions import DecisionRow
from matcher.catalogue.tables.database import failure
from matcher.core.calibration import Calibration
from matcher.core.describe import Description, fingerprint
from matcher.core.flatten import Face
from matcher.core.formats import PRESETS, face_of_text
from matcher.core.reference_set import KnownRecord, KnownReference, Reading, Written
from matcher.core.search.reference_index import Hit, ReferenceIndex, synchronise
from matcher.core.settings import FaceSize, Settings

FACES_KEPT = 64
"""Half a megabyte each: enough for the candidates of a few cards in a row."""

READ_KEPT = 256
"""Readings of references, some 20 kB each, that a process keeps in memory; own choice."""


class CatalogueReferences:
    """An opened catalogue with its index; use as a context manager."""

    def __init__(self, catalogue: Catalogue, index: ReferenceIndex, seen: int) -> None:
        self.catalogue = catalogue
        self.index = index
        self._seen = seen
        self._fitted = _stamp(catalogue.folder)
        self._calibration: Calibration | None = None
        records = {record.record_id: record for record in catalogue.records()}
        self._rows: dict[int, ReferenceRow] = {}
        self._formats: Counter[str] = Counter()
        self._known: dict[int, KnownReference] = {}
        self._by_pose: dict[str, list[KnownReference]] = defaultdict(list)
        self._of_record: dict[str, set[int]] = defaultdict(set)
        for row in catalogue.references():
            if row.record_id not in records:
                why = f"reference {row.id} is of {row.record_id}, which is no record"
                raise failure("damaged", catalogue.folder, why)
            self._hold(row, records[row.record_id])
        self.face = lru_cache(FACES_KEPT)(self._face)
        self.description = lru_cache(FACES_KEPT)(self._description)
        self._read_off = lru_cache(READ_KEPT)(self._written)

    @classmethod
    def open(cls, folder: str | os.PathLike[str], settings: Settings | None = None) -> Self:
        """Open a catalogue for identifying; what the stored index lacks is added in memory."""
        return cls._read(Catalogue.open(folder, settings=settings))

    @classmethod
    def of(cls, catalogue: Catalogue) -> CatalogueReferences:
        """The references of an opened catalogue: read at the first call and kept with it, brought up to date later."""
        kept = catalogue.reference_set
        if isinstance(kept, CatalogueReferences):
            kept.refresh()
            return kept
        catalogue.reference_set = made = cls._read(catalogue)
        return made

    @classmethod
    def _read(cls, catalogue: Catalogue) -> Self:
        # Read first: what is decided while the rest is being read must count as news.
        seen = catalogue.last_decision()
        index = _stored_index(catalogue)
        references = cls(catalogue, index, seen)
        synchronise(index, references._known, references._description)
        return references

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.catalogue.close()

    def __len__(self) -> int:
        return len(self._known)

    @property
    def calibration(self) -> Calibration:
        """The catalogue's own confidence, or the shipped one. Raises CatalogueError damaged."""
        if self._calibration is None:
            self._calibration = confidence_in_use(self.catalogue.folder).calibration
        return self._calibration

    def refresh(self) -> bool:
        """Take in what other processes have decided or refitted since; the cost goes with the news, not the catalogue.

        Returns whether there was any. Raises CatalogueError (unreachable, locked, damaged, ...); all stays as it was
        then, and the next call asks again for what this one missed.
        """
        refitted = self._take_in_confidence()
        news = self._take_in_decisions()
        return news or refitted

    def _take_in_confidence(self) -> bool:
        stamp = _stamp(self.catalogue.folder)
        if stamp == self._fitted:
            return False
        # Stamped first: what is refitted while it is being read must count as news.
        self._fitted, self._calibration = stamp, None
        return True

    def _take_in_decisions(self) -> bool:
        newest = self.catalogue.last_decision()
        if newest == self._seen:
            return False
        news = self.catalogue.decisions(after=self._seen)
        records, references = _concerned(news)
        references |= {i for record_id in records for i in self._of_record.get(record_id, ())}
        found = self.catalogue.references_among(references, records)
        # Where a record is gone already, a later decision has taken it out with its references.
        owners = {row.record_id: row for row in self.catalogue.records_among({row.record_id for row in found})}
        rows = {row.id: row for row in found if row.record_id in owners}
        held = {number: row.outline for number, row in self._rows.items()}
        added = {row.id: self.catalogue.description(row) for row in rows.values() if held.get(row.id) != row.outline}
        # All is read: nothing below can fail, so that a database that went away half-way leaves no half of the news.
        for reference_id in references | set(rows):
            self._forget(reference_id)
        for row in rows.values():
            self._hold(row, owners[row.record_id])
        for reference_id in (references - set(rows)) | set(added):
            self.index.remove(reference_id)
        if references & set(held):  # what was outlined anew is looked at anew
            self.face.cache_clear()
            self.description.cache_clear()
            self._read_off.cache_clear()
        for reference_id, description in added.items():
            self.index.add(reference_id, description)
        self._seen = news[-1].number if news else newest
        return True

    def _hold(self, row: ReferenceRow, record: RecordRow) -> None:
        known = _known(row, record, self.catalogue.settings.face)
        self._rows[row.id] = row
        self._formats[row.format] += 1
        self._known[row.id] = known
        self._by_pose[known.record.pose].append(known)
        self._of_record[row.record_id].add(row.id)

    def _forget(self, reference_id: int) -> None:
        row = self._rows.pop(reference_id, None)
        if row is not None:
            self._formats[row.format] -= 1
            self._formats += Counter()  # what none has any more is gone
        before = self._known.pop(reference_id, None)
        if before is not None:
            self._by_pose[before.record.pose].remove(before)
            self._of_record[before.record.record_id].discard(reference_id)

    def known(self, reference_id: int) -> KnownReference | None:
        """The reference with its record; None if it was removed since the index was read."""
        return self._known.get(reference_id)

    @property
    def sizes(self) -> tuple[FaceSize, ...]:
        """Of the formats that the references have, the commonest first; of the presets where there are none."""
        common = self.catalogue.settings.face
        if not self._rows:
            return (common, *(one.face for one in PRESETS.values() if one.face != common))
        return tuple(face_of_text(form, common) for form, _ in self._formats.most_common())

    def row(self, reference_id: int) -> ReferenceRow:
        """The reference as the catalogue stores it."""
        return self._rows[reference_id]

    def search(self, description: Description) -> tuple[Hit, ...]:
        """The shortlist for a face, the most matches first: so many references, and of no pose more than a few.

        Cut by reference alone, forty pictures of one exposure would leave its near twin no place on it.
        """
        settings = self.index.settings
        found: dict[str, int] = defaultdict(int)
        kept: list[Hit] = []
        for hit in self.index.search(description, settings.voting.checked + settings.by_hash):
            known = self._known.get(hit.reference_id)
            if known is not None and found[known.record.pose] < settings.of_one_pose:
                found[known.record.pose] += 1
                kept.append(hit)
        return tuple(kept[: settings.shortlist])

    def of_pose(self, pose: str) -> tuple[KnownReference, ...]:
        """All references of a pose, the most legible first."""
        return tuple(sorted(self._by_pose[pose], key=lambda known: -known.legibility))

    def read(self, reference_id: int, reading: Reading[Written]) -> Written:
        """What is written on a reference's face, as it was kept, or read now and kept."""
        written: Written = self._read_off(reference_id, reading)
        return written

    def _face(self, reference_id: int) -> Face:
        return self.catalogue.face(self._rows[reference_id])

    def _written(self, reference_id: int, reading: Reading[Any]) -> Any:
        return self.catalogue.written(self._rows[reference_id], reading)

    def _description(self, reference_id: int) -> Description:
        return self.catalogue.description(self._rows[reference_id])


def _known(row: ReferenceRow, record: RecordRow, common: FaceSize) -> KnownReference:
    told = ("record_id", "subject", "pose", "crop", "caption", "club", "issuer", "mark")
    variation = KnownRecord(**{name: getattr(record, name) for name in told})
    legibility = float(row.facts.get("residual_contrast", 0.5))
    return KnownReference(row.id, variation, legibility, face_of_text(row.format, common))


def _concerned(news: tuple[DecisionRow, ...]) -> tuple[set[str], set[int]]:
    """Ids of records and of references that decisions are about."""
    records: set[str] = set()
    references: set[int] = set()
    for table, key in touched(change for decision in news for change in decision.changes):
        if table == "records":
            records.add(json.loads(key)[0])
        elif table == "references":
            references.add(json.loads(key)[0])
    return records, references


def _stored_index(catalogue: Catalogue) -> ReferenceIndex:
    """The index in the folder, read once more where it came out empty: its files may have been exchanged just then."""
    folder, made_by = catalogue.folder / "index", fingerprint(size=catalogue.settings.face)
    index = ReferenceIndex.open(folder, made_by)
    return index if len(index) else ReferenceIndex.open(folder, made_by)


def _stamp(folder: Path) -> str | None:
    """What is written of the catalogue's own confidence; None where it has none."""
    try:
        return (folder / NAME).read_text(errors="replace")
    except OSError:
        return None
