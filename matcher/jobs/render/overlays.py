"""An `Identification` in, the pictures that a person compares by eye out: encoded, in the frame of the card's face.

`evidence` composes one picture for a report; here each layer comes alone, so that a viewer can lay one over another:
the photo, each face, each candidate's reference laid over it, where the two agree, and the pose's known crops.
"""

from __future__ import annotations

import io
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from matcher.catalogue.reference_set import CatalogueReferences
from matcher.core.filters import shrink
from matcher.core.flatten import Face
from matcher.core.identify import CardAnswer, Identification
from matcher.core.ladder.candidate import Candidate
from matcher.core.photo import Photo
from matcher.core.reference_set import KnownReference
from matcher.core.shared_settings import FaceSize
from matcher.jobs.job import WorkerContext
from matcher.jobs.render.crop_map import CropMap, crop_map
from matcher.jobs.render.evidence import Mosaic, agreement_picture, crop_mosaic, laid_over
from matcher.jobs.render.looking import matched_tones, moved_places
from matcher.jobs.render.words_proof import proof_lines

PHOTO_SIDE = 1600
"""Longer side of the photo as it is shown, pixels."""

QUALITY = 88

FAINT = 0.3
"""Residual contrast below which a print is a ghost to the eye; our own choice: a fifth of the demo's references."""

CLEARER = 1.5
"""Times as much contrast makes another one worth looking at in its place; our own choice."""


@dataclass(frozen=True)
class Layers:
    """pictures: encoded, by name: `photo`, `1/face`, `1/crops`, `1/2/laid`, `1/2/agreement`,
               `1/2/line1` (card, candidate from 1).

    crop_maps: one a card, None where no reference of its pose could be laid over it: pose, sigma_mm, sigma_px, size
               of the picture, `own` and `known` windows as corners in it.
    aids:      by the candidate's name (`1/2`), what helps the eye: tones, moved, lines (see `looking`); `transform`,
               face pixels to the reference's; `clearest`, the reference to look at where the one that was compared
               is faint; `references`, how many its record has.
    """

    pictures: dict[str, bytes]
    crop_maps: tuple[dict[str, Any] | None, ...]
    aids: dict[str, dict[str, Any]] = field(default_factory=dict)


@dataclass(frozen=True)
class DrawLayers:
    """Step: draw what is compared by eye, of at most `most` candidates of each card."""

    most: int

    def __call__(self, name: str, found: Identification, context: WorkerContext) -> Layers:
        return layers_of(found, context.references, self.most)


def layers_of(found: Identification, references: CatalogueReferences, most: int) -> Layers:
    """The layers of every card, of at most `most` candidates each."""
    pictures = {"photo": _photo(found.photo)}
    aids: dict[str, dict[str, Any]] = {}
    crop_maps = []
    for number, card in enumerate(found.cards, start=1):
        pictures[f"{number}/face"] = jpeg(card.face.pixels)
        for place, candidate in enumerate(card.answer.candidates[:most], start=1):
            name = f"{number}/{place}"
            made, aids[name] = _candidate(name, card.face, candidate, references)
            pictures |= made
        known = crop_map(card.answer.compared, card.face.size)
        crop_maps.append(_crop_map(f"{number}/crops", card, known, references, pictures) if known else None)
    return Layers(pictures, tuple(crop_maps), aids)


