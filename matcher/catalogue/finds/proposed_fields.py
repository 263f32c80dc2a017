"""What a find's form begins with: the answer about a card in, each field with where it comes from out.

Words are those that were read on this very card, never those of the record it resembles: who copies a record's words
makes a second record of them. What hangs on the negative alone, who is shown, is copied from that record. What differs
from it, or was read without certainty, is for a person to confirm.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from functools import cache
from typing import Any

from rapidfuzz import fuzz
from sqlalchemy import Connection, select

from matcher.catalogue.records.name_search import plain
from matcher.catalogue.records.store import Catalogue
from matcher.catalogue.tables.models import Record
from matcher.core.answer import CandidateResult, CardResult, WrittenLine
from matcher.core.ladder.mark import mark_words

READ = "read from this card"
SURE = 0.9
"""Certainty of the reader's own from which a line need not be confirmed; own choice."""

SAYS = 85.0
"""Per cent of letters in common from which a line says what an issuer prints; own choice."""

Marks = Callable[[], Collection[str]]


@dataclass(frozen=True)
class ProposedField:
    """One field. value: "" where nothing could be read. origin: where it comes from, in words.

    confirm: whether it differs from the closest record, or was read without certainty.
    """

    value: str
    origin: str
    confirm: bool = False


def known_marks(connection: Connection) -> frozenset[str]:
    """What the catalogue's issuers print on cards: their marks, and where none is told their names."""
    rows = connection.execute(select(Record.mark, Record.issuer).distinct())
    return frozenset(filter(None, (mark_words(mark) or issuer for mark, issuer in rows)))


def marks_of(catalogue: Catalogue) -> Marks:
    """The same of a catalogue, read once and when it is first asked for."""

    @cache
    def read() -> frozenset[str]:
        with catalogue.reading() as connection:
            return known_marks(connection)

    return read


def proposed_fields(card: CardResult, marks: Marks = frozenset) -> dict[str, ProposedField]:
    """Subject, pose, crop, caption, club, mark and caption_place, as far as there is something to say.

    marks: what the issuers of all records print; asked for where no line was taken for a mark.
    """
    lines = _with_mark(card.lines, marks)
    closest, fields = card.closest, dict[str, ProposedField]()
    if closest and card.pose == closest.pose:
        copied = {"subject": closest.evidence.subject, "pose": card.pose, "crop": card.crop}
        told = f"copied from {closest.record_id}"
        fields |= {name: ProposedField(value, told) for name, value in copied.items() if value}
    known = _known(closest)
    for line in lines:
        if line.part and line.part not in fields:
            alike = "" if line.part == "mark" and card.outcome == "new_mark" else known.get(line.part, "")
            fields[line.part] = _read(line, alike)
    if card.caption is not None and closest and card.caption == closest.caption:  # found to be the same words
        fields["caption"] = ProposedField(card.caption, f"copied from {closest.record_id}")
    if closest and card.lines and known.get("mark") and "mark" not in fields:
        fields["mark"] = _unread(known["mark"], closest.record_id)
    name = next((line for line in lines if line.part == "caption"), None)
    if name:
        fields["caption_place"] = ProposedField(name.place, READ)
    return fields


def _with_mark(lines: Sequence[WrittenLine], marks: Marks) -> Sequence[WrittenLine]:
    """A line that says what an issuer of the catalogue prints is a mark, not the card's caption or club.

    The answer knows the marks of the records that the card was compared with alone: another issuer's words, the
    largest on a card of a new negative, it takes for the name.
    """
    if not lines or any(line.part == "mark" for line in lines):
        return lines
    printed = [_letters(mark) for mark in marks()]
    likeness = [max((fuzz.ratio(_letters(line.words), one) for one in printed), default=0.0) for line in lines]
    best = likeness.index(max(likeness))
    if likeness[best] < SAYS:
        return lines
    return [replace(line, part="mark") if place == best else line for place, line in enumerate(lines)]


def fields_json(fields: Mapping[str, ProposedField]) -> dict[str, dict[str, Any]]:
    """As a find keeps them."""
    return {name: asdict(one) for name, one in fields.items()}


def fields_from_json(stored: Mapping[str, Mapping[str, Any]]) -> dict[str, ProposedField]:
    """The reverse of `fields_json`."""
    return {name: ProposedField(one["value"], one["origin"], one["confirm"]) for name, one in stored.items()}


def _known(closest: CandidateResult | None) -> dict[str, str]:
    """The closest record's words."""
    if closest is None:
        return {}
    told = closest.evidence
    return {"caption": closest.caption, "club": told.club or "", "mark": told.mark or ""}


def _unread(known: str, record_id: str) -> ProposedField:
    """Of a card on which no mark was read; where the closest record is known to have none, this one has none either."""
    if mark_words(known):
        return ProposedField("", "not read on this card", confirm=True)
    return ProposedField(known, f"copied from {record_id}")


def _read(line: WrittenLine, known: str) -> ProposedField:
    """As the closest record has it where it says the same, in whatever capitals; else a mark as it stands here."""
    same = _letters(line.words) == _letters(known)
    stands = ", ".join(filter(None, (line.form, line.place)))
    other = f"{line.words} ({stands})" if line.part == "mark" else line.words
    return ProposedField(known if same else other, READ, line.certainty < SURE or not same)


def _letters(words: str) -> str:
    """What says the same whatever its capitals and gaps: readers tell 'R.C.' from 'R. C.' badly.

    >>> _letters("FERRY HILL R.C.") == _letters("Ferry Hill R. C.")
    True
    """
    return plain(words).replace(" ", "")
