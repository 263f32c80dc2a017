"""Finds before anybody has decided: what an identification took for something new, proposed with its evidence.

In: the answer about a photo (`core.answer`) with the photo's bytes; out: open finds, and all finds listed.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import partial
from typing import Any, Literal

from sqlalchemy import Select, func, select

from matcher.catalogue.finds.evidence import FindEvidence, evidence_from_json, evidence_json
from matcher.catalogue.finds.proposed_fields import known_marks
from matcher.catalogue.log.changes import Draft, find_id
from matcher.catalogue.log.decisions import machine
from matcher.catalogue.log.past_words import outcome_ever, outcome_now
from matcher.catalogue.records import files
from matcher.catalogue.records.days import is_day
from matcher.catalogue.records.ingest import PreparedReference, keep_description
from matcher.catalogue.records.prepare import prepare_outlines
from matcher.catalogue.records.store import PATIENCE, Catalogue
from matcher.catalogue.tables.finds import Find
from matcher.catalogue.tables.models import Quad
from matcher.core.answer import CardResult, PhotoAnswer
from matcher.core.errors import CatalogueError, UnreadablePhoto
from matcher.core.formats import face_of_text
from matcher.core.ladder.decision import NEW

State = Literal["open", "accepted", "merged", "rejected"]


@dataclass(frozen=True)
class FindRow:
    """One find.

    pose, crop: what the identification established, None where it did not.
    record_id, reference_id: what it became. facts: of the face, see `ReferenceRow`.
    evidence: as it is stored and published; `found` reads it.
    """

    find_id: str
    state: State
    outcome: str
    pose: str | None
    crop: str | None
    record_id: str | None
    reference_id: int | None
    proposed_at: datetime
    proposed_by: str
    sha256: str
    suffix: str
    outline: str
    name: str
    source: str
    seen_on: str
    width: int
    height: int
    quad: Quad
    facts: Mapping[str, Any]
    evidence: Mapping[str, Any]

    @property
    def format(self) -> str:
        """What its face was cut out as, see `core.formats.face_text`."""
        return str(self.facts.get("format", ""))

    @property
    def found(self) -> FindEvidence:
        return evidence_from_json(self.evidence)


def propose(
    catalogue: Catalogue, answer: PhotoAnswer, data: bytes, *, source: str | Sequence[str] = "", seen_on: str = "",
    only: Collection[int] | None = None, **logged: Any,
) -> tuple[FindRow, ...]:  # fmt: skip
    """Propose the new cards of one photo, as one decision of the machine; a card that was proposed before is left out.

    data: the photo's bytes. only: places (from 0) of the cards to propose, whatever their outcome, as a person wants
    to decide on them. source: of the photo, or of each of its cards. logged: as `Catalogue.deciding` takes it.
    Returns the finds of this photo's new cards, old and new. Raises CatalogueError, UnreadablePhoto.
    """
    check_day(seen_on)
    sha256 = hashlib.sha256(data).hexdigest()
    if sha256 != answer.sha256:
        raise UnreadablePhoto("changed", f"{answer.photo}: was changed while it was being read", "run again")
    cards = list(zip(answer.cards, sources_of(answer, source), strict=True))
    new = [pair for place, pair in enumerate(cards) if (pair[0].outcome in NEW if only is None else place in only)]
    if not new:
        return ()
    quads, count = [card.quad for card, _ in new], len(answer.cards)
    sizes = [face_of_text(card.face.format, catalogue.settings.face) for card, _ in new]
    prepared = catalogue.elsewhere(prepare_outlines, data, answer.photo, quads, catalogue.settings, count, False, sizes)
    named = {files.image_name(sha256, files.suffix_of(data)): data}
    for one in prepared:
        named[one.face_name] = one.face
    with (
        catalogue.writing(PATIENCE),
        catalogue.bringing(named),
        catalogue.deciding(machine(), "propose", **logged) as entry,
    ):
        known = [
            _propose(entry.draft, answer, card, one, data, whence, seen_on)
            for (card, whence), one in zip(new, prepared, strict=True)
        ]
        made = [change.key[0] for change in entry.draft.changes if change.table == "finds"]
        entry.about = " ".join(made)
        entry.outcome = f"{len(made)} proposed from {own_name(answer)}"
        entry.evidence = {"sha256": sha256, "versions": dict(answer.versions)}
    return tuple(find(catalogue, known_id) for known_id in known)


def _propose(
    draft: Draft, answer: PhotoAnswer, card: CardResult, one: PreparedReference, data: bytes, source: str,
    seen_on: str,
) -> str:  # fmt: skip
    outline = one.outline
    for held in draft.rows(Find, sha256=one.sha256, outline=outline):
        return str(held["find_id"])
    new_id = find_id(draft.give(Find))
    keep_description(draft.connection, one.sha256, outline, one.description)
    draft.insert(
        Find,
        find_id=new_id,
        state="open",
        outcome=card.outcome,
        pose=card.pose,
        crop=card.crop,
        record_id=None,
        reference_id=None,
        proposed_at=datetime.now(UTC),
        proposed_by=machine().name,
        sha256=one.sha256,
        suffix=files.suffix_of(data),
        outline=outline,
        name=own_name(answer),
        source=source,
        seen_on=seen_on,
        width=one.width,
        height=one.height,
        quad=one.quad,
        facts=dict(one.facts),
        evidence=evidence_json(card, answer.versions, partial(known_marks, draft.connection)),
    )
    return new_id


def sources_of(answer: PhotoAnswer, source: str | Sequence[str]) -> Sequence[str]:
    """Where each card of an answer was seen. source: one for all of them, or one of each."""
    return [source] * len(answer.cards) if isinstance(source, str) else source


def own_name(answer: PhotoAnswer) -> str:
    """The photo's name without its folder: the log is exported, and where a person keeps files is theirs alone."""
    return answer.photo.rsplit("/", 1)[-1]


