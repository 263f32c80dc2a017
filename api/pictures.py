"""A stored image in, a JPEG for showing out: upright, sRGB, no larger than a screen, no metadata.

The stored bytes are never sent: they may hold the place where a photo was taken, or anything else that a file
can carry beside its picture.
"""

from __future__ import annotations

import hashlib
import io
from pathlib import Path
from typing import Any

import numpy as np
from fastapi import Response
from PIL import Image

from api.parameters import Quad
from api.service import Service
from matcher.catalogue.finds.resolution import FindRow
from matcher.catalogue.finds.sightings import SightingRow
from matcher.core.errors import CatalogueError, UnreadablePhoto
from matcher.core.flatten import Face
from matcher.core.photo import Photo, read_photo
from matcher.core.shared_settings import FaceSize
from matcher.jobs.render.closer import card_pixels

LONGEST_SIDE = 1600
QUALITY = 90
FACE_QUALITY = 85


BINARY = {"schema": {"type": "string", "format": "binary"}}
NO_METADATA = "At most 1600 px on its longer side, without metadata."


def documented_jpeg(description: str = NO_METADATA, tagged: bool = False) -> dict[int | str, dict[str, Any]]:
    """OpenAPI's words for an answer that is a JPEG; tagged: it comes with an ETag."""
    answer: dict[str, Any] = {"description": description, "content": {"image/jpeg": BINARY}}
    if tagged:
        answer["headers"] = {"ETag": {"schema": {"type": "string"}}}
    return {200: answer}


def stored_picture(service: Service, row: FindRow | SightingRow) -> Response:
    """The stored photo of a find or a sighting as an answer. Raises CatalogueError damaged."""
    with service.decoding:
        data = showable(service.catalogue.image_path(row), row.sha256)
    return Response(data, headers={"Cache-Control": "private, no-cache"}, media_type="image/jpeg")


def entity_tag(sha256: str) -> str:
    """The HTTP entity tag of what `showable` makes of the image with this hash; changes with how it is made.

    >>> entity_tag("ab12")
    '"ab12-1600-90"'
    """
    return f'"{sha256}-{LONGEST_SIDE}-{QUALITY}"'


def stored_bytes(path: Path, sha256: str) -> bytes:
    """The image byte for byte. Raises CatalogueError damaged where it is gone or is not what was enrolled."""
    try:
        data = path.read_bytes()
    except OSError:
        raise CatalogueError("damaged", "the stored image cannot be read") from None
    if hashlib.sha256(data).hexdigest() != sha256:
        raise CatalogueError("damaged", "the stored image is no longer what was enrolled")
    return data


def face_jpeg(face: Face, small: bool) -> bytes:
    """A flattened card as JPEG, whole or at half its size."""
    image = Image.fromarray(face.pixels)
    if small:
        image = image.reduce(2)
    out = io.BytesIO()
    image.save(out, "JPEG", quality=FACE_QUALITY)
    return out.getvalue()


def large_jpeg(path: Path, sha256: str, quad: Quad, size: FaceSize) -> bytes:
    """A flattened card as JPEG, as large as its photo shows it, at most `MOST_SCALE` times the size of a face.

    Raises CatalogueError damaged where the stored file is gone or is not what was enrolled.
    """
    pixels = card_pixels(_stored_photo(path, sha256), np.array(quad, np.float32), size)
    out = io.BytesIO()
    Image.fromarray(pixels).save(out, "JPEG", quality=FACE_QUALITY)
    return out.getvalue()


def showable(path: Path, sha256: str) -> bytes:
    """The image as a JPEG, at most 1600 px on its longer side.

    Raises CatalogueError damaged where the stored file is gone or is not what was enrolled.
    """
    image = Image.fromarray(_stored_photo(path, sha256).pixels)
    image.thumbnail((LONGEST_SIDE, LONGEST_SIDE), Image.Resampling.LANCZOS)
    out = io.BytesIO()
    image.save(out, "JPEG", quality=QUALITY)
    return out.getvalue()


def _stored_photo(path: Path, sha256: str) -> Photo:
    try:
        photo = read_photo(path, name="the stored image")
    except UnreadablePhoto as error:
        raise CatalogueError("damaged", error.message, error.remedy) from None
    if photo.sha256 != sha256:
        raise CatalogueError("damaged", "the stored image is no longer what was enrolled")
    return photo
