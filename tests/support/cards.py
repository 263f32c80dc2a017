"""Answers about photos as `identify` gives them, invented, for what is done with answers afterwards."""

from __future__ import annotations

from matcher.catalogue.log.decisions import person
from matcher.lab.benchmarks.stock import a_find, answer, card, photo_answer, row_answer

__all__ = ["ADA", "AWKWARD", "a_find", "answer", "card", "photo_answer", "row_answer"]

ADA = person("Ada Quill")

AWKWARD = "=HYPERLINK(\"x\"), 'Zoë'\n@oakmere"
"""A caption that a spreadsheet would run, and a careless writer break."""
