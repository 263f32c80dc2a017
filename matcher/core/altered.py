"""A face that resembles no known one: does it, turned left to right or with its tones exchanged?

Negatives were printed from the wrong side, scans are mirrored, plates are shown as they are. Such a picture is no other
exposure: a face in, a sentence out.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from matcher.core.align.view import View
from matcher.core.calibration import Calibration
from matcher.core.describe import Description, describe
from matcher.core.flatten import Face
from matcher.core.ladder.decision import LOOK_AT
from matcher.core.ladder.verification import Verifier
from matcher.core.reference_set import ReferenceSet
from matcher.core.search.voting import Hit
from matcher.core.settings import Settings


@dataclass(frozen=True)
class Alteration:
    """A way in which a picture may be shown, undone by `undo`; words: what a person is told of it."""

    words: str
    undo: Callable[[Face], Face]


def mirrored(face: Face) -> Face:
    """The face turned left to right."""
    return replace(
        face,
        pixels=np.ascontiguousarray(face.pixels[:, ::-1]),
        grey=np.ascontiguousarray(face.grey[:, ::-1]),
        trusted=np.ascontiguousarray(face.trusted[:, ::-1]),
        bow=None,  # the pose needs none, and it would lie the wrong way round
    )


def inverted(face: Face) -> Face:
    """The face with light and dark exchanged."""
    return replace(face, pixels=~face.pixels, grey=~face.grey)


ALTERATIONS = (
    Alteration("turned left to right, as a reversed print or a mirrored picture shows it", mirrored),
    Alteration("with light and dark exchanged, as a negative shows it", inverted),
)


def known_but_altered(face: Face, references: ReferenceSet, calibration: Calibration, settings: Settings) -> str:
    """Which known pose the face shows in one of these ways, in words; empty where none is likely."""
    for way in ALTERATIONS:
        undone = way.undo(face)
        described = describe(undone)
        best = _best(references, described)
        if best and best.turned:  # of what is altered the way up is in doubt as well
            undone = undone.half_turn()
            described = describe(undone)
            best = _best(references, described)
        known = references.known(best.reference_id) if best else None
        if best is None or known is None or best.turned or best.inliers < settings.ladder.decision.least_matches:
            continue
        verifier = Verifier(View(undone, described), references, calibration, settings.ladder)
        if verifier.pose(verifier.register(known)).pose_probability >= settings.thresholds.pose:
            return f"{LOOK_AT}the card itself, and ask again: the picture is pose {known.record.pose} {way.words}"
    return ""


def _best(references: ReferenceSet, described: Description) -> Hit | None:
    """The reference that shares most with it."""
    return max(references.search(described), key=lambda hit: hit.inliers, default=None)
