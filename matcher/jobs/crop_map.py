"""The crop map of a pose: its references in; each known crop as a rectangle of one common frame out.

The frame is the face of the pose's most legible reference, in mm from that face's top left corner. The other
crops' clearest references are registered on it; where that fails the crop is left out. The map is the machine's, kept
in the catalogue by a decision of its own, and forgotten when the pose is merged or split.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from sqlalchemy import select

from matcher.catalogue.calibration_store import confidence_in_use
from matcher.catalogue.log.decisions import DecisionRow, machine
from matcher.catalogue.records.store import PATIENCE, Catalogue
from matcher.catalogue.tables.facts import CropWindow, PoseFrame
from matcher.catalogue.tables.models import Reference, ReferenceRow
from matcher.core.align.alignment import align
from matcher.core.align.view import View
from matcher.core.calibration import Calibration
from matcher.core.errors import CatalogueError
from matcher.core.formats import face_of_text
from matcher.core.ladder.pose import judge_pose
from matcher.core.ladder.registered import Registered

OWN_SIGMA_MM = 0.25
"""Uncertainty of the frame's own edges: cut by hand (the shift between two copies of one crop, measured)."""

SURELY = 0.9
"""Probability of one negative from which a window is kept: nobody looks at a map before it is used; own choice."""


@dataclass(frozen=True)
class MappedCrop:
    """One crop: left, top, right, bottom in mm of the pose's frame, and the uncertainty of each."""

    pose: str
    crop: str
    window_mm: tuple[float, float, float, float]
    sigma_mm: float


def map_crops(catalogue: Catalogue, pose: str, **told: Any) -> DecisionRow | None:
    """Measure and keep a pose's crop map; None where it is what it was. Raises CatalogueError no_such_record."""
    clearest = _clearest(catalogue, pose)
    frame = max(clearest.values(), key=_legibility)
    calibration = confidence_in_use(catalogue.folder).calibration
    found = {
        crop: window
        for crop, row in clearest.items()
        if (window := _window(catalogue, frame, row, calibration)) is not None
    }
    with catalogue.writing(PATIENCE), catalogue.deciding(machine(), "map_crops", about=pose, **told) as entry:
        draft = entry.draft
        wanted = {"sha256": frame.sha256, "outline": frame.outline}
        if draft.row(PoseFrame, pose) is None:
            draft.insert(PoseFrame, pose=pose, note="", **wanted)
        else:
            draft.update(PoseFrame, [pose], **wanted)
        held = {row["crop"] for row in draft.rows(CropWindow, pose=pose)}
        for crop in sorted(held - set(found)):
            draft.delete(CropWindow, pose, crop)
        for crop, (edges, sigma) in sorted(found.items()):
            if crop in held:
                draft.update(CropWindow, [pose, crop], window_mm=edges, sigma_mm=sigma)
            else:
                draft.insert(CropWindow, pose=pose, crop=crop, window_mm=edges, sigma_mm=sigma)
        left_out = sorted(set(clearest) - set(found))
        entry.outcome = f"{len(found)} crops of {pose} mapped"
        entry.evidence = {"frame": frame.id, "left_out": left_out}
    return entry.row


def crop_map(catalogue: Catalogue, pose: str) -> tuple[MappedCrop, ...]:
    """The kept map of a pose, by crop; empty where none was measured."""
    query = select(CropWindow.pose, CropWindow.crop, CropWindow.window_mm, CropWindow.sigma_mm)
    with catalogue.reading() as connection:
        rows = connection.execute(query.where(CropWindow.pose == pose).order_by(CropWindow.crop)).all()
    return tuple(MappedCrop(row.pose, row.crop, tuple(row.window_mm), row.sigma_mm) for row in rows)


def frame_mm(catalogue: Catalogue, pose: str) -> tuple[float, float]:
    """Width and height of the card whose face is the frame of the pose's kept map; the common card's where none is."""
    number = frame_of(catalogue, pose)
    if number is None:
        return catalogue.settings.face.card_mm
    return face_of_text(catalogue.reference(number).format, catalogue.settings.face).card_mm


def frame_of(catalogue: Catalogue, pose: str) -> int | None:
    """Id of the reference whose face is the frame of the pose's kept map; None where none was measured."""
    same = (Reference.sha256 == PoseFrame.sha256) & (Reference.outline == PoseFrame.outline)
    query = select(Reference.id).join(PoseFrame, same).where(PoseFrame.pose == pose).order_by(Reference.id).limit(1)
    with catalogue.reading() as connection:
        return connection.execute(query).scalar_one_or_none()


def _clearest(catalogue: Catalogue, pose: str) -> dict[str, ReferenceRow]:
    """The most legible reference of each crop."""
    crops = {record.record_id: record.crop for record in catalogue.records() if record.pose == pose}
    clearest: dict[str, ReferenceRow] = {}
    for row in catalogue.references_among((), list(crops)):
        crop = crops[row.record_id]
        if crop not in clearest or _legibility(row) > _legibility(clearest[crop]):
            clearest[crop] = row
    if not clearest:
        raise CatalogueError(
            "no_such_record", f"no reference is of pose {pose}", "list the poses: platekin records list"
        )
    return clearest


def _legibility(row: ReferenceRow) -> float:
    return float(row.facts.get("residual_contrast") or 0.0)


def _window(
    catalogue: Catalogue, frame: ReferenceRow, row: ReferenceRow, calibration: Calibration
) -> tuple[list[float], float] | None:
    """Where the card of `row` lies in the frame, in mm, and how surely."""
    shown, onto = (View(catalogue.face(one), catalogue.description(one)) for one in (row, frame))
    size, own = onto.face.size, shown.face.size
    wide, high = size.card_mm
    scale = np.array([wide / size.width, high / size.height])
    if row.id == frame.id:
        return [0.0, 0.0, wide, high], OWN_SIGMA_MM
    found = align(shown, onto)
    if not found:
        return None
    agreed = judge_pose(Registered.of(shown.face, onto.face, found, catalogue.settings.ladder), calibration)
    if agreed is None or agreed.probability < SURELY:
        return None  # a transform was found, but the pictures under it may be of two negatives
    # A face's pixels are counted from the centre of the first one, its edges lie half a pixel further out.
    corners = np.array([[0, 0], [own.width, 0], [own.width, own.height], [0, own.height]], np.float64) - 0.5
    points = (cv2.perspectiveTransform(corners[None], found.transform)[0] + 0.5) * scale
    left, right = points[[0, 3], 0].mean(), points[[1, 2], 0].mean()
    top, bottom = points[[0, 1], 1].mean(), points[[2, 3], 1].mean()
    return [round(float(v), 2) for v in (left, top, right, bottom)], round(
        float(np.hypot(OWN_SIGMA_MM, found.sigma_px * size.enlarged / size.px_per_mm)), 2
    )
