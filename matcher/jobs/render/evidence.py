"""A `CardAnswer` in, one picture out that shows a person why: photo, face, reference, agreement, words.

+-----------+--------+-----------+-----------+-----------+
| the photo | face   | reference | what is   | the known |
| with its  | as     | laid over | the same, | crops of  |
| outline   | found  | the face  | or moved  | this pose |
+-----------+--------+-----------+-----------+-----------+
| the words of both cards, one line above the other      |
+--------------------------------------------------------+
| outcome, the ladder's findings in words, cautions      |
+--------------------------------------------------------+
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from matcher.catalogue.reference_set import CatalogueReferences
from matcher.catalogue.tables.targets import target_failure
from matcher.core.answer_json import CAUTIONS
from matcher.core.calibration import percent
from matcher.core.detect.card_quad import CardQuad
from matcher.core.flatten import Face
from matcher.core.identify import CardAnswer, Identification
from matcher.core.ladder.candidate import Candidate
from matcher.core.photo import Photo
from matcher.core.shared_settings import FaceSize
from matcher.jobs.job import WorkerContext
from matcher.jobs.render.crop_map import CropMap, crop_map
from matcher.jobs.render.words_proof import words_proof
from matcher.jobs.typeface import typeface, wrapped

Pixels = NDArray[np.uint8]

PAPER = (250, 248, 243)
INK = (38, 34, 30)
QUIET_INK = (116, 108, 98)
OUTLINE = (214, 84, 38)
AGREES = np.array((46, 110, 142), np.float32)
DIFFERS = np.array((206, 70, 40), np.float32)
LABEL = (84.0, 18.0)
"""Room that a crop's name with its chance takes, across and down, pixels."""

HEAD_PX, LABEL_PX, TEXT_PX = 20, 13, 14
"""Sizes of the type, and below from one line to the next."""

HEAD_STEP, LABEL_STEP, TEXT_STEP = 28, 26, 23

PANEL_HEIGHT = 640
GAP = 20
MARGIN = 12


@dataclass(frozen=True)
class EvidenceLost:
    """An evidence picture that could not be written, and why."""

    message: str


@dataclass(frozen=True)
class SaveEvidence:
    """Step: write one evidence picture per card into a folder."""

    folder: Path

    def __post_init__(self) -> None:
        object.__setattr__(self, "folder", self.folder.resolve())

    def __call__(self, name: str, found: Identification, context: WorkerContext) -> EvidenceLost | None:
        """A picture that cannot be written must not cost the answer: what went wrong is handed back."""
        for number, card in enumerate(found.cards, start=1):
            try:
                save_evidence(self.folder, name, number, found.photo, card, context.references)
            except OSError as error:
                return EvidenceLost(f"{name}: no evidence picture: {target_failure(self.folder, error)}")
        return None


def save_evidence(
    folder: Path, name: str, number: int, photo: Photo, card: CardAnswer, references: CatalogueReferences
) -> Path:
    """Write the evidence picture of one card into `folder`; returns its path.

    Its name holds part of the photo's hash, so that it can replace nothing but an older picture of the same photo.
    """
    file, _, page = name.partition("#page=")
    stem = f"{Path(file).stem}-p{page}" if page.isdigit() else Path(name).stem
    path = folder / f"{stem}-{number}.evidence-{photo.sha256[:8]}.png"
    picture = evidence_picture(photo, card, references, name)
    try:
        picture.save(path, compress_level=1)  # quick: these are looked at and thrown away
    except OSError:
        path.unlink(missing_ok=True)  # no half pictures
        raise
    return path


def evidence_picture(photo: Photo, card: CardAnswer, references: CatalogueReferences, name: str) -> Image.Image:
    """Compose the picture; where no candidate is left, the panels of the comparison are left out."""
    panels = [("the photo", _outlined(photo, card.outline)), ("the front, flattened", card.face.pixels)]
    best = next((c for c in card.answer.candidates if c.alignment), None)
    if best:
        reference = references.face(best.reference.id)
        label = f"reference of {best.record.record_id}, laid over it"
        panels.append((label, laid_over(reference, best, card.face.size)))
        if best.pose:
            panels.append(("the same (blue), moved (red)", agreement_picture(card.face, best)))
        known = crop_map(card.answer.compared, card.face.size)
        if known:
            label = f"known crops of {known.pose}; framed: this card's, ± {known.sigma_mm:.1f} mm"
            panels.append((label, _crops(card.face, known, references)))
    proof = words_proof(best, card.face, references.face(best.reference.id)) if best else None
    return _page(panels, proof, _headline(card, name), _sentences(card))


