"""A name as somebody writes it in, the records it may mean out, the likeliest first.

Names are compared as they stand and with their words sorted (rapidfuzz), after accents, case and punctuation are
taken off. All known spellings of a subject count, the caption, and the record's id.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from rapidfuzz import fuzz, process
from sqlalchemy import select

from matcher.catalogue.models import RecordRow
from matcher.catalogue.registers import Spelling
from matcher.catalogue.store import Catalogue


@dataclass(frozen=True)
class Found:
    """A record that a search found, and how alike it is, 0 to 100."""

    record: RecordRow
    likeness: float


class NameSearch:
    """Records' names, made ready once; finding then takes milliseconds for thousands of them."""

    def __init__(self, records: Sequence[RecordRow], spellings: Mapping[str, Sequence[str]]) -> None:
        self._records = records
        owners: dict[str, list[int]] = {}
        for place, record in enumerate(records):
            for name in _names(record, spellings.get(record.subject, ())):
                owners.setdefault(name, []).append(place)
        self._names = list(owners)
        self._sorted = [_sorted(name) for name in self._names]
        self._places = np.array([place for some in owners.values() for place in some], dtype=np.int64)
        self._times = np.array([len(some) for some in owners.values()], dtype=np.int64)

    @classmethod
    def of(cls, catalogue: Catalogue) -> NameSearch:
        with catalogue.reading() as connection:
            rows = connection.execute(select(Spelling.subject, Spelling.spelling).order_by(Spelling.spelling)).all()
        spellings: dict[str, list[str]] = {}
        for subject, spelling in rows:
            spellings.setdefault(subject, []).append(spelling)
        return cls(catalogue.records(), spellings)

    def find(self, text: str, limit: int = 10) -> tuple[Found, ...]:
        """The likeliest records, at most `limit`; of equal ones the smaller id first. Nothing for a blank text."""
        wanted = plain(text)
        if not wanted or not self._names:
            return ()
        whole = process.cdist([wanted], self._names, scorer=fuzz.ratio, dtype=np.float32)[0]
        words = process.cdist([_sorted(wanted)], self._sorted, scorer=fuzz.ratio, dtype=np.float32)[0]
        likeness = np.zeros(len(self._records), np.float32)
        np.maximum.at(likeness, self._places, np.repeat(np.maximum(whole, words), self._times))
        best = np.argsort(-likeness, kind="stable")[:limit]
        return tuple(Found(self._records[i], round(float(likeness[i]), 1)) for i in best if likeness[i] > 0)


def plain(text: str) -> str:
    """Small letters without accents, and words apart by one space.

    >>> plain("  Zoë  O'NEILL-Bray, ")
    'zoe oneill bray'
    """
    bare = "".join(c for c in unicodedata.normalize("NFKD", text.casefold()) if not unicodedata.combining(c))
    return " ".join("".join(c if c.isalnum() else "" if c in "'’." else " " for c in bare).split())


def _names(record: RecordRow, spellings: Iterable[str]) -> Iterable[str]:
    return sorted({plain(name) for name in (record.record_id, record.subject, record.caption, *spellings)} - {""})


def _sorted(name: str) -> str:
    """The words of a name by the alphabet: surname first or last is then the same."""
    return " ".join(sorted(name.split()))
