"""A stored picture in, a JPEG for showing out: upright, sRGB, no larger than a screen, no metadata."""

from __future__ import annotations

import io
from pathlib import Path

from PIL import Image

from matcher.core.errors import CatalogueError, UnreadablePhoto
from matcher.core.photo import read_photo

LONGEST_SIDE = 1600
QUALITY = 90


def showable(path: Path, sha256: str) -> bytes:
    """The picture as a JPEG, at most 1600 px on its longer side.

    Raises CatalogueError damaged where the stored file is gone or is not what was enrolled, and UnreadablePhoto
    too_much_memory.
    """
    try:
        photo = read_photo(path, name="the stored image")
    except UnreadablePhoto as error:
        if error.code == "too_much_memory":  # that says nothing against the file
            raise
        raise CatalogueError("damaged", error.message, error.remedy) from None
    if photo.sha256 != sha256:
        raise CatalogueError("damaged", "the stored image is no longer what was enrolled")
    image = Image.fromarray(photo.pixels)
    image.thumbnail((LONGEST_SIDE, LONGEST_SIDE), Image.Resampling.LANCZOS)
    out = io.BytesIO()
    image.save(out, "JPEG", quality=QUALITY)
    return out.getvalue()
