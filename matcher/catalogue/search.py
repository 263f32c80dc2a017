"""A name as somebody writes it in, the records it may mean out, the likeliest first.

Names are compared by whole strings and by their words (rapidfuzz), after accents, case and punctuation are taken
off. All known spellings of a subject count, and the caption with its club.
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
        names = [list(_names(record, spellings.get(record.subject, ()))) for record in records]
        self._owners = np.array([i for i, some in enumerate(names) for _ in some], dtype=np.int64)
        self._names = [name for some in names for name in some]

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
        words = process.cdist([wanted], self._names, scorer=fuzz.token_sort_ratio, dtype=np.float32)[0]
        likeness = np.zeros(len(self._records), np.float32)
        np.maximum.at(likeness, self._owners, np.maximum(whole, words))
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
    told = {record.record_id, record.subject, record.caption, f"{record.subject} {record.club}", *spellings}
    return sorted({plain(name) for name in told} - {""})