def _outlined(photo: Photo, outline: CardQuad) -> Pixels:
    """The photo at panel height (at most twice as wide as high), with the card's outline."""
    scale = min(PANEL_HEIGHT / photo.height, 1.4 * PANEL_HEIGHT / photo.width)
    size = (max(1, round(photo.width * scale)), max(1, round(photo.height * scale)))
    small = cv2.resize(photo.pixels, size, interpolation=cv2.INTER_AREA)
    corners = np.rint(outline.corners * scale).astype(np.int32)
    cv2.polylines(small, [corners], True, OUTLINE, 3, cv2.LINE_AA)
    top_left = (int(corners[0][0]), int(corners[0][1]))
    cv2.circle(small, top_left, 8, OUTLINE, -1, cv2.LINE_AA)
    return np.asarray(small, np.uint8)


def laid_over(reference: Face, best: Candidate, query: FaceSize) -> Pixels:
    """(height, width, 3) the candidate's reference in the frame of the query's face, `PAPER` where it shows nothing."""
    canvas = (query.width, query.height)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    laid = cv2.warpPerspective(reference.pixels, best.alignment.transform, canvas, flags=flags, borderValue=(*PAPER, 0))
    return np.asarray(laid, np.uint8)


def agreement_picture(face: Face, best: Candidate) -> Pixels:
    """The face in grey, tinted where it could be judged: blue shows the same, red has moved."""
    if best.pose is None:
        return face.pixels
    canvas = (face.size.width, face.size.height)
    evidence = cv2.resize(best.pose.map, canvas, interpolation=cv2.INTER_NEAREST)
    grey = np.repeat(face.grey[..., None], 3, axis=2).astype(np.float32) * 0.55 + 95
    judged = ~np.isnan(evidence)
    value = np.nan_to_num(evidence, nan=0.5)[..., None]
    tint = AGREES * value + DIFFERS * (1 - value)
    strength = np.where(judged, 0.25 + 0.5 * np.abs(2 * value[..., 0] - 1), 0.0)[..., None]
    return np.asarray(np.clip(grey * (1 - strength) + tint * strength, 0, 255), np.uint8)


@dataclass(frozen=True)
class Mosaic:
    """The pose as wide as any known crop shows it.

    pixels: (h, w, 3) RGB, `PAPER` where no known card shows anything.
    move:   (2, 3) pixels of the query's face to pixels of this picture.
    """

    pixels: Pixels
    move: NDArray[np.float64]

    def place(self, corners: NDArray[np.float64]) -> NDArray[np.float64]:
        """(n, 2) points of the query's face in this picture."""
        return np.asarray(corners @ self.move[:, :2].T + self.move[:, 2])


def crop_mosaic(face: Face, known: CropMap, references: CatalogueReferences) -> Mosaic:
    """Lay the pictures of all known crops of a pose over each other, the query's own on top."""
    left, top, right, bottom = known.bounds()
    scale = min((PANEL_HEIGHT - 2 * MARGIN) / (bottom - top), 1.0)
    move = np.array([[scale, 0, MARGIN - left * scale], [0, scale, MARGIN - top * scale]])
    canvas = (round((right - left) * scale) + 2 * MARGIN, PANEL_HEIGHT)
    mosaic = Mosaic(np.full((canvas[1], canvas[0], 3), PAPER, np.uint8), move)
    for crop in known.crops:
        reference = references.face(crop.widest.reference.id)
        to_page = np.vstack([move, [0, 0, 1]]) @ np.linalg.inv(crop.widest.alignment.transform)
        _print_window(mosaic.pixels, reference.pixels, to_page, mosaic.place(crop.corners))
    _print_window(mosaic.pixels, face.pixels, np.vstack([move, [0, 0, 1]]), mosaic.place(known.own))
    return mosaic


def _crops(face: Face, known: CropMap, references: CatalogueReferences) -> Pixels:
    """The pose as wide as any known crop shows it, each crop's window drawn with its name, the query's boldly."""
    mosaic = crop_mosaic(face, known, references)
    pale = Image.fromarray(np.asarray(mosaic.pixels * 0.55 + 255 * 0.45, np.uint8))
    draw = ImageDraw.Draw(pale)
    written: list[tuple[float, float]] = []
    for crop in known.crops:
        corners = mosaic.place(crop.corners)
        draw.polygon([tuple(corner) for corner in corners.tolist()], outline=QUIET_INK)
        x, y = (float(place) for place in corners[0] + (6, 4))
        while any(abs(x - a) < LABEL[0] and abs(y - b) < LABEL[1] for a, b in written):
            y += LABEL[1]
        written.append((x, y))
        draw.text((x, y), f"{crop.name}  {percent(crop.probability)}", INK, font=typeface(12))
    own = mosaic.place(known.own)
    draw.polygon([tuple(corner) for corner in own.tolist()], outline=OUTLINE, width=3)
    return np.asarray(pale, np.uint8)


def _print_window(page: Pixels, pixels: Pixels, to_page: NDArray[np.float64], corners: NDArray[np.float64]) -> None:
    """Lay one face's picture on the page, in place, within its own window."""
    size = (page.shape[1], page.shape[0])
    laid = cv2.warpPerspective(pixels, to_page, size, flags=cv2.INTER_AREA)
    mask = np.zeros(page.shape[:2], np.uint8)
    cv2.fillConvexPoly(mask, np.rint(corners).astype(np.int32), 255)
    page[mask > 0] = laid[mask > 0]


