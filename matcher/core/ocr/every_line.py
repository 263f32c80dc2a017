"""Every line along the edges of a card: head, foot and both sides, to the very edge. A grey and corners in, lines out.

The issuer's mark stands there, in small type. `reading` reads head and foot alone, for captions.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.card_lines import BoxMm, CardLine
from matcher.core.detect.detection import CardQuad
from matcher.core.detect.warp import warp_quad
from matcher.core.flatten import Face
from matcher.core.ocr.reader import Reader, reader
from matcher.core.ocr.reading import stretched
from matcher.core.ocr.settings import EveryLineSettings, OcrSettings
from matcher.core.photo import Photo
from matcher.core.shared_settings import FaceSize

Grey = NDArray[np.uint8]


@dataclass(frozen=True)
class _Zone:
    """A strip of the card, mm, and by how many quarters of a turn, anticlockwise, its lines come to lie level."""

    box: BoxMm
    quarters: int = 0


def lines_of_photo(
    photo: Photo, outline: CardQuad, size: FaceSize, settings: OcrSettings | None = None
) -> tuple[CardLine, ...]:
    """The lines of one upright card of a photo, outline.corners (4, 2) TL TR BR BL in its pixels, at its resolution."""
    return _lines(photo.grey, np.asarray(outline.corners, np.float32), size, settings or OcrSettings())


def lines_of_face(face: Face, settings: OcrSettings | None = None) -> tuple[CardLine, ...]:
    """The lines of a flattened card, at the face's scale: of a reference nothing finer is kept at hand."""
    width, height = face.size.width, face.size.height
    corners = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float32)
    return _lines(face.grey, corners, face.size, settings or OcrSettings())


def _lines(grey: Grey, corners: NDArray[np.float32], size: FaceSize, settings: OcrSettings) -> tuple[CardLine, ...]:
    """None where the extra `reading` is not installed."""
    library = reader(settings.reader)
    if library is None:
        return ()
    found: list[CardLine] = []
    for zone in _zones(size, settings.every_line):
        found += _lines_in(library, grey, corners, size, zone, settings.every_line)
    return tuple(found)


def _zones(size: FaceSize, rules: EveryLineSettings) -> tuple[_Zone, ...]:
    wide, high, rim = size.width_mm, size.height_mm, rules.rim_mm
    below, above = rules.head_mm, high - rules.foot_mm
    return (
        _Zone((rim, above, wide - rim, high - rim)),
        _Zone((rim, rim, wide - rim, below)),
        _Zone((rim, below, rules.side_mm, above), 3),
        _Zone((wide - rules.side_mm, below, wide - rim, above), 1),
    )


def _lines_in(
    library: Reader, grey: Grey, corners: NDArray[np.float32], size: FaceSize, zone: _Zone, rules: EveryLineSettings
) -> list[CardLine]:
    strip = np.ascontiguousarray(np.rot90(_strip(grey, corners, size, zone.box, rules), zone.quarters))
    lines = []
    for box in library.find(strip, rules.search_side):
        words, certainty, _ = library.read(strip, box)
        if certainty >= rules.least_certainty and sum(map(str.isalnum, words)) >= rules.least_letters:
            lines.append(CardLine(words, certainty, _on_card(box, zone, rules.px_per_mm), zone.quarters != 0))
    return lines


def _strip(
    grey: Grey, corners: NDArray[np.float32], size: FaceSize, box: BoxMm, rules: EveryLineSettings
) -> Grey:  # fmt: skip
    """(rows, columns) uint8: a box of the card at `px_per_mm`, its contrast stretched."""
    left, top, right, bottom = box
    card = np.array(
        [[0, 0], [size.width_mm, 0], [size.width_mm, size.height_mm], [0, size.height_mm]], np.float32
    )  # fmt: skip
    wanted = np.array([[[left, top], [right, top], [right, bottom], [left, bottom]]], np.float64)
    placed = cv2.perspectiveTransform(wanted, cv2.getPerspectiveTransform(card, corners))[0]
    canvas = (round((right - left) * rules.px_per_mm), round((bottom - top) * rules.px_per_mm))
    return stretched(warp_quad(grey, placed, canvas)[0], rules.tone_mm * rules.px_per_mm)


def _on_card(corners: NDArray[np.float32], zone: _Zone, px_per_mm: float) -> BoxMm:
    """A line's box in its zone's turned strip, (4, 2) pixels, as mm on the card."""
    left, top, right, bottom = zone.box
    x, y = corners[:, 0] / px_per_mm, corners[:, 1] / px_per_mm
    if zone.quarters == 3:
        x, y = y, (bottom - top) - x
    elif zone.quarters == 1:
        x, y = (right - left) - y, x
    spans = (left + x.min(), top + y.min(), left + x.max(), top + y.max())
    return tuple(round(float(side), 2) for side in spans)  # type: ignore[return-value]
