"""What `identify` needs of a catalogue, opened once a process: its index, its rows, its faces.

Read-only. Rows are read once, so that a look-up costs nothing; faces and descriptions come when they are needed
and the last ones used are kept.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Self

from matcher.catalogue import Catalogue, RecordRow, ReferenceRow
from matcher.describe import Description, fingerprint
from matcher.flatten import Face
from matcher.index import ReferenceIndex, synchronise
from matcher.ladder.confidence import Calibration
from matcher.own_confidence import NAME, confidence_in_use
from matcher.settings import Settings

FACES_KEPT = 64
"""Half a megabyte each: enough for the candidates of a few cards in a row."""


@dataclass(frozen=True)
class Known:
    """One reference with the record it shows."""

    reference: ReferenceRow
    record: RecordRow

    @property
    def legibility(self) -> float:
        """Residual contrast of this reference's face: the stronger print is compared with first."""
        return float(self.reference.facts.get("residual_contrast", 0.5))


class Shelf:
    """An opened catalogue with its index; use as a context manager."""

    def __init__(self, catalogue: Catalogue, index: ReferenceIndex, stamp: str) -> None:
        self.catalogue = catalogue
        self.index = index
        self._stamp = stamp
        records = {record.record_id: record for record in catalogue.records()}
        self._known = {row.id: Known(row, records[row.record_id]) for row in catalogue.references()}
        self._by_pose: dict[str, list[Known]] = defaultdict(list)
        for known in self._known.values():
            self._by_pose[known.record.pose].append(known)
        self.face = lru_cache(FACES_KEPT)(self._face)
        self.description = lru_cache(FACES_KEPT)(self._description)

    @classmethod
    def open(cls, folder: Path, settings: Settings | None = None) -> Self:
        """Open a catalogue for identifying; a missing or outdated index is rebuilt in memory."""
        # Read first: what is saved while the rest is being read must count as a change.
        stamp = _stamp(folder)
        catalogue = Catalogue.open(folder, settings=settings)
        index = ReferenceIndex.open(folder / "index", fingerprint())
        rows = {row.id: row for row in catalogue.references()}
        synchronise(index, rows, lambda reference_id: catalogue.description(rows[reference_id]))
        return cls(catalogue, index, stamp)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.catalogue.close()

    def __len__(self) -> int:
        return len(self._known)

    @cached_property
    def calibration(self) -> Calibration:
        """The catalogue's own confidence, or the shipped one. Raises CatalogueError damaged."""
        return confidence_in_use(self.catalogue.folder).calibration

    def is_current(self) -> bool:
        """False once another process has changed the catalogue's index or confidence since it was opened."""
        return self._stamp == _stamp(self.catalogue.folder)

    def known(self, reference_id: int) -> Known | None:
        """The reference with its record; None if it was removed since the index was read."""
        return self._known.get(reference_id)

    def of_pose(self, pose: str) -> tuple[Known, ...]:
        """All references of a pose, the most legible first."""
        return tuple(sorted(self._by_pose[pose], key=lambda known: -known.legibility))

    def _face(self, reference_id: int) -> Face:
        return self.catalogue.face(self._known[reference_id].reference)

    def _description(self, reference_id: int) -> Description:
        return self.catalogue.description(self._known[reference_id].reference)


def _stamp(folder: Path) -> str:
    """Changes whenever an index is saved (enrolling and removing save it last) or the confidence is refitted."""
    return "\n".join(_text(folder / name) for name in ("index/index.json", NAME))


def _text(path: Path) -> str:
    try:
        return path.read_text(errors="replace")
    except OSError:
        return ""
