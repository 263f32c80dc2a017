"""Every line along the edges of a card: head, foot and both sides, to the very edge. A grey and corners in, lines out.

The issuer's mark stands there, in small type. `reading` reads head and foot alone, for captions.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.card_lines import BoxMm, CardLine, share_of
from matcher.core.detect.card_quad import CardQuad
from matcher.core.detect.warp import warp_quad
from matcher.core.ocr.mark_form import form_of, has_room
from matcher.core.ocr.reader import Box, Reader, reader
from matcher.core.ocr.reading import stretched
from matcher.core.ocr.settings import EveryLineSettings, OcrSettings
from matcher.core.parallel.side_by_side import side_by_side
from matcher.core.photo import Photo
from matcher.core.shared_settings import FaceSize

Grey = NDArray[np.uint8]


SAME_PLACE = 0.3
"""Share of the smaller of two boxes that must lie in the other for both to be of one line; by hand."""

AS_BROAD = 1.2
"""How many times as broad as a line along a side a bit of it may be found; by hand."""

ONE_ROW = 0.6
"""Share of the lower of two boxes' heights that both must share for them to stand in one row; by hand."""

Sides = Literal["left out", "glanced at", "looked at"]


@dataclass(frozen=True)
class Zone:
    """A strip of the card, mm; by how many quarters of a turn, anticlockwise, its lines come to lie level; and the
    longer side, in pixels, of what is searched."""

    box: BoxMm
    search_side: int
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


Searched = dict[Zone, list[FoundLine]]
"""What was found in each zone of one card: whoever asks again need not search again."""


def lines_of_photo(
    photo: Photo,
    outline: CardQuad,
    size: FaceSize,
    settings: OcrSettings | None = None,
    searched: Searched | None = None,
) -> tuple[CardLine, ...]:
    """The lines of one upright card of a photo, outline.corners (4, 2) TL TR BR BL in its pixels, at its resolution;
    none where the extra `reading` is not installed."""
    settings = settings or OcrSettings()
    library, rules = reader(settings.reader), settings.every_line
    if library is None:
        return ()
    corners = np.asarray(outline.corners, np.float32)
    found = find_lines(library, photo.grey, corners, size, zones(size, rules), rules, searched)
    read = side_by_side(partial(read_found, library, rules=rules), found)
    return tuple(line for line in read if is_firm(line, rules))


def zones(size: FaceSize, rules: EveryLineSettings, sides: Sides = "glanced at") -> tuple[Zone, ...]:
    """Foot and head of a card, and its two sides; all of them searched farther in, where the sides are "looked at"."""
    wide, high, rim, close = size.width_mm, size.height_mm, rules.rim_mm, sides == "looked at"
    foot, head = (rules.close_foot_mm, rules.close_head_mm) if close else (rules.foot_mm, rules.head_mm)
    into, search = (rules.close_side_mm, rules.close_search_side) if close else (rules.side_mm, rules.search_side)
    ends = (
        Zone((rim, high - foot, wide - rim, high - rim), rules.search_side),
        Zone((rim, rim, wide - rim, head), rules.search_side),
    )
    if sides == "left out":
        return ends
    left = Zone((rim, rim, into, high - rim), search, 3)
    return (*ends, left, Zone((wide - into, rim, wide - rim, high - rim), search, 1))


def find_lines(
    library: Reader,
    grey: Grey,
    corners: NDArray[np.float32],
    size: FaceSize,
    where: Iterable[Zone],
    rules: EveryLineSettings,
    searched: Searched | None = None,
) -> list[FoundLine]:
    """Where lines stand in some zones of a card whose corners lie at (4, 2) TL TR BR BL in a grey. searched: of this
    very card."""
    wanted, searched = list(where), {} if searched is None else searched
    search = partial(_found_in, library=library, grey=grey, corners=corners, size=size, rules=rules)
    for side in {zone.search_side for zone in wanted}:  # the library is told of one at a time
        new = [zone for zone in wanted if zone.search_side == side and zone not in searched]
        searched.update(zip(new, side_by_side(search, new), strict=True))
    found = [line for zone in wanted for line in searched[zone]]
    upright = [one for one in found if one.zone.quarters]
    level = [one for one in found if not one.zone.quarters and not _is_bit(one.box_mm, upright)]
    boxes = [one.box_mm for one in level]
    return level + [one for one in upright if not _on_any(one.box_mm, boxes)]


