"""What a catalogue holds, read: records, references, copies, descriptions, faces, the log.

Any number of processes may read while one writes. Every value returned is frozen and stays as it was read.
Raises CatalogueError no_such_record, no_such_reference, no_such_decision, damaged, and what `database.guarded` names.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from sqlalchemy import Connection, Engine, Select, func, select

from matcher.catalogue.log.decisions import DecisionRow
from matcher.catalogue.log.decisions import last as last_entry
from matcher.catalogue.log.decisions import read as read_log
from matcher.catalogue.records import files
from matcher.catalogue.tables.database import failure, guarded
from matcher.catalogue.tables.models import (
    Copy,
    Described,
    Quad,
    Record,
    RecordRow,
    Reference,
    ReferenceRow,
    description_of,
    is_whole,
)
from matcher.core.describe import Description, describe, fingerprint
from matcher.core.detect.card_quad import CardQuad
from matcher.core.errors import CatalogueError, UnreadablePhoto
from matcher.core.flatten import Face, flatten
from matcher.core.formats import face_of_text
from matcher.core.parallel.elsewhere import Elsewhere, here
from matcher.core.photo import read_photo
from matcher.core.reference_set import Reading, ReferenceSet, Written
from matcher.core.settings import FaceSize, Settings

_RECORD = tuple(Record.__table__.columns)
_LARGE = ("hashes", "points", "angles", "scales", "descriptors", "digest")
_REFERENCE = (
    *(column for column in Reference.__table__.columns if column.name != "copy_id"),
    Copy.label.label("copy"),
    func.coalesce(Described.fingerprint, "").label("fingerprint"),
)
_DESCRIBED = (Described.sha256 == Reference.sha256) & (Described.outline == Reference.outline)
_DESCRIPTIONS = (
    select(Reference.id, Described.fingerprint, *(getattr(Described, name) for name in _LARGE))
    .select_from(Reference)
    .outerjoin(Described, _DESCRIBED)
)
_AT_ONCE = 256
"""Descriptions read in one query: about 5 MB."""


@dataclass(frozen=True)
class Counts:
    """How much there is. copies: labelled ones; a reference without a label adds none."""

    records: int
    references: int
    copies: int
    poses: int
    subjects: int


class Pictured(Protocol):
    """Whatever has a stored image: a reference, a find, a sighting."""

    @property
    def sha256(self) -> str: ...

    @property
    def suffix(self) -> str: ...


class Outlined(Pictured, Protocol):
    """A stored image with the outline of its card: a reference, a find, a sighting."""

    @property
    def name(self) -> str: ...

    @property
    def quad(self) -> Quad: ...

    @property
    def format(self) -> str: ...


class CatalogueReader:
    """The reading half of `Catalogue`, which opens it."""

    def __init__(self, folder: Path, engine: Engine, settings: Settings, elsewhere: Elsewhere = here) -> None:
        self.folder = folder
        self.settings = settings
        self.elsewhere = elsewhere
        self._engine = engine
        self.reference_set: ReferenceSet | None = None
        """What `CatalogueReferences.of` has made of it, kept for the next time it is asked."""

    def records(self) -> tuple[RecordRow, ...]:
        """All records, by id."""
        return tuple(RecordRow(**row) for row in self._rows(select(*_RECORD).order_by(Record.record_id)))

    def record(self, record_id: str) -> RecordRow:
        """One record. Raises CatalogueError no_such_record."""
        for row in self._rows(select(*_RECORD).where(Record.record_id == record_id)):
            return RecordRow(**row)
        raise self._no_such_record(record_id)

    def records_among(self, ids: Collection[str]) -> tuple[RecordRow, ...]:
        """Those of the records with these ids that are there, by id."""
        wanted, found = sorted(ids), list[dict[str, Any]]()
        for start in range(0, len(wanted), _AT_ONCE):
            found += self._rows(select(*_RECORD).where(Record.record_id.in_(wanted[start : start + _AT_ONCE])))
        return tuple(sorted((RecordRow(**row) for row in found), key=lambda row: row.record_id))

    def references(self, record_id: str | None = None) -> tuple[ReferenceRow, ...]:
        """All references, or those of one record, by id."""
        query = _select_references()
        return self._references(query if record_id is None else query.where(Reference.record_id == record_id))

    def references_among(self, ids: Collection[int], record_ids: Collection[str]) -> tuple[ReferenceRow, ...]:
        """References with one of these ids, or of one of these records."""
        found: dict[int, ReferenceRow] = {}
        for column, wanted in ((Reference.id, list(ids)), (Reference.record_id, list(record_ids))):
            for start in range(0, len(wanted), _AT_ONCE):
                some = _select_references().where(column.in_(wanted[start : start + _AT_ONCE]))
                found |= {row.id: row for row in self._references(some)}
        return tuple(found[i] for i in sorted(found))

    def references_of_image(self, sha256: str) -> tuple[ReferenceRow, ...]:
        """References that show this image; several where it shows cards of several records."""
        return self._references(_select_references().where(Reference.sha256 == sha256))

    def reference(self, reference_id: int) -> ReferenceRow:
        """One reference. Raises CatalogueError no_such_reference."""
        for row in self._references(_select_references().where(Reference.id == reference_id)):
            return row
        raise self._no_such_reference(reference_id)

    def counts(self) -> Counts:
        """How much there is, in one query."""
        query = select(
            select(func.count()).select_from(Record).scalar_subquery().label("records"),
            select(func.count()).select_from(Reference).scalar_subquery().label("references"),
            select(func.count()).select_from(Copy).scalar_subquery().label("copies"),
            select(func.count(Record.pose.distinct())).scalar_subquery().label("poses"),
            select(func.count(Record.subject.distinct())).scalar_subquery().label("subjects"),
        )
        return Counts(**self._rows(query)[0])

    def image_path(self, reference: Pictured) -> Path:
        """Where the image is kept, byte for byte as it was given. Not to be written to."""
        return self.folder / files.image_name(reference.sha256, reference.suffix)

    def face(self, reference: Outlined) -> Face:
        """The face of a reference, find or sighting, from the cache, or made again from its image and outline.

        Both ways give the same pixels. Raises CatalogueError damaged where the stored image has changed.
        """
        size = self._size_of(reference)
        path = self.folder / files.face_name(reference.sha256, reference.quad, size)
        with suppress(OSError):
            cached = files.decode_face(path.read_bytes(), size, path.name)
            if cached is not None:
                return cached
        data = files.encode_face(self._flatten_again(reference), path.name)
        with suppress(OSError):  # it is only a cache
            files.write_whole(path, data, keep=False)
        face = files.decode_face(data, size, path.name)
        assert face is not None  # just encoded
        return face

    def written(self, reference: ReferenceRow, reading: Reading[Written]) -> Written:
        """What a reading gives of a reference's face, from the cache, or read now and kept there."""
        face_path = self.folder / files.face_name(reference.sha256, reference.quad, self._size_of(reference))
        path = self.folder / files.lines_name(face_path.name, reading.key)
        if reading.key:
            with suppress(OSError):
                kept = files.decode_lines(path.read_bytes(), path.name)
                if kept is not None:
                    return reading.decode(kept)
        written = reading.read(self.face(reference))
        if reading.key:
            with suppress(OSError):  # it is only a cache
                files.write_whole(path, files.encode_lines(reading.encode(written), path.name), keep=False)
        return written

    def description(self, reference: ReferenceRow) -> Description:
        """The reference's description, of the present fingerprint: made again where the stored is older."""
        for row in self._rows(_DESCRIPTIONS.where(Reference.id == reference.id)):
            return self._present(reference, row)
        raise self._no_such_reference(reference.id)

    def descriptions(self) -> Iterator[tuple[int, Description]]:
        """(reference id, description) of all references by id, read as they are asked for."""
        references = self.references()
        for start in range(0, len(references), _AT_ONCE):
            some = {reference.id: reference for reference in references[start : start + _AT_ONCE]}
            for row in self._rows(_DESCRIPTIONS.where(Reference.id.in_(some)).order_by(Reference.id)):
                yield row["id"], self._present(some[row["id"]], row)

    def _damaged_descriptions(self) -> set[int]:
        """References whose stored description is not what was stored."""
        columns = (Described.sha256, Described.outline, Described.fingerprint, *(getattr(Described, n) for n in _LARGE))
        query = select(Reference.id, *columns).join(Described, _DESCRIBED).execution_options(yield_per=_AT_ONCE)
        with self.reading() as connection:
            rows = (row._asdict() for row in connection.execute(query))
            return {row["id"] for row in rows if not is_whole(row["sha256"], row["outline"], row)}

    # The log

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection that sees one state of the database while it is used."""
        with guarded(self.folder), self._engine.connect() as connection:
            yield connection

    def decisions(self, **which: Any) -> tuple[DecisionRow, ...]:
        """Entries of the log, see `decisions.read`."""
        with self.reading() as connection:
            return tuple(read_log(connection, **which))

    def decision(self, number: int) -> DecisionRow:
        """One entry of the log. Raises CatalogueError no_such_decision."""
        found = self.decisions(numbers=[number])
        if not found:
            raise CatalogueError(
                "no_such_decision", f"{self.folder}: no decision {number}", "see: platekin decisions list"
            )
        return found[0]

    def last_decision(self) -> int:
        """Number of the newest entry, 0 for none: it changes with every change of the catalogue."""
        with self.reading() as connection:
            return last_entry(connection)[0]

    # Inside

    def _rows(self, query: Select[Any]) -> list[dict[str, Any]]:
        with guarded(self.folder), self._engine.connect() as connection:
            return [dict(row._mapping) for row in connection.execute(query)]

    def _references(self, query: Select[Any]) -> tuple[ReferenceRow, ...]:
        return tuple(
            ReferenceRow(**{**row, "quad": tuple(map(tuple, row["quad"]))})
            for row in self._rows(query.order_by(Reference.id))
        )

    def _present(self, reference: ReferenceRow, columns: Mapping[str, Any]) -> Description:
        if columns["fingerprint"] != fingerprint(size=self.settings.face) or not is_whole(
            reference.sha256, reference.outline, columns
        ):
            return describe(self.face(reference))
        return description_of(columns)

    def _flatten_again(self, reference: Outlined) -> Face:
        path = self.image_path(reference)
        try:
            face = self.elsewhere(
                _flattened, path, reference.sha256, reference.quad, self.settings, self._size_of(reference)
            )
        except UnreadablePhoto as error:
            if error.code == "too_much_memory":  # that says nothing against the image
                raise
            shown = getattr(reference, "record_id", None)
            detail = f"image {reference.name}" + (f" of record {shown}" if shown else "") + f": {error.message}"
            raise failure("damaged", self.folder, detail) from error
        if face is None:
            raise failure("damaged", self.folder, f"{path} is no longer what was enrolled")
        return face

    def _size_of(self, shown: Outlined) -> FaceSize:
        """Of the format that a card was cut out as."""
        return face_of_text(shown.format, self.settings.face)

    def _no_such_record(self, record_id: str) -> CatalogueError:
        return CatalogueError(
            "no_such_record", f"{self.folder}: no record {record_id}", "list them: platekin records list"
        )

    def _no_such_reference(self, reference_id: int) -> CatalogueError:
        return CatalogueError(
            "no_such_reference",
            f"{self.folder}: no reference {reference_id}",
            "it may have been removed; list the references anew",
        )


def _flattened(path: Path, sha256: str, quad: Quad, settings: Settings, size: FaceSize) -> Face | None:
    """A stored picture's face; None where the picture is another one. Raises UnreadablePhoto."""
    photo = read_photo(path, settings.photo)
    if photo.sha256 != sha256:
        return None
    return flatten(photo, CardQuad(np.array(quad, np.float32), 1.0), size)


def _select_references() -> Select[Any]:
    known = select(*_REFERENCE).select_from(Reference)
    return known.outerjoin(Copy, Reference.copy_id == Copy.id).outerjoin(Described, _DESCRIBED)
