"""Where `measure_catalogue` keeps its catalogues: a folder alone, or one whose rows a PostgreSQL server holds.

Each folder gets a schema of its own on the server, named in the folder's `database.url` as people who share one do.
"""

from __future__ import annotations

import shutil
import uuid
from dataclasses import dataclass, field
from pathlib import Path

from sqlalchemy import create_engine, make_url

from matcher.catalogue.tables.database import URL_FILE


@dataclass
class Places:
    """server: address of a PostgreSQL database, or "" for SQLite files in the folders."""

    server: str
    _schemas: dict[Path, str] = field(default_factory=dict)

    def make(self, folder: Path) -> Path:
        """The folder, empty and ready for a catalogue."""
        folder.mkdir(parents=True)
        if self.server:
            schema = f"c{uuid.uuid4().hex[:12]}"
            self._execute(f"CREATE SCHEMA {schema}")
            self._schemas[folder] = schema
            address = make_url(self.server).update_query_dict({"options": f"-csearch_path={schema}"})
            (folder / URL_FILE).write_text(address.render_as_string(hide_password=False))
        return folder

    def clear(self, folder: Path) -> None:
        """Remove a folder with all catalogues in it."""
        for place in [place for place in self._schemas if place.is_relative_to(folder)]:
            self._execute(f"DROP SCHEMA {self._schemas.pop(place)} CASCADE")
        shutil.rmtree(folder, ignore_errors=True)

    def _execute(self, statement: str) -> None:
        engine = create_engine(self.server, isolation_level="AUTOCOMMIT")
        try:
            with engine.connect() as connection:
                connection.exec_driver_sql(statement)
        finally:
            engine.dispose()
