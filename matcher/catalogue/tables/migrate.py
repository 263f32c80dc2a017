"""The version of a catalogue's database: told apart at every opening, brought up to date by Alembic.

The revisions are in `migrations/versions` and are shipped with the package. Alembic itself is loaded only
where something has to be done: telling that a database is current takes one query.

To add a revision: change `models`, call `new_revision("what changes")`, read the file it writes, and set `HEAD`
to its revision.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Literal

from sqlalchemy import Connection, create_engine, inspect, text

if TYPE_CHECKING:
    from alembic.config import Config

HEAD = "0008"
"""The newest revision; a test holds it against the files."""

State = Literal["current", "empty", "older", "newer", "foreign"]


def state_of(connection: Connection) -> State:
    """What the database is to this version. 'foreign': it has tables, but none that says a version."""
    tables = inspect(connection).get_table_names()
    if "alembic_version" not in tables:
        return "foreign" if tables else "empty"
    found = connection.execute(text("SELECT version_num FROM alembic_version")).scalars().all()
    if found == [HEAD]:
        return "current"
    if not found:
        return "empty" if tables == ["alembic_version"] else "foreign"
    return "older" if set(found) <= _known_revisions() else "newer"


def upgrade(connection: Connection, revision: str = "head") -> None:
    """Run what is missing, inside the transaction that the connection is in."""
    from alembic import command

    command.upgrade(_config(connection), revision)


def new_revision(message: str) -> None:
    """Write a revision file for what `models` has and the newest revision has not."""
    from alembic import command

    with create_engine("sqlite://").begin() as connection:
        upgrade(connection)
        command.revision(_config(connection), message, autogenerate=True, rev_id=f"{int(HEAD) + 1:04d}")


def _config(connection: Connection | None = None) -> Config:
    from alembic.config import Config

    config = Config(attributes={"connection": connection})
    folder = Path(__file__).parent / "migrations"
    config.set_main_option("script_location", str(folder).replace("%", "%%"))
    config.set_main_option("file_template", "r%%(rev)s_%%(slug)s")
    config.set_main_option("path_separator", "os")
    return config


def _known_revisions() -> set[str]:
    from alembic.script import ScriptDirectory

    return {script.revision for script in ScriptDirectory.from_config(_config()).walk_revisions()}
