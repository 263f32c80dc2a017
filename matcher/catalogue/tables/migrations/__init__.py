"""Alembic's environment and revisions; run by `matcher.catalogue.tables.migrate`, never by an ini file."""
