"""Words of earlier versions: a log is never rewritten, so what it says in their words is read in today's.

Rows that a log tells (finds, and the evidence of decisions) keep the word they were made with, so that the log, the
tables and every export still agree; who reads an outcome from them asks here.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

OUTCOMES = {"held": "known"}
"""Outcomes as earlier versions called them -> as they are called now."""

COLUMNS = {"records": {"issuer_mark": "mark"}}
"""Columns as earlier versions called them -> as they are called now, by table."""


def columns_now(table: str, values: Mapping[str, Any] | None) -> Mapping[str, Any] | None:
    """What a log tells of a row, by today's names of its columns.

    >>> columns_now("records", {"issuer_mark": "Brell & Co", "club": ""})
    {'mark': 'Brell & Co', 'club': ''}
    """
    names = COLUMNS.get(table)
    if values is None or not names or names.keys().isdisjoint(values):
        return values
    return {names.get(name, name): value for name, value in values.items()}


def outcome_now(stored: str) -> str:
    """An outcome that was read from a log or a find, in today's word.

    >>> outcome_now("held"), outcome_now("new_pose")
    ('known', 'new_pose')
    """
    return OUTCOMES.get(stored, stored)


def outcome_ever(outcome: str) -> tuple[str, ...]:
    """All words under which an outcome may be stored.

    >>> outcome_ever("known")
    ('known', 'held')
    """
    return (outcome, *(old for old, new in OUTCOMES.items() if new == outcome))
