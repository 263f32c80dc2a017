"""A stored image in, an answer out that shows it: a JPEG that is made apart from the service (`render.stored`).

The stored bytes are never sent: they may hold the place where a photo was taken, or anything else that a file
can carry beside its picture.
"""

from __future__ import annotations

import hashlib
import io
from pathlib import Path
from typing import Any

from fastapi import Response
from PIL import Image

from api.service import Service
from matcher.catalogue.finds.resolution import FindRow
from matcher.catalogue.finds.sightings import SightingRow
from matcher.catalogue.tables.models import ReferenceRow
from matcher.core.errors import CatalogueError
from matcher.core.flatten import Face
from matcher.jobs.render.stored import LONGEST_SIDE, QUALITY, showable

FACE_QUALITY = 85


BINARY = {"schema": {"type": "string", "format": "binary"}}
NO_METADATA = "At most 1600 px on its longer side, without metadata."


def documented_jpeg(description: str = NO_METADATA, tagged: bool = False) -> dict[int | str, dict[str, Any]]:
    """OpenAPI's words for an answer that is a JPEG; tagged: it comes with an ETag."""
    answer: dict[str, Any] = {"description": description, "content": {"image/jpeg": BINARY}}
    if tagged:
        answer["headers"] = {"ETag": {"schema": {"type": "string"}}}
    return {200: answer}


async def stored_picture(service: Service, row: FindRow | SightingRow | ReferenceRow, **headers: str) -> Response:
    """The stored photo of a reference, a find or a sighting, decoded apart, as an answer.

    Raises CatalogueError damaged, and PlatekinError timeout, worker_lost, too_much_memory.
    """
    data = await service.pictures.answer(showable, service.catalogue.image_path(row), row.sha256)
    return Response(data, headers={"Cache-Control": "private, no-cache", **headers}, media_type="image/jpeg")


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
