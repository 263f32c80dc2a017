"""The catalogue: a folder in, records and references out, and the few ways to change them.

    DIR/catalogue.sqlite    records, copies, references, descriptions (`models`, `database`, `migrate`)
    DIR/images, DIR/faces   files (`files`)
    DIR/index               the search index, a cache of `matcher.index`

Any number of processes may read while one writes. Every value returned is frozen and stays as it was read.
Everything raised on purpose is a `CatalogueError`: not_a_catalogue, newer_version, locked,
read_only, disk_full, damaged, unreachable, no_such_record, no_such_reference.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol, Self

import numpy as np
from sqlalchemy import URL, Connection, Engine, Select, delete, func, insert, select

from matcher.catalogue import database, files, migrate
from matcher.catalogue.arrivals import Arrival, add_record, add_reference, keep_description
from matcher.catalogue.changes import Draft, Misfit
from matcher.catalogue.database import failure, guarded, not_a_catalogue
from matcher.catalogue.decisions import Actor, DecisionRow, Entry, append, whoever_runs_this
from matcher.catalogue.decisions import last as last_entry
from matcher.catalogue.decisions import read as read_log
from matcher.catalogue.models import (
    Copy,
    Described,
    Quad,
    Record,
    RecordRow,
    Reference,
    ReferenceRow,
    description_of,
)
from matcher.catalogue.registers import Answered, Identity, Image
from matcher.catalogue.removal import remove_record
from matcher.describe import Description, describe, fingerprint
from matcher.errors import CatalogueError, UnreadablePhoto
from matcher.flatten import Face, flatten
from matcher.locate import Outline
from matcher.photo import read_photo
from matcher.settings import Settings

_RECORD = tuple(Record.__table__.columns)
_LARGE = ("hashes", "points", "angles", "scales", "descriptors")
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

PATIENCE = 10.0
"""Seconds that a single decision waits for another writer."""


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


class Catalogue:
    """A catalogue folder, opened. Use `Catalogue.open`; close it, or use it as a context manager."""

    def __init__(self, folder: Path, engine: Engine, settings: Settings) -> None:
        self.folder = folder
        self.settings = settings
        self._engine = engine

    @classmethod
    def open(cls, folder: Path, create: bool = False, settings: Settings | None = None) -> Catalogue:
        """Open a catalogue; with `create`, make the folder and the database where they are missing.

        A catalogue of an older version is brought up to date.
        """
        url = database.database_url(folder)
        path = database.sqlite_path(url)
        with guarded(folder):
            if create:
                folder.mkdir(parents=True, exist_ok=True)
            elif not folder.is_dir():
                why = "it is a file" if folder.exists() else "there is no such folder"
                raise not_a_catalogue(folder, why)
            elif path is not None and not path.exists():
                raise not_a_catalogue(folder, f"it holds no {path.name}")
            catalogue = cls(folder, database.open_engine(url, create), settings or Settings())
            try:
                catalogue._bring_up_to_date(create)
            except BaseException:
                catalogue.close()
                raise
        return catalogue

    @classmethod
    def make_in(cls, folder: Path) -> Catalogue:
        """A new catalogue in a folder that is there, in an SQLite file of its own whatever address is set."""
        catalogue = cls(folder, database.open_engine(database.own_url(folder), create=True), Settings())
        catalogue._bring_up_to_date(create=True)
        return catalogue

    @property
    def url(self) -> URL:
        """The address of the database."""
        return database.database_url(self.folder)

    def close(self) -> None:
        self._engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def __reduce__(self) -> tuple[Any, ...]:
        return (type(self).open, (self.folder, False, self.settings))

    # Reading

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

    def reference(self, reference_id: int) -> ReferenceRow:
        """One reference. Raises CatalogueError no_such_reference."""
        for row in self._references(_select_references().where(Reference.id == reference_id)):
            return row
        raise self._no_such_reference(reference_id)

    def counts(self) -> Counts:
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
        path = self.folder / files.face_name(reference.sha256, reference.quad, self.settings.face)
        with suppress(OSError):
            cached = files.decode_face(path.read_bytes(), self.settings.face)
            if cached is not None:
                return cached
        data = files.encode_face(self._flatten_again(reference))
        with suppress(OSError):  # it is only a cache
            files.write_whole(path, data, keep=False)
        face = files.decode_face(data, self.settings.face)
        assert face is not None  # just encoded
        return face

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

    # Writing

    @contextmanager
    def writing(self, wait: float = 0.0) -> Iterator[None]:
        """Be the only writer for a while, and first finish what a killed one left. Not to be nested.

        wait: seconds of patience with another writer, before CatalogueError locked.
        """
        with ExitStack() as stack:
            with guarded(self.folder):
                stack.enter_context(files.only_writer(self.folder, wait))
                files.settle(self.folder, self._wanted)
            yield

    @contextmanager
    def deciding(
        self,
        who: Actor,
        action: str,
        idempotency: tuple[str, str] | None = None,
        check: Callable[[Draft], None] | None = None,
        **told: Any,
    ) -> Iterator[Entry]:
        """Make one decision: what is changed through the entry's draft is stored with it, or nothing is.

        Only inside `writing`. told: further fields of the entry; batch=0 begins a batch with this decision.
        idempotency: (key, hash of the request) to remember with the decision, so that a repeated request finds it.
        check: called first, inside the transaction; what it raises ends the decision.
        Afterwards `entry.row` holds the decision, or None where nothing was changed. Raises CatalogueError
        clash where a change does not fit.
        """
        try:
            with guarded(self.folder), database.for_writing(self._engine).begin() as connection:
                database.one_writer(connection, select(Identity.id).with_for_update())
                entry = Entry(who, action, Draft(connection), **told)
                if check:
                    check(entry.draft)
                yield entry
                entry.row = append(connection, entry)
                if idempotency and entry.row:
                    key, asked = idempotency
                    connection.execute(insert(Answered).values(key=key, request=asked, decision=entry.row.number))
        except Misfit as misfit:
            raise CatalogueError("clash", f"{self.folder}: {misfit}", "list what is there, then ask again") from None

    @contextmanager
    def bringing(self, named: Mapping[str, bytes | Path]) -> Iterator[None]:
        """Store files, then whatever is done inside, or neither.

        named: content, or a file to copy, by `files.image_name` or `face_name`.
        """
        try:
            with guarded(self.folder), files.noted(self.folder, named):
                for name, given in named.items():
                    data = given if isinstance(given, bytes) else given.read_bytes()
                    files.write_whole(self.folder / name, data, keep=name.startswith("images/"))
                yield
        except BaseException:
            with suppress(CatalogueError, OSError):  # what stays now is cleared by the next writer
                files.settle(self.folder, self._wanted)
            raise

    @contextmanager
    def noting(self) -> Iterator[Connection]:
        """A transaction on working state, which is no part of the log; it waits for the database's other writers."""
        with guarded(self.folder), database.for_writing(self._engine).begin() as connection:
            database.one_writer(connection, select(Identity.id).with_for_update())
            yield connection

    @contextmanager
    def replaying(self) -> Iterator[Connection]:
        """A transaction for playing a log. Only inside `writing`."""
        with guarded(self.folder), database.for_writing(self._engine).begin() as connection:
            database.one_writer(connection, select(Identity.id).with_for_update())
            yield connection

    def files_of(self, arrivals: Sequence[Arrival]) -> dict[str, bytes | Path]:
        """Images and faces of arrivals, for `bringing`."""
        named: dict[str, bytes | Path] = {}
        for arrival in arrivals:
            prepared = arrival.prepared
            named[arrival.image] = arrival.data
            named[files.face_name(prepared.sha256, prepared.quad, self.settings.face)] = prepared.face
        return named

    def add(
        self, record: RecordRow, arrivals: Sequence[Arrival], who: Actor | None = None, batch: int | None = None
    ) -> tuple[int, ...]:
        """Store a record, unless it is there, and its new references, as one decision.

        Only inside `writing`. Returns the new references' ids.
        """
        told: dict[str, Any] = {"about": record.record_id, "batch": batch, "outcome": f"{len(arrivals)} references"}
        with (
            self.bringing(self.files_of(arrivals)),
            self.deciding(who or whoever_runs_this(), "enrol", **told) as entry,
        ):
            add_record(entry.draft, record)
            return tuple(add_reference(entry.draft, record.record_id, a) for a in arrivals)

    def restore_image(self, reference: ReferenceRow, path: Path) -> bool:
        """Store a reference's image again where it was lost; `path` must hold the same bytes. Only inside `writing`.

        Returns whether it had been lost.
        """
        stored = self.image_path(reference)
        if stored.is_file():
            return False
        with guarded(self.folder):
            files.write_whole(stored, path.read_bytes())
        return True

    def remove_record(self, record_id: str, who: Actor | None = None, note: str = "") -> tuple[int, ...]:
        """Take out a record with its copies, references and sightings; returns the references' ids.

        The image files stay: undoing the decision brings everything back.
        """
        with self.writing(PATIENCE), guarded(self.folder):
            self.record(record_id)
            gone = self.references(record_id)
            told: dict[str, Any] = {"about": record_id, "note": note, "outcome": f"removed with {len(gone)} references"}
            with self.deciding(who or whoever_runs_this(), "remove", **told) as entry:
                remove_record(entry.draft, record_id)
        return tuple(reference.id for reference in gone)

    def refresh_descriptions(self) -> int:
        """Store descriptions of the present fingerprint where older ones or none are stored; returns how many.

        Only inside `writing`. Without it, `description` makes them again at every call.
        """
        stale = [r for r in self.references() if r.fingerprint != fingerprint()]
        for reference in stale:
            made = describe(self.face(reference))
            with guarded(self.folder), database.for_writing(self._engine).begin() as connection:
                keep_description(connection, reference.sha256, reference.outline, made)
        return len(stale)

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
        found = self.decisions(numbers=[number])
        if not found:
            raise CatalogueError("no_such_decision", f"{self.folder}: no decision {number}", "list the log")
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
        if columns["fingerprint"] != fingerprint():
            return describe(self.face(reference))
        try:
            return description_of(columns)
        except ValueError as error:
            detail = f"description of reference {reference.id}: {error}"
            raise failure("damaged", self.folder, detail) from None

    def _flatten_again(self, reference: Outlined) -> Face:
        path = self.image_path(reference)
        try:
            photo = read_photo(path, self.settings.photo)
        except UnreadablePhoto as error:
            shown = getattr(reference, "record_id", None)
            detail = f"image {reference.name}" + (f" of record {shown}" if shown else "") + f": {error.message}"
            raise failure("damaged", self.folder, detail) from error
        if photo.sha256 != reference.sha256:
            raise failure("damaged", self.folder, f"{path} is no longer what was enrolled")
        return flatten(photo, Outline(np.array(reference.quad, np.float32), 1.0), self.settings.face)

    def _wanted(self, name: str) -> bool:
        """Whether a stored file, by its name, belongs to an image that a row has ever named."""
        sha256 = Path(name).name[:64]
        return bool(self._rows(select(Image.sha256).where(Image.sha256 == sha256).limit(1)))

    def _bring_up_to_date(self, create: bool) -> None:
        with self._engine.connect() as connection:
            state = migrate.state_of(connection)
        if state == "newer":
            raise failure("newer_version", self.folder)
        if state == "foreign" or (state == "empty" and not create):
            raise not_a_catalogue(self.folder, "its database holds no catalogue")
        if state in ("older", "empty"):
            with files.only_writer(self.folder), database.for_writing(self._engine).begin() as connection:
                migrate.upgrade(connection)
                if state == "empty" or not connection.execute(select(Identity.id)).first():
                    connection.execute(delete(Identity))
                    connection.execute(insert(Identity).values(id=uuid.uuid4().hex))

    def _no_such_record(self, record_id: str) -> CatalogueError:
        return CatalogueError(
            "no_such_record", f"{self.folder}: no record {record_id}", "list the records to see their ids"
        )

    def _no_such_reference(self, reference_id: int) -> CatalogueError:
        return CatalogueError(
            "no_such_reference",
            f"{self.folder}: no reference {reference_id}",
            "it may have been removed; list the references anew",
        )


def _select_references() -> Select[Any]:
    known = select(*_REFERENCE).select_from(Reference)
    return known.outerjoin(Copy, Reference.copy_id == Copy.id).outerjoin(Described, _DESCRIBED)