def _found_in(
    zone: Zone, library: Reader, grey: Grey, corners: NDArray[np.float32], size: FaceSize, rules: EveryLineSettings
) -> list[FoundLine]:
    strip = cut_zone(grey, corners, size, zone, rules)
    boxes = library.find(strip, zone.search_side)
    if zone.quarters:
        boxes = joined(boxes, rules.joined_mm * rules.px_per_mm)
    return [FoundLine(zone, strip, box, _on_card(box, zone, rules.px_per_mm)) for box in boxes]


def joined(boxes: Sequence[Box], gap: float) -> list[Box]:
    """Lines, (4, 2) TL TR BR BL in pixels; pieces that stand in one row, no more than `gap` apart, are one line. A
    caption along a side is spaced out, and found in pieces."""
    whole: list[Box] = []
    for box in sorted(boxes, key=lambda one: float(one[:, 0].min())):
        before = next((n for n, one in enumerate(whole) if _in_one_row(one, box, gap)), None)
        if before is None:
            whole.append(box)
        else:
            both = np.vstack([whole[before], box])
            (x0, y0), (x1, y1) = both.min(axis=0), both.max(axis=0)
            whole[before] = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], np.float32)
    return whole


def _in_one_row(one: Box, other: Box, gap: float) -> bool:
    """Whether a line goes on in another that begins farther right."""
    (top, bottom), (above, below) = ((box[:, 1].min(), box[:, 1].max()) for box in (one, other))
    shared = min(bottom, below) - max(top, above)
    return bool(other[:, 0].min() - one[:, 0].max() <= gap and shared >= ONE_ROW * min(bottom - top, below - above))


def _is_bit(box: BoxMm, upright: Iterable[FoundLine]) -> bool:
    """Whether what was found as a level line is no broader than a line along a side on which it lies: a bit of that."""
    broad = box[2] - box[0]
    return any(
        share_of(box, one.box_mm) >= SAME_PLACE and broad <= AS_BROAD * (one.box_mm[2] - one.box_mm[0])
        for one in upright
    )


def _on_any(box: BoxMm, others: Iterable[BoxMm]) -> bool:
    """Whether a line along a side is the end of one that lies level."""
    return any(share_of(box, other) >= SAME_PLACE for other in others)


def read_found(library: Reader, found: FoundLine, rules: EveryLineSettings) -> CardLine:
    """What a line says, as far as the reader can tell; it may be none: ask `is_firm`."""
    words, certainty, _ = library.read(found.strip, found.corners, rules.squeezed)
    line = CardLine(words, certainty, found.box_mm, found.zone.quarters != 0)
    if line.broad_mm > rules.framed_mm or not has_room(found.strip, found.corners):
        return line
    form = form_of(found.strip, found.corners)
    return replace(line, form=form.name, formed=form.certainty)


def is_firm(line: CardLine, rules: EveryLineSettings) -> bool:
    """Whether a line was read so surely, and is so long, that it is one."""
    return line.certainty >= rules.least_certainty and sum(map(str.isalnum, line.words)) >= rules.least_letters


def cut_zone(
    grey: Grey, corners: NDArray[np.float32], size: FaceSize, zone: Zone, rules: EveryLineSettings
) -> Grey:  # fmt: skip
    """(rows, columns) uint8: a zone of the card at `px_per_mm`, its lines level, its contrast stretched."""
    left, top, right, bottom = zone.box
    card = np.array(
        [[0, 0], [size.width_mm, 0], [size.width_mm, size.height_mm], [0, size.height_mm]], np.float32
    )  # fmt: skip
    wanted = np.array([[[left, top], [right, top], [right, bottom], [left, bottom]]], np.float64)
    placed = cv2.perspectiveTransform(wanted, cv2.getPerspectiveTransform(card, corners))[0]
    canvas = (round((right - left) * rules.px_per_mm), round((bottom - top) * rules.px_per_mm))
    upright = stretched(warp_quad(grey, placed, canvas)[0], rules.tone_mm * rules.px_per_mm)
    return np.ascontiguousarray(np.rot90(upright, zone.quarters))


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
