"""A stored picture in, a JPEG for showing out: upright, sRGB, no larger than a screen, no metadata."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
from PIL import Image

from matcher.core.answer import Quad
from matcher.core.errors import CatalogueError, UnreadablePhoto
from matcher.core.photo import Photo, read_photo
from matcher.core.shared_settings import FaceSize
from matcher.jobs.render.closer import card_pixels

LONGEST_SIDE = 1600
QUALITY = 90


def showable(path: Path, sha256: str) -> bytes:
    """The picture as a JPEG, at most 1600 px on its longer side.

    Raises CatalogueError damaged where the stored file is gone or is not what was enrolled, and UnreadablePhoto
    too_much_memory.
    """
    image = Image.fromarray(_stored(path, sha256).pixels)
    image.thumbnail((LONGEST_SIDE, LONGEST_SIDE), Image.Resampling.LANCZOS)
    return _jpeg(image)


def large_face(path: Path, sha256: str, quad: Quad, size: FaceSize) -> bytes:
    """The flattened card as JPEG, as large as its picture shows it, at most `closer.MOST_SCALE` times a face.

    Raises as `showable` does.
    """
    return _jpeg(Image.fromarray(card_pixels(_stored(path, sha256), np.array(quad, np.float32), size)))


def _stored(path: Path, sha256: str) -> Photo:
    try:
        photo = read_photo(path, name="the stored image")
    except UnreadablePhoto as error:
        if error.code == "too_much_memory":  # that says nothing against the file
            raise
        raise CatalogueError("damaged", error.message, error.remedy) from None
    if photo.sha256 != sha256:
        raise CatalogueError("damaged", "the stored image is no longer what was enrolled")
    return photo


def _jpeg(image: Image.Image) -> bytes:
    out = io.BytesIO()
    image.save(out, "JPEG", quality=QUALITY)
    return out.getvalue()
