"""The lines of a reference's caption, looked at in the same places on a query: two sights of one line, to be compared.

Reader and type err alike on two cards of one printing, so what is read on one is compared with what is read on the
other, frame by frame, and with the record's words. Places are the reference's lines, wherever on the card they stand.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.card_lines import BoxMm, CardLine, moved_box
from matcher.core.detect.card_quad import CardQuad
from matcher.core.flatten import Face
from matcher.core.ocr.every_line import FoundLine, find_lines, is_firm, read_found, zones
from matcher.core.ocr.looks import Card, Look, Looks, Transform, look_at, mm_to_face
from matcher.core.ocr.reader import Reader, reader
from matcher.core.ocr.settings import LinePairSettings, OcrSettings
from matcher.core.ocr.spelling import plain
from matcher.core.parallel.side_by_side import side_by_side
from matcher.core.photo import Photo
from matcher.core.reference_set import KnownRecord

Grey = NDArray[np.uint8]

Part = Literal["name", "club"]


@dataclass(frozen=True)
class WrittenLine:
    """A line of a reference.

    line:     as it was found and read by itself.
    quarters: of a turn, anticlockwise, by which it comes to lie level.
    look:     what is seen in its place, as that is cut out of other cards.
    """

    line: CardLine
    quarters: int
    look: Look


@dataclass(frozen=True)
class LinePair:
    """One line of a record, `known` its words there, on the reference and in its place on the query."""

    part: Part
    known: str
    written: WrittenLine
    query: Look


@dataclass(frozen=True)
class Sight:
    """A query in its photo, and a reference that was registered on it.

    outline:   of the upright card; corners (4, 2) TL TR BR BL in photo pixels.
    transform: (3, 3), query face pixels to reference face pixels.
    looks:     what was seen of the query so far.
    """

    photo: Photo
    outline: CardQuad
    query: Face
    reference: Face
    transform: Transform
    looks: Looks = field(default_factory=Looks)

    @property
    def to_reference_mm(self) -> Transform:
        """(3, 3), mm on the query to mm on the reference."""
        to_mm = np.linalg.inv(mm_to_face(self.reference.size))
        return np.asarray(to_mm @ self.transform @ mm_to_face(self.query.size))

    @property
    def in_dots(self) -> bool:
        """Whether one of the two is a halftone."""
        return self.query.in_dots or self.reference.in_dots

    def beyond_edge(self, written: WrittenLine) -> tuple[float, float]:
        """Shares of a line of the reference, from its beginning and from its end, that the query was trimmed by."""
        box = moved_box(written.line.box_mm, np.asarray(np.linalg.inv(self.to_reference_mm), np.float64))
        if written.quarters:
            ends, low, high = (box[1], box[3]), 0.0, self.query.size.height_mm
        else:
            ends, low, high = (box[0], box[2]), 0.0, self.query.size.width_mm
        long = max(ends[1] - ends[0], 1e-6)
        before, after = max(0.0, low - ends[0]) / long, max(0.0, ends[1] - high) / long
        return (after, before) if written.quarters == 3 else (before, after)  # that one is read from the foot upwards

    @property
    def card(self) -> Card:
        """The query as it lies in its photo."""
        size = self.query.size
        face = np.array([[0, 0], [size.width, 0], [size.width, size.height], [0, size.height]], np.float32)
        to_photo = cv2.getPerspectiveTransform(face, np.asarray(self.outline.corners, np.float32))
        to_query = np.linalg.inv(self.transform) @ mm_to_face(self.reference.size)
        return Card(self.photo.grey, np.asarray(to_photo @ to_query), self.reference.size)


def written_on(face: Face, settings: OcrSettings | None = None) -> tuple[WrittenLine, ...]:
    """Every line on a reference; none where the extra `reading` is not installed."""
    settings = settings or OcrSettings()
    library, size = reader(settings.reader), face.size
    if library is None:
        return ()
    corners = np.array([[0, 0], [size.width, 0], [size.width, size.height], [0, size.height]], np.float32)
    card = Card(face.grey, mm_to_face(size), size)
    rules = settings.every_line

    def seen_at(found: FoundLine) -> WrittenLine:
        line, quarters = read_found(library, found, rules), found.zone.quarters
        return WrittenLine(line, quarters, look_at(library, card, line.box_mm, quarters, settings.pairs))

    found = find_lines(library, face.grey, corners, size, zones(size, rules, "looked at"), rules)
    return tuple(side_by_side(seen_at, found))


def as_written(sight: Sight, line: CardLine, settings: OcrSettings | None = None) -> WrittenLine | None:
    """A line of the query, looked at in its place on the reference; None where the extra `reading` is missing."""
    settings = settings or OcrSettings()
    library, face = reader(settings.reader), sight.reference
    if library is None:
        return None
    box = moved_box(line.box_mm, sight.to_reference_mm)
    quarters = 0 if not line.along else 3 if box[0] < face.size.width_mm / 2 else 1
    card = Card(face.grey, mm_to_face(face.size), face.size)
    look = look_at(library, card, box, quarters, settings.pairs)
    return WrittenLine(CardLine(look.words, look.certainty, box, line.along), quarters, look)


def firm_lines(written: Sequence[WrittenLine], settings: OcrSettings | None = None) -> tuple[CardLine, ...]:
    """Those that were surely read."""
    rules = (settings or OcrSettings()).every_line
    return tuple(one.line for one in written if is_firm(one.line, rules))


def pair_lines(
    sight: Sight, written: Sequence[WrittenLine], record: KnownRecord, mark: str, settings: OcrSettings | None = None
) -> tuple[LinePair, ...]:
    """The record's name and club, as far as they were found on the reference, beside what stands there on the query.

    mark: the words of the record's mark, which is neither.
    """
    settings = settings or OcrSettings()
    library = reader(settings.reader)
    if library is None:
        return ()
    known, card = {"name": record.caption, "club": record.club}, sight.card
    lines = caption_lines(written, record, mark, settings.pairs)
    below = _club_below(library, sight.reference, lines, record, settings)
    if below:
        lines["club"] = below

    def pair(part: Part) -> LinePair:
        box, quarters = lines[part].line.box_mm, lines[part].quarters
        seen = sight.looks.at(library, card, box, quarters, settings.pairs)
        return LinePair(part, known[part], lines[part], seen)

    return tuple(side_by_side(pair, [*lines]))


def caption_lines(
    written: Sequence[WrittenLine], record: KnownRecord, mark: str, settings: LinePairSettings | None = None
) -> dict[Part, WrittenLine]:
    """Which line of a reference is the record's name, and which its club: by the words, else by what is left beside
    the other. A name and a club that stand in one line are that line's part which it is more like."""
    settings = settings or LinePairSettings()
    wanted = {"name": plain(record.caption), "club": plain(record.club), "mark": plain(mark)}
    parts: dict[Part, WrittenLine] = {}
    left, best = [], dict.fromkeys(wanted, (0.0, 0))
    for one in written:
        likeness = {part: alike(plain(one.look.words), words) for part, words in wanted.items()}
        part = max(likeness, key=lambda name: likeness[name])
        if likeness[part] < settings.alike:
            left.append(one)
        elif part in ("name", "club") and (likeness[part], _letters(one)) > best[part]:
            best[part] = (likeness[part], _letters(one))  # a maker's line may name the club's town as well
            parts[part] = one  # type: ignore[index]
    whole = any(one.quarters for one in parts.values())  # along a side all stands in one line
    for part, other in (("name", "club"), ("club", "name")):
        if wanted[part] and part not in parts and other in parts and not whole:
            beside = [one for one in left if _beside(one, parts[other], settings)]
            if beside:
                parts[part] = max(beside, key=_letters)  # type: ignore[index]
    return parts


