"""A name as somebody writes it in, the records it may mean out, the likeliest first.

Names are compared as they stand and with their words sorted (rapidfuzz), after accents, case and punctuation are
taken off. All known spellings of a subject count, the caption, the club, the issuer and the mark. Ids of records and
negatives are not compared but looked up: one that is nearly the same is another one.
"""

from __future__ import annotations

import threading
import unicodedata
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from rapidfuzz import fuzz, process
from sqlalchemy import Connection, select

from matcher.catalogue.log.decisions import DecisionRow
from matcher.catalogue.records.store import Catalogue
from matcher.catalogue.tables.facts import Spelling
from matcher.catalogue.tables.models import RecordRow
from matcher.core.ladder.mark import mark_words

FEW = 200
"""With more news than that, all records are read anew: it costs no more."""


@dataclass(frozen=True)
class Found:
    """A record that a search found, and how alike it is, 0 to 100."""

    record: RecordRow
    likeness: float


class NameSearch:
    """Records' names, made ready once; finding then takes milliseconds for thousands of them."""

    def __init__(self, records: Iterable[RecordRow], spellings: Mapping[str, Sequence[str]]) -> None:
        self._held: dict[str, tuple[RecordRow, tuple[str, ...]]] = {}
        self._hold(records, spellings)

    @classmethod
    def of(cls, catalogue: Catalogue) -> NameSearch:
        """The names of all records of a catalogue, with their spellings, as they are now."""
        with catalogue.reading() as connection:
            return cls(catalogue.records(), _spellings(connection))

    def changed(
        self, gone: Iterable[str], records: Iterable[RecordRow], spellings: Mapping[str, Sequence[str]]
    ) -> None:
        """Take out records by their ids, and hold these, new or as they are now."""
        for record_id in gone:
            self._held.pop(record_id, None)
        self._hold(records, spellings)

    def _hold(self, records: Iterable[RecordRow], spellings: Mapping[str, Sequence[str]]) -> None:
        for record in records:
            self._held[record.record_id] = record, _names(record, spellings.get(record.subject, ()))
        held = [self._held[record_id] for record_id in sorted(self._held)]
        self._records = [record for record, _ in held]
        owners: dict[str, list[int]] = {}
        for place, (_, names) in enumerate(held):
            for name in names:
                owners.setdefault(name, []).append(place)
        self._names = list(owners)
        self._sorted = [_sorted(name) for name in self._names]
        self._places = np.array([place for some in owners.values() for place in some], dtype=np.int64)
        self._times = np.array([len(some) for some in owners.values()], dtype=np.int64)

    def ids_of(self, subjects: Collection[str]) -> set[str]:
        """The records held of these subjects."""
        return {record_id for record_id, (record, _) in self._held.items() if record.subject in subjects}

    def find(self, text: str, limit: int = 10) -> tuple[Found, ...]:
        """The likeliest records, at most `limit`; of equal ones the smaller id first. Nothing for a blank text."""
        wanted = plain(text)
        if not wanted or not self._names:
            return ()
        named = [record for record in self._records if wanted in (plain(record.record_id), plain(record.pose))]
        if named:
            return tuple(Found(record, 100.0) for record in named[:limit])
        whole = process.cdist([wanted], self._names, scorer=fuzz.ratio, dtype=np.float32)[0]
        words = process.cdist([_sorted(wanted)], self._sorted, scorer=fuzz.ratio, dtype=np.float32)[0]
        likeness = np.zeros(len(self._records), np.float32)
        np.maximum.at(likeness, self._places, np.repeat(np.maximum(whole, words), self._times))
        best = np.argsort(-likeness, kind="stable")[:limit]
        return tuple(Found(self._records[i], round(float(likeness[i]), 1)) for i in best if likeness[i] > 0)


