"""Alembic's environment: runs the revisions on the connection that `migrate` put into the configuration."""

from __future__ import annotations

from alembic import context

from matcher.catalogue.tables import facts, finds, log, lots, service  # noqa: F401  (their tables belong to Base)
from matcher.catalogue.tables.models import Base


def run() -> None:
    """Run on the given connection; its owner commits, so that a killed migration leaves nothing."""
    context.configure(
        connection=context.config.attributes["connection"],
        target_metadata=Base.metadata,
        render_as_batch=True,  # SQLite changes a column only by copying its table
    )
    with context.begin_transaction():
        context.run_migrations()


if __name__ == "env_py":  # the name under which Alembic loads this file
    run()
