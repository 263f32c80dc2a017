"""Every line along the edges of a card: head, foot and both sides, to the very edge. A grey and corners in, lines out.

The issuer's mark stands there, in small type. `reading` reads head and foot alone, for captions.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.card_lines import BoxMm, CardLine, share_of
from matcher.core.detect.detection import CardQuad
from matcher.core.detect.warp import warp_quad
from matcher.core.ocr.reader import Reader, reader
from matcher.core.ocr.reading import stretched
from matcher.core.ocr.settings import EveryLineSettings, OcrSettings
from matcher.core.photo import Photo
from matcher.core.shared_settings import FaceSize

Grey = NDArray[np.uint8]


SAME_PLACE = 0.3
"""Share of the smaller of two boxes that must lie in the other for both to be of one line; by hand."""


@dataclass(frozen=True)
class Zone:
    """A strip of the card, mm, and by how many quarters of a turn, anticlockwise, its lines come to lie level."""

    box: BoxMm
    quarters: int = 0


@dataclass(frozen=True)
class FoundLine:
    """A line that was found and not read yet.

    strip:   (rows, columns) uint8, the zone, turned so that the line lies level.
    corners: (4, 2) TL TR BR BL, of the line in the strip, pixels.
    box_mm:  where it stands on the card.
    """

    zone: Zone
    strip: Grey
    corners: NDArray[np.float32]
    box_mm: BoxMm


def lines_of_photo(
    photo: Photo, outline: CardQuad, size: FaceSize, settings: OcrSettings | None = None
) -> tuple[CardLine, ...]:
    """The lines of one upright card of a photo, outline.corners (4, 2) TL TR BR BL in its pixels, at its resolution."""
    return _lines(photo.grey, np.asarray(outline.corners, np.float32), size, settings or OcrSettings())


def _lines(grey: Grey, corners: NDArray[np.float32], size: FaceSize, settings: OcrSettings) -> tuple[CardLine, ...]:
    """None where the extra `reading` is not installed."""
    library = reader(settings.reader)
    if library is None:
        return ()
    found = find_lines(library, grey, corners, size, zones(size, settings.every_line), settings.every_line)
    read = (read_found(library, one) for one in found)
    return tuple(line for line in read if is_firm(line, settings.every_line))


def zones(size: FaceSize, rules: EveryLineSettings, sides: bool = True) -> tuple[Zone, ...]:
    """Foot and head of a card, and its two sides if asked for."""
    wide, high, rim = size.width_mm, size.height_mm, rules.rim_mm
    below, above = rules.head_mm, high - rules.foot_mm
    ends = (Zone((rim, above, wide - rim, high - rim)), Zone((rim, rim, wide - rim, below)))
    along = (
        Zone((rim, rim, rules.side_mm, high - rim), 3),
        Zone((wide - rules.side_mm, rim, wide - rim, high - rim), 1),
    )
    return (*ends, *along) if sides else ends


def find_lines(
    library: Reader,
    grey: Grey,
    corners: NDArray[np.float32],
    size: FaceSize,
    where: Iterable[Zone],
    rules: EveryLineSettings,
) -> list[FoundLine]:
    """Where lines stand in some zones of a card whose corners lie at (4, 2) TL TR BR BL in a grey."""
    found = []
    for zone in where:
        strip = np.ascontiguousarray(np.rot90(_strip(grey, corners, size, zone.box, rules), zone.quarters))
        for box in library.find(strip, rules.search_side):
            found.append(FoundLine(zone, strip, box, _on_card(box, zone, rules.px_per_mm)))
    level = [one.box_mm for one in found if not one.zone.quarters]
    return [one for one in found if not one.zone.quarters or not _on_any(one.box_mm, level)]


def _on_any(box: BoxMm, others: Iterable[BoxMm]) -> bool:
    """Whether a line along a side is the end of one that lies level."""
    return any(share_of(box, other) >= SAME_PLACE for other in others)


def read_found(library: Reader, found: FoundLine) -> CardLine:
    """What a line says, as far as the reader can tell; it may be none: ask `is_firm`."""
    words, certainty, _ = library.read(found.strip, found.corners)
    return CardLine(words, certainty, found.box_mm, found.zone.quarters != 0)


def is_firm(line: CardLine, rules: EveryLineSettings) -> bool:
    """Whether a line was read so surely, and is so long, that it is one."""
    return line.certainty >= rules.least_certainty and sum(map(str.isalnum, line.words)) >= rules.least_letters


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


def _on_card(corners: NDArray[np.float32], zone: Zone, px_per_mm: float) -> BoxMm:
    """A line's box in its zone's turned strip, (4, 2) pixels, as mm on the card."""
    left, top, right, bottom = zone.box
    x, y = corners[:, 0] / px_per_mm, corners[:, 1] / px_per_mm
    if zone.quarters == 3:
        x, y = y, (bottom - top) - x
    elif zone.quarters == 1:
        x, y = (right - left) - y, x
    spans = (left + x.min(), top + y.min(), left + x.max(), top + y.max())
    return tuple(round(float(side), 2) for side in spans)  # type: ignore[return-value]
