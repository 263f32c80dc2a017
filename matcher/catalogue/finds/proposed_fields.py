"""What a find's form begins with: the answer about a card in, each field with where it comes from out.

Words are those that were read on this very card, never those of the record it resembles: who copies a record's words
makes a second record of them. What hangs on the negative alone, who is shown, is copied from that record. What differs
from it, or was read without certainty, is for a person to confirm.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from matcher.catalogue.records.name_search import plain
from matcher.core.answer import CandidateResult, CardResult, WrittenLine
from matcher.core.ladder.mark import mark_words

READ = "read from this card"
SURE = 0.9
"""Certainty of the reader's own from which a line need not be confirmed; own choice."""


@dataclass(frozen=True)
class ProposedField:
    """One field. value: "" where nothing could be read. origin: where it comes from, in words.

    confirm: whether it differs from the closest record, or was read without certainty.
    """

    value: str
    origin: str
    confirm: bool = False


def proposed_fields(card: CardResult) -> dict[str, ProposedField]:
    """Subject, pose, crop, caption, club, mark and caption_place, as far as there is something to say."""
    closest, fields = card.closest, dict[str, ProposedField]()
    if closest and card.pose == closest.pose:
        copied = {"subject": closest.evidence.subject, "pose": card.pose, "crop": card.crop}
        told = f"copied from {closest.record_id}"
        fields |= {name: ProposedField(value, told) for name, value in copied.items() if value}
    known = _known(closest)
    for line in card.lines:
        if line.part and line.part not in fields:
            fields[line.part] = _read(line, known.get(line.part, ""))
    if card.caption is not None and closest and card.caption == closest.caption:  # found to be the same words
        fields["caption"] = ProposedField(card.caption, f"copied from {closest.record_id}")
    if closest and card.lines and known.get("mark") and "mark" not in fields:
        fields["mark"] = _unread(known["mark"], closest.record_id)
    name = next((line for line in card.lines if line.part == "caption"), None)
    if name:
        fields["caption_place"] = ProposedField(name.place, READ)
    return fields


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
    """As the closest record has it where it says the same, in whatever capitals; else a mark with its place."""
    same = _letters(line.words) == _letters(known)
    other = f"{line.words} ({line.place})" if line.part == "mark" else line.words
    return ProposedField(known if same else other, READ, line.certainty < SURE or not same)


def _letters(words: str) -> str:
    """What says the same whatever its capitals and gaps: readers tell 'R.C.' from 'R. C.' badly.

    >>> _letters("FERRY HILL R.C.") == _letters("Ferry Hill R. C.")
    True
    """
    return plain(words).replace(" ", "")
