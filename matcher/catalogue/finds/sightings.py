"""Which physical cards have been seen: sightings, and the copies that a person has joined them to.

A reference is a sighting too. A card that was identified as a record (outcome `known`) can be noted as a sighting
without becoming a reference; the copy rung then suggests which copy it may be, and a person confirms or says
otherwise. Only what a person has joined counts as one copy.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select

from matcher.catalogue.finds.evidence import sighting_evidence
from matcher.catalogue.finds.proposals import check_day, own_name, sources_of
from matcher.catalogue.log.decisions import Actor, DecisionRow, decided
from matcher.catalogue.records import files
from matcher.catalogue.records.ingest import copy_of
from matcher.catalogue.records.store import PATIENCE, Catalogue
from matcher.catalogue.tables.finds import Sighting
from matcher.catalogue.tables.models import Copy, Quad, Record, Reference, outline_key
from matcher.core.answer import CardResult, PhotoAnswer
from matcher.core.errors import CatalogueError, UnreadablePhoto

SUGGESTED_FROM = 0.5
"""Probability of the copy rung from which it is worth a person's look."""


@dataclass(frozen=True)
class SightingRow:
    """A card seen that is no reference. suggested_*: of the machine; copy: the label, once a person has said it.

    quad: TL TR BR BL of the upright card, pixels of the upright photo.
    """

    id: int
    record_id: str
    copy: str | None
    confirmed: bool
    seen_on: str
    source: str
    who: str
    sha256: str
    suffix: str
    name: str
    quad: Quad
    residual_contrast: float | None
    suggested_reference: int | None
    suggested_probability: float | None
    format: str = ""


def note_sightings(
    catalogue: Catalogue, answer: PhotoAnswer, data: bytes, who: Actor, *, source: str | Sequence[str] = "",
    seen_on: str = "", **logged: Any,
) -> DecisionRow | None:  # fmt: skip
    """Note every `known` card of a photo as a sighting of its record; None where there is none, or none is new.

    answer: the published object; data: the photo's bytes. That the card is the record is the word of the person who
    notes it; which copy it is stays open. source: of the photo, or of each of its cards.
    Raises CatalogueError bad_day, UnreadablePhoto changed.
    """
    check_day(seen_on)
    sha256 = hashlib.sha256(data).hexdigest()
    if sha256 != answer.sha256:
        raise UnreadablePhoto("changed", f"{answer.photo}: was changed while it was being read", "run again")
    known = [
        (card, whence) for card, whence in zip(answer.cards, sources_of(answer, source), strict=True) if card.is_known
    ]
    if not known:
        return None
    suffix = files.suffix_of(data)
    image: dict[str, Any] = {files.image_name(sha256, suffix): data}
    with (
        catalogue.writing(PATIENCE),
        catalogue.bringing(image),
        catalogue.deciding(who, "see", **logged) as entry,
    ):
        made = []
        for card, whence in known:
            outline = outline_key(card.quad, card.face.format)
            if entry.draft.rows(Sighting, sha256=sha256, outline=outline):
                continue
            number = entry.draft.give(Sighting)
            suggestion = _suggestion(card)
            entry.draft.insert(
                Sighting, id=number, record_id=card.record_id, copy_id=None, seen_on=seen_on, source=whence,
                who=who.name, confirmed=False, sha256=sha256, suffix=suffix, outline=outline,
                name=own_name(answer), quad=card.quad,
                residual_contrast=card.face.residual_contrast,
                suggested_reference=suggestion[0], suggested_probability=suggestion[1],
                evidence=sighting_evidence(card, answer.versions), format=card.face.format,
            )  # fmt: skip
            made.append(f"{card.record_id} (sighting {number})")
        entry.about = " ".join(str(card.record_id) for card, _ in known)
        entry.outcome = f"seen: {', '.join(made)}"
    return entry.row