def _candidate(
    name: str, face: Face, candidate: Candidate, references: CatalogueReferences
) -> tuple[dict[str, bytes], dict[str, Any]]:
    """Its pictures by name, and what helps the eye."""
    known = candidate.reference
    own = [one for one in references.of_pose(known.record.pose) if one.record.record_id == known.record.record_id]
    told: dict[str, Any] = {"clearest": clearest_of(known, references), "references": len(own)}
    if not candidate.alignment:
        return {}, told
    shown = references.face(candidate.reference.id)
    reference = laid_over(shown, candidate, face.size)
    covered = _covered(face, candidate, shown.size)
    made = {f"{name}/laid": see_through(reference, covered)}
    if candidate.pose is not None:
        made[f"{name}/agreement"] = jpeg(agreement_picture(face, candidate))
    lines = proof_lines(candidate, face, shown)
    for number, line in enumerate(lines, start=1):
        made[f"{name}/line{number}"] = jpeg(np.repeat(line.pixels[..., None], 3, axis=2))
    tones = matched_tones(face.pixels, reference, covered)
    told |= {
        "transform": candidate.alignment.transform.tolist(),
        "tones": tones and {"of": tones.of, "tables": tones.tables},
        "moved": moved_places(candidate, face.size),
        "lines": [
            {"width": line.pixels.shape[1], "height": line.pixels.shape[0], "step": line.step, "letters": line.letters}
            for line in lines
        ],
    }
    return made, told


def clearest_of(compared: KnownReference, references: CatalogueReferences) -> dict[str, str] | None:
    """What to look at in place of a faint reference: the most legible of its record's, else of its negative's cards."""
    if compared.legibility >= FAINT:
        return None
    clearer = [
        one for one in references.of_pose(compared.record.pose) if one.legibility >= CLEARER * compared.legibility
    ]
    own = (one for one in clearer if one.record.record_id == compared.record.record_id)
    best = next(own, clearer[0] if clearer else None)
    return {"reference": str(best.id), "record_id": best.record.record_id} if best else None


def _crop_map(
    name: str, card: CardAnswer, known: CropMap, references: CatalogueReferences, pictures: dict[str, bytes]
) -> dict[str, Any]:
    """Adds the picture to `pictures`."""
    mosaic = crop_mosaic(card.face, known, references)
    pictures[name] = jpeg(mosaic.pixels)
    return {
        "pose": known.pose,
        "sigma_mm": round(known.sigma_mm, 2),
        "sigma_px": round(known.sigma_px * float(mosaic.move[0, 0]), 1),
        "width": mosaic.pixels.shape[1],
        "height": mosaic.pixels.shape[0],
        "own": _corners(mosaic, known.own),
        "known": [
            {"crop": crop.name, "probability": round(crop.probability, 4), "corners": _corners(mosaic, crop.corners)}
            for crop in known.crops
        ],
    }


def _corners(mosaic: Mosaic, corners: NDArray[np.float64]) -> list[list[float]]:
    return [[round(float(x), 1), round(float(y), 1)] for x, y in mosaic.place(corners)]


def _covered(face: Face, candidate: Candidate, known: FaceSize) -> NDArray[np.uint8]:
    """(height, width) 255 where the reference shows something, in the frame of the query's face."""
    whole = np.full((known.height, known.width), 255, np.uint8)
    flags = cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP
    canvas = (face.size.width, face.size.height)
    return np.asarray(cv2.warpPerspective(whole, candidate.alignment.transform, canvas, flags=flags), np.uint8)


def _photo(photo: Photo) -> bytes:
    scale = min(1.0, PHOTO_SIDE / max(photo.width, photo.height))
    size = (max(1, round(photo.width * scale)), max(1, round(photo.height * scale)))
    return jpeg(photo.pixels if scale == 1.0 else shrink(photo.pixels, size))


def jpeg(pixels: NDArray[np.uint8]) -> bytes:
    """(h, w, 3) RGB, encoded."""
    done, data = cv2.imencode(".jpg", cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
    if not done:
        raise RuntimeError("OpenCV could not encode a picture as JPEG")
    return data.tobytes()


def see_through(pixels: NDArray[np.uint8], shown: NDArray[np.uint8]) -> bytes:
    """WebP, transparent where nothing is shown; the quickest method, since nobody keeps these."""
    out = io.BytesIO()
    Image.fromarray(np.dstack([pixels, shown])).save(out, "WEBP", quality=QUALITY, method=0)
    return out.getvalue()
