"""Whole catalogues out and in: exports, backups, imports, the check."""
