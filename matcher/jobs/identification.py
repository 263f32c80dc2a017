"""One call for programs: a picture and a catalogue in, an `Identification` out.

It stands on `matcher.core.identify` and adds nothing but what a caller would have to write each time: the picture is
read, the catalogue's references are opened once and kept, its settings and its own confidence are used.
"""

from __future__ import annotations

import os
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from matcher.catalogue import Catalogue
from matcher.catalogue.reference_set import CatalogueReferences
from matcher.core import identify as core
from matcher.core.calibration import Calibration
from matcher.core.detect.given_outline import given_quads
from matcher.core.photo import Photo, read_photo
from matcher.core.reference_set import ReferenceSet
from matcher.core.settings import Settings


def identify(
    photo: str | os.PathLike[str] | bytes | Photo,
    catalogue: Catalogue | ReferenceSet,
    *,
    settings: Settings | None = None,
    corners: NDArray[np.float64] | Sequence[Sequence[float]] | None = None,
) -> core.Identification:
    """Say which known variation each card of a photo shows.

    photo:     a picture file's path, its content, or a picture that `read_photo` has read.
    catalogue: an opened `Catalogue`, or anything else that answers as a `ReferenceSet` does; that is judged with the
               shipped confidence. What has been decided since the last call is taken in.
    settings:  the catalogue's, if not given; the usual ones for any other set of references.
    corners:   (4, 2), the outline of the only card to be looked at, in any order round it, pixels of the upright
               photo with (0, 0) the outer corner of the first pixel; if not given, every card is looked for.

    Gives an `Identification`: `.cards` in reading order, and where there are none `.reason`.
    Raises UnreadablePhoto where the picture cannot be used or `corners` are no card's, CatalogueError where the
    catalogue cannot be read, and ValueError where `corners` are not four points.
    """
    if isinstance(catalogue, Catalogue):
        references: ReferenceSet = CatalogueReferences.of(catalogue)
        settings = settings or catalogue.settings
    else:
        references = catalogue
    settings = settings or Settings()
    shown = photo if isinstance(photo, Photo) else read_photo(photo, settings.photo)
    given = None if corners is None else given_quads(shown, _four(corners))
    calibration = references.calibration if isinstance(references, CatalogueReferences) else Calibration.load()
    return core.identify(shown, references, settings, calibration, given)


def _four(corners: NDArray[np.float64] | Sequence[Sequence[float]]) -> NDArray[np.float64]:
    given = np.asarray(corners, np.float64)
    if given.shape != (4, 2):
        raise ValueError(f"corners must be (4, 2), not {given.shape}")
    return given
