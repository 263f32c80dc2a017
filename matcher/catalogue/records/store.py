"""The catalogue: a folder in, records and references out, and the few ways to change them.

    DIR/catalogue.sqlite    records, copies, references, descriptions (`models`, `database`, `migrate`)
    DIR/images, faces, lines  files (`files`)
    DIR/index               the search index, a cache of `matcher.core.search.reference_index`

Any number of processes may read while one writes. Every value returned is frozen and stays as it was read.
Everything raised on purpose is a `CatalogueError`: not_a_catalogue, newer_version, locked,
read_only, disk_full, damaged, unreachable, no_such_record, no_such_reference.
"""

from __future__ import annotations

import os
import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import Any, Self

from sqlalchemy import URL, Connection, delete, insert, select

from matcher.catalogue.log.changes import ChangeConflict, Draft
from matcher.catalogue.log.decisions import Actor, AskedBefore, Entry, append, references_told, whoever_runs_this
from matcher.catalogue.records import files
from matcher.catalogue.records.ingest import NewReference, add_record, add_reference, keep_description, remove_record
from matcher.catalogue.records.queries import CatalogueReader
from matcher.catalogue.tables import database, migrate
from matcher.catalogue.tables.database import failure, guarded, not_a_catalogue
from matcher.catalogue.tables.log import Identity, Image
from matcher.catalogue.tables.models import (
    RecordRow,
    ReferenceRow,
)
from matcher.catalogue.tables.service import RequestKey
from matcher.core.describe import Description, describe, fingerprint
from matcher.core.errors import CatalogueError
from matcher.core.parallel.elsewhere import Elsewhere, here
from matcher.core.settings import Settings

PATIENCE = 10.0
"""Seconds that a single decision waits for another writer."""

_DESCRIBED_AT_ONCE = 16
"""Described between two transactions: some seconds' work."""


