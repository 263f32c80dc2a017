"""A reference outlined anew by a person: another outline, or another way up, gives another face and description."""

from __future__ import annotations

from typing import Any

from matcher.catalogue.log.decisions import Actor, DecisionRow, decided
from matcher.catalogue.records.ingest import keep_description
from matcher.catalogue.records.prepare import prepare_outlines
from matcher.catalogue.records.store import PATIENCE, Catalogue
from matcher.catalogue.tables.models import Quad, Reference
from matcher.core.errors import CatalogueError
from matcher.core.formats import face_of_text


def outline_reference(catalogue: Catalogue, number: int, quad: Quad, who: Actor, **logged: Any) -> DecisionRow:
    """Give a reference another outline. quad: TL TR BR BL of the upright card, pixels of the upright photo.

    Raises CatalogueError no_such_reference, nothing_changed; UnreadablePhoto bad_outline, and what `read_photo` raises.
    """
    held = {reference.id: reference for reference in catalogue.references()}
    if number not in held:
        raise CatalogueError("no_such_reference", f"no reference {number}", "look at its record")
    path, name = catalogue.image_path(held[number]), held[number].name
    size = face_of_text(held[number].format, catalogue.settings.face)
    (one,) = catalogue.elsewhere(prepare_outlines, path, name, [quad], catalogue.settings, 1, True, [size])
    face = {one.face_name: one.face}
    with (
        catalogue.writing(PATIENCE),
        catalogue.bringing(face),
        catalogue.deciding(who, "outline_reference", **logged) as entry,
    ):
        keep_description(entry.draft.connection, one.sha256, one.outline, one.description)
        told = {"quad": one.quad, "facts": dict(one.facts), "outline": one.outline}
        entry.draft.update(Reference, [number], **told)
        entry.about, entry.outcome = held[number].record_id, f"reference {number} outlined anew"
    return decided(entry)
