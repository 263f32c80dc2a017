"""Which way up does a card stand? An outline and its face in, an `Upright` out, with what it was searched by.

The known pictures that it resembles say; else the words on it; else what was seen of it when it was found.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from matcher.core.describe import Description, describe
from matcher.core.detect.card_quad import CardQuad
from matcher.core.flatten import Face
from matcher.core.ocr.way_up import as_words_stand
from matcher.core.photo import Photo
from matcher.core.reference_set import ReferenceSet
from matcher.core.search.reference_index import Hit
from matcher.core.settings import Settings


@dataclass(frozen=True)
class Upright:
    """A card the right way up, and what it was searched by."""

    outline: CardQuad
    face: Face
    description: Description
    hits: tuple[Hit, ...]

    @property
    def matches(self) -> int:
        """Of the reference that resembles it most."""
        return max((hit.inliers for hit in self.hits), default=0)


def right_way_up(outline: CardQuad, face: Face, references: ReferenceSet) -> Upright:
    """Turn the card over where the references it resembles say that it stands on its head, and no person has said."""
    description = describe(face)
    hits = references.search(description)
    if outline.by_hand:
        return Upright(outline, face, description, tuple(hit for hit in hits if not hit.turned))
    matches, turned = (sum(hit.inliers for hit in hits if hit.turned == way) for way in (False, True))
    if turned <= matches:
        return Upright(outline, face, description, hits)
    face = face.half_turn()
    description = describe(face)
    # What was seen on it spoke for the other way up.
    corners, seen_upright = np.roll(outline.corners, 2, axis=0), 1 - outline.upright
    outline = replace(outline, corners=corners, upright=seen_upright)
    return Upright(outline, face, description, references.search(description))


def turned_by_words(photo: Photo, upright: Upright, references: ReferenceSet, settings: Settings) -> Upright:
    """Turn the card over where its words stand on their feet the other way up, what is seen on it is in doubt, and
    nothing known resembles it that could tell."""
    if resembles(upright.hits, settings):
        return upright
    outline = as_words_stand(photo, upright.outline, upright.face.size, settings.ocr)
    if np.array_equal(outline.corners, upright.outline.corners):
        return replace(upright, outline=outline)
    face = upright.face.half_turn()
    description = describe(face)
    return Upright(outline, face, description, references.search(description))


def resembles(hits: Sequence[Hit], settings: Settings) -> bool:
    """Whether any known picture shares so many features with this one that it may be the same."""
    return max((hit.inliers for hit in hits), default=0) >= settings.ladder.decision.least_matches