class Catalogue(CatalogueReader):
    """A catalogue folder, opened. Use `Catalogue.open`; close it, or use it as a context manager."""

    @classmethod
    def open(
        cls, folder: str | os.PathLike[str], create: bool = False, settings: Settings | None = None,
        elsewhere: Elsewhere = here,
    ) -> Catalogue:  # fmt: skip
        """Open a catalogue; with `create`, make the folder and the database where they are missing.

        elsewhere: where pictures that somebody gave are decoded.
        A catalogue of an older version is brought up to date. Raises CatalogueError (not_a_catalogue, newer_version,
        read_only, damaged, unreachable).
        """
        folder = Path(folder)
        url = database.database_url(folder)
        path = database.sqlite_path(url)
        with guarded(folder):
            if create:
                folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            elif not folder.is_dir():
                why = "it is a file" if folder.exists() else "there is no such folder"
                raise not_a_catalogue(folder, why)
            elif path is not None and not path.exists():
                raise not_a_catalogue(folder, f"it holds no {path.name}")
            catalogue = cls(folder, database.open_engine(url, create), settings or Settings(), elsewhere)
            try:
                catalogue._bring_up_to_date(create)
            except BaseException:
                catalogue.close()
                raise
        return catalogue

    @classmethod
    def make_in(cls, folder: str | os.PathLike[str]) -> Catalogue:
        """A new catalogue in a folder that is there, in an SQLite file of its own whatever address is set."""
        folder = Path(folder)
        catalogue = cls(folder, database.open_engine(database.own_url(folder), create=True), Settings())
        catalogue._bring_up_to_date(create=True)
        return catalogue

    @property
    def url(self) -> URL:
        """The address of the database."""
        return database.database_url(self.folder)

    def close(self) -> None:
        """Give the database back; the object is of no use afterwards."""
        self._engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def __reduce__(self) -> tuple[Any, ...]:
        return (type(self).open, (self.folder, False, self.settings))

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
        **logged: Any,
    ) -> Iterator[Entry]:
        """Make one decision: what is changed through the entry's draft is stored with it, or nothing is.

        Only inside `writing`. logged: further fields of the entry; batch=0 begins a batch with this decision.
        idempotency: (key, hash of the request) to remember with the decision, so that a repeated request finds it.
        check: called first, inside the transaction; what it raises ends the decision.
        Afterwards `entry.row` holds the decision, or None where nothing was changed. Raises CatalogueError
        clash where a change does not fit, and AskedBefore where the key was answered already: two that come at the
        same moment are told the same.
        """
        try:
            with guarded(self.folder), database.for_writing(self._engine).begin() as connection:
                database.one_writer(connection, select(Identity.id).with_for_update())
                entry = Entry(who, action, Draft(connection), **logged)
                if idempotency:
                    _raise_asked_before(connection, idempotency[0])
                if check:
                    check(entry.draft)
                yield entry
                entry.row = append(connection, entry)
                if idempotency and entry.row:
                    key, asked = idempotency
                    connection.execute(insert(RequestKey).values(key=key, request=asked, decision=entry.row.number))
        except ChangeConflict as conflict:
            raise CatalogueError(
                "clash", f"{self.folder}: {conflict}", "look at what is there, then try again"
            ) from None

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

    def files_of(self, arrivals: Sequence[NewReference]) -> dict[str, bytes | Path]:
        """Images and faces of arrivals, for `bringing`."""
        named: dict[str, bytes | Path] = {}
        for arrival in arrivals:
            prepared = arrival.prepared
            named[arrival.image] = arrival.data
            named[prepared.face_name] = prepared.face
        return named

    def add(
        self, record: RecordRow, arrivals: Sequence[NewReference], who: Actor | None = None, batch: int | None = None
    ) -> tuple[int, ...]:
        """Store a record, unless it is there, and its new references, as one decision.

        Only inside `writing`. Returns the new references' ids.
        """
        logged: dict[str, Any] = {"about": record.record_id, "batch": batch, "outcome": references_told(len(arrivals))}
        with (
            self.bringing(self.files_of(arrivals)),
            self.deciding(who or whoever_runs_this(), "enrol", **logged) as entry,
        ):
            add_record(entry.draft, record)
            return tuple(add_reference(entry.draft, record.record_id, a) for a in arrivals)

    def restore_image(self, reference: ReferenceRow, path: str | os.PathLike[str]) -> bool:
        """Store a reference's image again where it was lost; `path` must hold the same bytes. Only inside `writing`.

        Returns whether it had been lost.
        """
        stored = self.image_path(reference)
        if stored.is_file():
            return False
        with guarded(self.folder):
            files.write_whole(stored, Path(path).read_bytes())
        return True

    def remove_record(self, record_id: str, who: Actor | None = None, note: str = "") -> tuple[int, ...]:
        """Take out a record with its copies, references and sightings; returns the references' ids.

        The image files stay: undoing the decision brings everything back.
        """
        with self.writing(PATIENCE), guarded(self.folder):
            self.record(record_id)
            gone = self.references(record_id)
            outcome = f"removed with {references_told(len(gone))}"
            actor = who or whoever_runs_this()
            with self.deciding(actor, "remove", about=record_id, note=note, outcome=outcome) as entry:
                remove_record(entry.draft, record_id)
        return tuple(reference.id for reference in gone)

    def describe_lacking(self) -> int:
        """Store descriptions of the present fingerprint where older ones, damaged ones or none are stored; how many.

        Outside `writing`: others may decide while pictures are being looked at. Without it, `description` makes them
        again at every call.
        """
        done = 0
        for made in self._described_anew():
            with self.writing(PATIENCE):
                done += self._keep(made)
        return done

    # Inside

    def _described_anew(self) -> Iterator[list[tuple[ReferenceRow, Description]]]:
        damaged = self._damaged_descriptions()
        stale = [
            r for r in self.references() if r.fingerprint != fingerprint(size=self.settings.face) or r.id in damaged
        ]
        for start in range(0, len(stale), _DESCRIBED_AT_ONCE):
            some = stale[start : start + _DESCRIBED_AT_ONCE]
            yield [(reference, describe(self.face(reference))) for reference in some]

    def _keep(self, made: Sequence[tuple[ReferenceRow, Description]]) -> int:
        with self.noting() as connection:
            for reference, description in made:
                keep_description(connection, reference.sha256, reference.outline, description)
        return len(made)

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


def _raise_asked_before(connection: Connection, key: str) -> None:
    query = select(RequestKey.decision, RequestKey.request).where(RequestKey.key == key)
    row = connection.execute(query).one_or_none()
    if row is not None:
        raise AskedBefore(row.decision, row.request)
