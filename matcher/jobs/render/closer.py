"""A card that was answered, looked at more closely: at the photo's own resolution, or beside another reference.

A photo with its card's outline in, encoded pictures out, as `overlays` makes them; nothing is identified anew, and
nothing here decides anything.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.catalogue.reference_set import CatalogueReferences
from matcher.core.align.alignment import align
from matcher.core.align.view import View
from matcher.core.answer import Quad
from matcher.core.detect.card_quad import CardQuad
from matcher.core.detect.warp import warp_quad
from matcher.core.flatten import flatten
from matcher.core.formats import face_of_text
from matcher.core.identify import Identification
from matcher.core.photo import Photo, read_photo
from matcher.core.shared_settings import FaceSize
from matcher.jobs.job import WorkerContext
from matcher.jobs.render.looking import matched_tones
from matcher.jobs.render.overlays import jpeg, see_through

Pixels = NDArray[np.uint8]
Matrix = tuple[tuple[float, ...], ...]

MOST_SCALE = 3.0
"""Times the face's own size, about 30 px/mm or 770 dpi: more than scans of cards hold; our own choice."""

LEAST_GAIN = 1.15
"""Below this a larger picture would show nothing that the face does not; our own choice."""


@dataclass(frozen=True)
class Closer:
    """face: JPEG of the card. laid: WebP of the reference over it, both of one size; None where there is none.

    tones: as `looking.Tones` has them. transform: face pixels to the reference's. scale: 1 is a face's size.
    """

    scale: float
    face: bytes
    laid: bytes | None
    tones: dict[str, Any] | None
    transform: Matrix | None


@dataclass(frozen=True)
class _Side:
    """A card in its photo: (4, 2) corners TL TR BR BL, and its face's size."""

    photo: Photo
    corners: NDArray[np.float32]
    size: FaceSize

    @property
    def scale(self) -> float:
        """By how much the photo shows it larger than a face."""
        left, right = self.corners[3] - self.corners[0], self.corners[2] - self.corners[1]
        return float(np.linalg.norm(left) + np.linalg.norm(right)) / 2 / self.size.height

    def cut(self, scale: float) -> Pixels:
        """(h, w, 3) the card, so many times its face's size."""
        asked = round(self.size.width * scale), round(self.size.height * scale)
        return warp_quad(self.photo.pixels, self.corners, asked)[0]


@dataclass(frozen=True)
class LookCloser:
    """Step: show the card within `quad`, upright as it says, with a reference laid over it.

    transform: face pixels to the reference's, where it was laid before; None: lay it now.
    large: as large as the photos show them; else at the face's size. format: the card's, as its answer tells it.
    """

    quad: Quad
    reference: int | None
    transform: Matrix | None = None
    large: bool = True
    format: str = ""

    def __call__(self, name: str, found: Identification, context: WorkerContext) -> Closer:
        references = context.references
        card = _Side(found.photo, np.array(self.quad, np.float32), face_of_text(self.format, context.settings.face))
        is_kept = self.reference is not None and references.known(self.reference) is not None
        move = self._move(card, references) if is_kept else None
        theirs = _side_of(self.reference, references) if move is not None and self.reference is not None else None
        scale = _scale(card, *([theirs] if theirs else [])) if self.large else 1.0
        face = card.cut(scale)
        if theirs is None or move is None:
            return Closer(scale, jpeg(face), None, None, None)
        laid, covered = _laid(theirs.cut(scale), (face.shape[1], face.shape[0]), move, scale)
        tones = matched_tones(face, laid, covered)
        told = {"of": tones.of, "tables": tones.tables} if tones else None
        return Closer(scale, jpeg(face), see_through(laid, covered), told, tuple(map(tuple, move.tolist())))

    def _move(self, card: _Side, references: CatalogueReferences) -> NDArray[np.float64] | None:
        """(3, 3) face pixels to the reference's; None where the two cannot be laid over each other."""
        if self.transform is not None:
            return np.array(self.transform, np.float64)
        assert self.reference is not None
        theirs = View(references.face(self.reference), references.description(self.reference))
        alignment = align(View(flatten(card.photo, CardQuad(card.corners, 1.0), card.size)), theirs)
        return alignment.transform if alignment else None


def card_pixels(photo: Photo, corners: NDArray[np.float32], size: FaceSize) -> Pixels:
    """(h, w, 3) the card within (4, 2) corners, as large as its photo shows it; as large as a face at least."""
    card = _Side(photo, corners, size)
    return card.cut(_scale(card))


def _side_of(reference: int, references: CatalogueReferences) -> _Side:
    """The reference in its photo."""
    row, catalogue = references.row(reference), references.catalogue
    photo = read_photo(catalogue.image_path(row), catalogue.settings.photo, row.name)
    return _Side(photo, np.array(row.quad, np.float32), face_of_text(row.format, catalogue.settings.face))


def _scale(*sides: _Side) -> float:
    """By how much the more detailed of the photos is larger than a face."""
    scale = min(max(side.scale for side in sides), MOST_SCALE)
    return scale if scale >= LEAST_GAIN else 1.0


def _laid(pixels: Pixels, canvas: tuple[int, int], move: NDArray[np.float64], scale: float) -> tuple[Pixels, Pixels]:
    """The reference's pixels at this scale in the frame of the card's, (width, height), and 255 where it shows
    something."""
    half = (scale - 1) / 2  # transforms count from the middle of the first pixel
    larger = np.array([[scale, 0, half], [0, scale, half], [0, 0, 1]])
    to_theirs = larger @ move @ np.linalg.inv(larger)
    whole = np.full(pixels.shape[:2], 255, np.uint8)
    laid = cv2.warpPerspective(pixels, to_theirs, canvas, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    covered = cv2.warpPerspective(whole, to_theirs, canvas, flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP)
    return np.asarray(laid, np.uint8), np.asarray(covered, np.uint8)