def _headline(card: CardAnswer, name: str) -> str:
    known, sure = card.answer.established, card.answer.confidence
    told = {
        "known": f"known: {known.get('record_id')}, {known.get('caption')}",
        "new_crop": f"new crop of pose {known.get('pose')}",
        "new_mark": f"new mark on pose {known.get('pose')}, crop {known.get('crop')}, {known.get('caption')}",
        "new_caption": f"new caption on pose {known.get('pose')}, crop {known.get('crop')}",
        "new_pose": "new pose: not one of the enrolled negatives",
        "undecided": "undecided",
        "unreadable": "unreadable",
    }[card.answer.outcome]
    rungs = [(rung, getattr(sure, rung)) for rung in ("pose", "crop", "caption", "mark", "record", "copy")]
    numbers = ", ".join(f"{rung} {percent(value)}" for rung, value in rungs if value is not None)
    return f"{Path(name).name}: {told}" + (f" ({numbers})" if numbers else "")


def _sentences(card: CardAnswer) -> list[str]:
    return [*(reason for reason in card.answer.reasons if reason), *_facts(card), *CAUTIONS[:1]]


def _facts(card: CardAnswer) -> list[str]:
    """What was measured on this card, each with one standard deviation; then which way up and which side it is."""
    facts, sigma = card.condition, card.condition.sigma
    shares = ("residual_contrast", "unevenness", "sharpness", "glare")
    told = [_share(name.replace("_", " "), getattr(facts, name), sigma.get(name, 0.0)) for name in shares]
    if facts.size_mm and facts.off_size_mm:
        (width, height), (wider, higher) = facts.size_mm, facts.off_size_mm
        size = f"{width:.1f} x {height:.1f} mm ± {sigma['size_mm']:.1f} mm by the scan's resolution"
        told += [size, f"{wider:+.1f} and {higher:+.1f} mm off nominal"]
    elif facts.off_nominal is not None:
        off, spread = 100 * facts.off_nominal, 100 * sigma.get("off_nominal", 0.0)
        told.append(f"width over height {off:+z.1f} ± {spread:.1f} % off nominal, millimetres from the nominal size")
    if facts.off_square is not None:
        told.append(f"corners off square by up to {facts.off_square:.1f} ± {sigma['off_square']:.1f}°")
    seen = []
    if facts.back is not None and facts.upright is not None:
        chances = f"a back {percent(facts.back)}, the right way up {percent(facts.upright)}"
        seen.append(f"by its looks alone, before anything was matched: {chances}")
    return [", ".join(part) for part in (told, seen) if part]


def _share(name: str, value: float, sigma: float) -> str:
    """With its standard deviation, where one is left to tell: a measure at the end of its scale scatters no more.

    >>> _share("glare", 0.124, 0.02), _share("glare", 0.0, 0.0)
    ('glare 12 ± 2 %', 'glare none')
    >>> _share("sharpness", 1.0, 0.0)
    'sharpness full'
    """
    told, spread = round(100 * value), round(100 * sigma)
    if not spread and told in (0, 100):
        return f"{name} {'full' if told else 'none'}"
    return f"{name} {told} ± {max(spread, 1)} %"


def _page(panels: list[tuple[str, Pixels]], proof: Pixels | None, headline: str, sentences: list[str]) -> Image.Image:
    width = GAP + sum(panel.shape[1] + GAP for _, panel in panels)
    width = max(width, 1000, 0 if proof is None else proof.shape[1] + 2 * GAP)
    head = wrapped(headline, width - 2 * GAP, HEAD_PX)
    lines = [line for sentence in sentences for line in wrapped(sentence, width - 2 * GAP, TEXT_PX)]
    shown = 2 * GAP + HEAD_STEP * len(head)
    said = shown + LABEL_STEP + PANEL_HEIGHT + GAP + (0 if proof is None else proof.shape[0] + GAP)
    page = Image.new("RGB", (width, said + TEXT_STEP * len(lines) + GAP), PAPER)
    draw = ImageDraw.Draw(page)
    for row, line in enumerate(head):
        draw.text((GAP, GAP + HEAD_STEP * row), line, INK, font=typeface(HEAD_PX))
    left = GAP
    for label, panel in panels:
        draw.text((left, shown), label, QUIET_INK, font=typeface(LABEL_PX))
        page.paste(Image.fromarray(panel), (left, shown + LABEL_STEP))
        left += panel.shape[1] + GAP
    if proof is not None:
        page.paste(Image.fromarray(proof), (GAP, shown + LABEL_STEP + PANEL_HEIGHT + GAP))
    for row, line in enumerate(lines):
        draw.text((GAP, said + TEXT_STEP * row), line, INK, font=typeface(TEXT_PX))
    return page
