"""Alembic's environment and revisions; run by `matcher.catalogue.migrate`, never by an ini file."""