class Names:
    """The names of an open catalogue, kept ready, and brought up to date by what was decided since.

    May be asked from several threads. The first question reads all records, a later one only what has changed.
    """

    def __init__(self, catalogue: Catalogue) -> None:
        self._catalogue = catalogue
        self._asked = threading.Lock()
        self._seen = -1
        self._search = NameSearch((), {})

    def find(self, text: str, limit: int = 10) -> tuple[Found, ...]:
        """See `NameSearch.find`."""
        with self._asked:
            self._refresh()
            return self._search.find(text, limit)

    def _refresh(self) -> None:
        newest = self._catalogue.last_decision()
        if newest == self._seen:
            return
        # Numbered before it is read: what is decided meanwhile counts as news once more.
        if 0 <= newest - self._seen <= FEW:
            self._take_in(self._catalogue.decisions(after=self._seen))
        else:
            self._search = NameSearch.of(self._catalogue)
        self._seen = newest

    def _take_in(self, news: Sequence[DecisionRow]) -> None:
        changes = [change for decision in news for change in decision.changes]
        concerned = {str(change.key[0]) for change in changes if change.table == "records"}
        respelt = {
            values["subject"]
            for change in changes if change.table == "spellings"
            for values in (change.before, change.after) if values and "subject" in values
        }  # fmt: skip
        concerned |= self._search.ids_of(respelt)
        if not concerned:
            return
        records = self._catalogue.records_among(concerned)
        with self._catalogue.reading() as connection:
            spellings = _spellings(connection, {record.subject for record in records})
        self._search.changed(concerned, records, spellings)


def plain(text: str) -> str:
    """Small letters without accents, and words apart by one space.

    >>> plain("  Zoë  O'NEILL-Bray, ")
    'zoe oneill bray'
    """
    bare = "".join(c for c in unicodedata.normalize("NFKD", text.casefold()) if not unicodedata.combining(c))
    return " ".join("".join(c if c.isalnum() else "" if c in "'’." else " " for c in bare).split())


def bears(mark: str, wanted: str) -> bool:
    """Whether a record's mark is the wanted one: in any capitals, with its form and place or by its words alone.

    >>> bears("Brell & Co. (oval, foot right)", "brell & co"), bears("none", "None"), bears("", "none"), bears("", "")
    (True, True, False, True)
    """
    return plain(wanted) in (plain(mark), plain(mark_words(mark)) or plain(mark))


def spellings_of(catalogue: Catalogue) -> dict[str, list[str]]:
    """Other spellings that are known, by subject."""
    with catalogue.reading() as connection:
        return _spellings(connection)


def _spellings(connection: Connection, subjects: Collection[str] | None = None) -> dict[str, list[str]]:
    """Other spellings by subject, of these subjects or of all."""
    query = select(Spelling.subject, Spelling.spelling).order_by(Spelling.spelling)
    known: dict[str, list[str]] = {}
    for subject, spelling in connection.execute(query):
        if subjects is None or subject in subjects:
            known.setdefault(subject, []).append(spelling)
    return known


def _names(record: RecordRow, spellings: Iterable[str]) -> tuple[str, ...]:
    said = (
        record.record_id,
        record.subject,
        record.caption,
        record.club,
        record.issuer,
        mark_words(record.mark),
        *spellings,
    )
    return tuple(sorted({plain(name) for name in said} - {""}))


TITLES = frozenset({"jr", "sr", "junior", "senior", "ii", "iii", "esq"})
"""What follows a surname in print."""


def surname(name: str) -> str:
    """The word by which a person is looked up; of several people the first one's.

    >>> surname("Capt. J. Harlesk"), surname("Quill, Ada"), surname("Wm. Tollabar Jr."), surname("A. Bray; C. Vane")
    ('Harlesk', 'Quill', 'Tollabar', 'Bray')
    """
    first = name.split(";")[0].strip()
    if "," in first:
        return first.split(",")[0].strip()
    words = first.split()
    while len(words) > 1 and (plain(words[-1]) in TITLES or not any(map(str.isalpha, words[-1]))):
        words.pop()
    return words[-1] if words else ""


def _sorted(name: str) -> str:
    """The words of a name by the alphabet: surname first or last is then the same."""
    return " ".join(sorted(name.split()))
