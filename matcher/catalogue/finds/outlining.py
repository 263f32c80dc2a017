"""A find outlined anew by a person: what is found within that outline takes the place of what was proposed."""

from __future__ import annotations

import hashlib
from functools import partial
from typing import Any

from matcher.catalogue.finds.evidence import decision_evidence, evidence_json
from matcher.catalogue.finds.proposed_fields import known_marks
from matcher.catalogue.finds.resolution import open_find
from matcher.catalogue.log.decisions import Actor, DecisionRow, decided
from matcher.catalogue.records.ingest import keep_description
from matcher.catalogue.records.prepare import prepare_outlines
from matcher.catalogue.records.store import PATIENCE, Catalogue
from matcher.catalogue.tables.finds import Find
from matcher.core.answer import PhotoAnswer
from matcher.core.errors import CatalogueError, UnreadablePhoto
from matcher.core.formats import face_of_text


def outline_find(
    catalogue: Catalogue, wanted_find: str, answer: PhotoAnswer, data: bytes, who: Actor, **logged: Any
) -> DecisionRow:
    """Give an open find another outline, and with it what was found within it.

    answer: about the find's photo with that outline as its only card. data: the photo's bytes. logged: further fields
    of the log's entry. Raises CatalogueError no_such_find, already_decided, nothing_changed; UnreadablePhoto changed.
    """
    if hashlib.sha256(data).hexdigest() != answer.sha256:
        raise UnreadablePhoto("changed", f"{answer.photo}: was changed while it was being read", "run again")
    (card,) = answer.cards
    size = face_of_text(card.face.format, catalogue.settings.face)
    (one,) = catalogue.elsewhere(
        prepare_outlines, data, answer.photo, [card.quad], catalogue.settings, 1, False, [size]
    )
    face = {one.face_name: one.face}
    outline = one.outline
    with (
        catalogue.writing(PATIENCE),
        catalogue.bringing(face),
        catalogue.deciding(who, "outline", **logged) as entry,
    ):
        row = open_find(entry.draft, wanted_find)
        if row["outline"] == outline:
            raise CatalogueError("nothing_changed", f"find {wanted_find} has this outline already", "move a corner")
        keep_description(entry.draft.connection, one.sha256, outline, one.description)
        told: dict[str, Any] = {"outcome": card.outcome, "pose": card.pose, "crop": card.crop}
        told |= {"outline": outline, "quad": one.quad, "facts": dict(one.facts)}
        evidence = evidence_json(card, answer.versions, partial(known_marks, entry.draft.connection))
        entry.draft.update(Find, [wanted_find], evidence=evidence, **told)
        entry.about, entry.outcome = wanted_find, f"outlined anew: {card.outcome}"
        entry.evidence = decision_evidence(open_find(entry.draft, wanted_find))
    return decided(entry)