def find(catalogue: Catalogue, wanted_find: str) -> FindRow:
    """One find. Raises CatalogueError no_such_find."""
    for row in _found(catalogue, select(*Find.__table__.columns).where(Find.find_id == wanted_find)):
        return row
    raise no_such_find(wanted_find)


def finds(
    catalogue: Catalogue,
    state: State | None = None,
    outcome: str | None = None,
    limit: int | None = None,
    offset: int = 0,
    record_id: str | None = None,
) -> tuple[FindRow, ...]:
    """Finds by id, a page of them. record_id: only those that became this record."""
    query = _where(select(*Find.__table__.columns), state, outcome)
    query = query if record_id is None else query.where(Find.record_id == record_id)
    return _found(catalogue, query.order_by(Find.find_id).limit(limit).offset(offset))


def count_finds(catalogue: Catalogue, state: State | None = None, outcome: str | None = None) -> int:
    """How many finds `finds` would list without a limit."""
    with catalogue.reading() as connection:
        query = _where(select(func.count()).select_from(Find), state, outcome)
        return int(connection.execute(query).scalar_one())


def check_day(text: str) -> None:
    """Refuse what is no day, month or year like 1987-05-23, and what is still to come; "" stands for unknown. Raises
    CatalogueError bad_day."""
    if not is_day(text):
        raise CatalogueError("bad_day", f"{text!r} is not a valid date", "write it like 1987-05-23, 1987-05 or 1987")
    anywhere = (date.today() + timedelta(days=1)).isoformat()  # east of here it is tomorrow already
    if text > anywhere[: len(text)]:
        raise CatalogueError("bad_day", f"{text!r} is still to come", "write the day on which it was seen")


def _where(query: Select[Any], state: str | None, outcome: str | None) -> Select[Any]:
    query = query if state is None else query.where(Find.state == state)
    return query if outcome is None else query.where(Find.outcome.in_(outcome_ever(outcome)))


def _found(catalogue: Catalogue, query: Select[Any]) -> tuple[FindRow, ...]:
    with catalogue.reading() as connection:
        rows = [dict(row._mapping) for row in connection.execute(query)]
    return tuple(
        FindRow(**{**row, "outcome": outcome_now(row["outcome"]), "quad": tuple(map(tuple, row["quad"]))})
        for row in rows
    )


def no_such_find(wanted_find: str) -> CatalogueError:
    """The error for a find that is not there."""
    return CatalogueError("no_such_find", f"no find {wanted_find}", "list the finds to see their ids")