def join_copy(
    catalogue: Catalogue, kind: str, number: int, label: str | None, who: Actor, **logged: Any
) -> DecisionRow:
    """Say which copy a reference or a sighting shows; without a label: confirm what the copy rung suggests.

    kind: "reference" or "sighting". A suggested reference that has no copy yet becomes one together with it.
    Raises CatalogueError no_such_reference, no_such_sighting, missing_value, nothing_changed.
    """
    model = {"reference": Reference, "sighting": Sighting}[kind]
    with catalogue.writing(PATIENCE), catalogue.deciding(who, "join_copy", **logged) as entry:
        draft = entry.draft
        row = draft.row(model, number)
        if row is None:
            raise CatalogueError(f"no_such_{kind}", f"no {kind} {number}", "list what has been seen")
        copy_id = (
            _suggested_copy(entry.draft, row) if label is None else copy_of(draft, row["record_id"], label.strip())
        )
        if copy_id is None:
            raise CatalogueError("missing_value", f"{kind} {number}: nothing is suggested", "give the copy's label")
        sure = {"confirmed": True} if model is Sighting else {}
        draft.update(model, [number], copy_id=copy_id, **sure)
        held = draft.row(Copy, copy_id)
        assert held is not None  # just made or found
        entry.about = row["record_id"]
        entry.outcome = f"{kind} {number} shows copy {held['label']!r} of {row['record_id']}"
        if label is None:
            entry.evidence = {k: row[k] for k in ("suggested_reference", "suggested_probability")}
    return decided(entry)


def part_copy(catalogue: Catalogue, kind: str, number: int, who: Actor, **logged: Any) -> DecisionRow:
    """Say that it is open again which copy a reference or a sighting shows.

    Raises CatalogueError no_such_reference, no_such_sighting, nothing_changed.
    """
    model = {"reference": Reference, "sighting": Sighting}[kind]
    with catalogue.writing(PATIENCE), catalogue.deciding(who, "part_copy", **logged) as entry:
        row = entry.draft.row(model, number)
        if row is None:
            raise CatalogueError(f"no_such_{kind}", f"no {kind} {number}", "list what has been seen")
        sure = {"confirmed": False} if model is Sighting else {}
        entry.draft.update(model, [number], copy_id=None, **sure)
        entry.about, entry.outcome = row["record_id"], f"{kind} {number} is linked to no copy"
    return decided(entry)


def sightings(catalogue: Catalogue, record_id: str | None = None, open_only: bool = False) -> tuple[SightingRow, ...]:
    """Sightings by id. open_only: those whose copy nobody has confirmed."""
    names = [name for name in SightingRow.__dataclass_fields__ if name != "copy"]
    query = select(*(getattr(Sighting, name) for name in names), Copy.label.label("copy"))
    query = query.select_from(Sighting).outerjoin(Copy, Sighting.copy_id == Copy.id).order_by(Sighting.id)
    if record_id is not None:
        query = query.where(Sighting.record_id == record_id)
    if open_only:
        query = query.where(Sighting.confirmed.is_(False))
    with catalogue.reading() as connection:
        return tuple(
            SightingRow(**{**row._mapping, "quad": tuple(map(tuple, row.quad))}) for row in connection.execute(query)
        )


def sighting(catalogue: Catalogue, number: int) -> SightingRow:
    """One sighting. Raises CatalogueError no_such_sighting."""
    found = [row for row in sightings(catalogue) if row.id == number]
    if not found:
        raise CatalogueError("no_such_sighting", f"no sighting {number}", "list what has been seen")
    return found[0]


def _suggestion(card: CardResult) -> tuple[int | None, float | None]:
    """The reference of the known record whose very card this most probably is."""
    likely = [
        (candidate.confidence.copy, int(candidate.reference))
        for candidate in card.candidates
        if candidate.record_id == card.record_id and candidate.confidence.copy is not None
    ]
    probability, reference = max(likely, default=(0.0, 0))
    return (reference, probability) if probability >= SUGGESTED_FROM else (None, None)


def _suggested_copy(draft: Any, row: Mapping[str, Any]) -> int | None:
    reference = draft.row(Reference, row["suggested_reference"]) if row.get("suggested_reference") else None
    if reference is None or reference["record_id"] != row["record_id"]:
        return None
    if reference["copy_id"] is not None:
        return int(reference["copy_id"])
    assert draft.row(Record, row["record_id"]) is not None
    copy_id = copy_of(draft, row["record_id"], f"copy of reference {reference['id']}")
    draft.update(Reference, [reference["id"]], copy_id=copy_id)
    return copy_id
