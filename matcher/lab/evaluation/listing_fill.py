"""A catalogue filled with sightings of other copies, so that finding one among thousands can be measured.

Each is a flattened face of an enrolled card, printed, faded, stained and cut anew in a simple way: other copies of the
same records are what is most easily mistaken. They are noted in one decision, images and all, like any sighting.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.catalogue import Catalogue
from matcher.catalogue.finds.sightings import sightings
from matcher.catalogue.log.decisions import person
from matcher.catalogue.records import files
from matcher.catalogue.tables.finds import Sighting
from matcher.catalogue.tables.models import outline_key

QUALITY = 85


def fill_sightings(catalogue: Path, wanted: int, seed: int, say: Callable[[str], None] = lambda _: None) -> int:
    """Note as many more sightings as are lacking; returns how many."""
    with Catalogue.open(catalogue) as opened:
        lacking = wanted - len(sightings(opened))
        if lacking <= 0:
            return 0
        say(f"filling up with {lacking} sightings of other copies")
        known = opened.references()
        faces = {row.id: opened.face(row).pixels for row in known}
        rows: list[dict[str, Any]] = []
        named: dict[str, bytes | Path] = {}
        for number in range(lacking):
            row = known[number % len(known)]
            data = _jpeg(another_copy(faces[row.id], np.random.default_rng([seed, 91, number])))
            sha256 = hashlib.sha256(data).hexdigest()
            named[files.image_name(sha256, ".jpg")] = data
            rows.append({"record_id": row.record_id, "sha256": sha256, "name": f"filling-{number:05d}.jpg"})
        _note(opened, rows, named, faces[known[0].id].shape)
        return lacking


def another_copy(face: NDArray[np.uint8], rng: np.random.Generator) -> NDArray[np.uint8]:
    """The face as another copy of it might look: cut elsewhere, faded otherwise, with stains and grain of its own."""
    height, width = face.shape[:2]
    shift, zoom = rng.normal(0, 4, 2), 1 + rng.normal(0, 0.006)
    place = np.array([[zoom, rng.normal(0, 0.003), shift[0]], [rng.normal(0, 0.003), zoom, shift[1]]])
    card = cv2.warpAffine(face, place, (width, height), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    values = card.astype(np.float32)
    middle = values.mean()
    values = middle + (values - middle) * rng.uniform(0.45, 1.2) + rng.uniform(-20, 20)
    for sigma, strength in ((60, 16), (14, 9), (3, 5)):
        cloud = cv2.GaussianBlur(rng.standard_normal((height, width)).astype(np.float32), (0, 0), sigma / 2)
        values += (cloud / max(float(cloud.std()), 1e-6) * rng.uniform(0.3, 1) * strength)[..., None]
    values += rng.normal(0, 2.5, (height, width, 1))
    return np.asarray(np.clip(values, 0, 255), np.uint8)


def _jpeg(pixels: NDArray[np.uint8]) -> bytes:
    done, data = cv2.imencode(".jpg", cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
    if not done:
        raise RuntimeError("OpenCV could not encode a face as JPEG")
    return data.tobytes()


def _note(
    catalogue: Catalogue, rows: list[dict[str, Any]], named: dict[str, bytes | Path], shape: tuple[int, ...]
) -> None:
    height, width = float(shape[0]), float(shape[1])
    quad = [[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]]
    fixed: dict[str, Any] = {
        "copy_id": None, "seen_on": "1998", "source": "filling", "who": "the evaluation", "confirmed": False,
        "suffix": ".jpg", "outline": outline_key(quad), "quad": quad, "residual_contrast": None,
        "suggested_reference": None, "suggested_probability": None, "evidence": {},
    }  # fmt: skip
    with (
        catalogue.writing(),
        catalogue.bringing(named),
        catalogue.deciding(person("the evaluation"), "see", about="filling") as entry,
    ):
        for row in rows:
            entry.draft.insert(Sighting, id=entry.draft.give(Sighting), **row, **fixed)
        entry.outcome = f"{len(rows)} sightings"