def _club_below(
    library: Reader, face: Face, lines: Mapping[Part, WrittenLine], record: KnownRecord, settings: OcrSettings
) -> WrittenLine | None:
    """The record's club where no search found it, light on light say: read closely below its name."""
    name = lines.get("name")
    if not plain(record.club) or "club" in lines or name is None or name.quarters:
        return None
    left, top, right, bottom = name.line.box_mm
    aside, (near, far) = settings.club_below.aside * (right - left), settings.club_below.below
    height, edge = bottom - top, face.size.width_mm
    box = (max(0.0, left - aside), bottom + near * height, min(edge, right + aside), bottom + far * height)
    look = look_at(library, Card(face.grey, mm_to_face(face.size), face.size), box, 0, settings.pairs)
    if alike(plain(look.words), plain(record.club)) < settings.pairs.alike:
        return None
    return WrittenLine(CardLine(look.words, look.certainty, box), 0, look)


def alike(words: str, other: str) -> float:
    """Per cent of letters in common; of a piece alone, no more than 90."""
    from rapidfuzz import fuzz

    if not words or not other:
        return 0.0
    piece = 0.9 * fuzz.partial_ratio(words, other) if len(words) >= PIECE else 0.0
    return max(float(fuzz.ratio(words, other)), float(piece))


PIECE = 4
"""Letters from which a piece of a line is known for what it is; by hand."""


def near(box: BoxMm, other: BoxMm, settings: LinePairSettings) -> bool:
    """Whether two lines stand one below the other, and some of one over some of the other."""
    gap = abs(box[1] + box[3] - other[1] - other[3]) / 2
    return gap <= settings.near_mm and min(box[2], other[2]) > max(box[0], other[0])


def _letters(one: WrittenLine) -> int:
    return len(plain(one.look.words))


def _beside(one: WrittenLine, other: WrittenLine, settings: LinePairSettings) -> bool:
    """Whether a line may be the other half of a caption: level, with letters, just above or below."""
    letters = _letters(one) >= settings.least_letters and one.look.certainty >= settings.least_certainty
    return letters and not one.quarters and near(one.line.box_mm, other.line.box_mm, settings)
