"""The issuer's mark, a rung of its own between caption and copy: the same mark, in the same form and place?

Which line is the mark is told by reading (`ocr.mark_match`): in small type neither strokes nor frames alone say what is
a mark and what a crease. Whether both cards bear it in one form and one place is told by the ink where it stands on one
of them. What stands on neither card as far as can be read, or is hidden on one, is not compared, and never new.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.calibration import Calibration, log_odds, sigmoid
from matcher.core.card_lines import BoxMm, CardLine, share_of, wider
from matcher.core.flatten import Face
from matcher.core.ladder.caption_strips import ink_of
from matcher.core.ladder.picture_round import expected_ink, missing_ink, of_line, picture_round
from matcher.core.ladder.registered import laid_over
from matcher.core.ladder.words import FIRM
from matcher.core.ladder.words_settings import MarkSettings, StripSettings
from matcher.core.nets import weight_file

Floats = NDArray[np.float32]
Grey = NDArray[np.uint8]

NO_MARK = "none"
"""What a record's mark is called where the card is known to bear none; a blank one says nothing."""


def mark_words(mark: str) -> str:
    """The words of a mark as records write it, without its form and place; none where there is no mark.

    >>> mark_words("Brell & Co. (oval, foot right)"), mark_words("Brell & Co."), mark_words("none")
    ('Brell & Co.', 'Brell & Co.', '')
    """
    words = mark.rpartition(" (")[0] if mark.endswith(")") and " (" in mark else mark
    return "" if words.strip().casefold() == NO_MARK else words.strip()


IN_FORM = {"box": "in a box", "oval": "in an oval", "ribbon": "on a ribbon"}


@dataclass(frozen=True)
class MarkLines:
    """What reading says of one record's mark.

    wanted:   the mark as the record has it.
    known:    the line of the reference that is it; None where it could not be read there.
    seen:     the line of the query that reads like it; None where none does.
    likeness: of the likest line of the query to it, 0 to 1, whether it is like enough or not.
    others:   lines of the query that are neither it nor the record's caption: another mark, a jersey, a note.
    added:    a line of the query's own, printed as marks are; None where there is none, or none was looked for.
    twice:    whether more than one line of the reference reads like it: then each may be the other card's other.
    """

    wanted: str
    known: CardLine | None
    seen: CardLine | None
    likeness: float
    others: tuple[CardLine, ...] = ()
    added: CardLine | None = None
    twice: bool = False

    def other_form(self, sure: float) -> bool:
        """Whether it was read on both cards, and surely stands in two frames. That no frame is seen on one of them says
        less: it may have faded."""
        both = [line for line in (self.known, self.seen) if line and line.framed and line.formed >= sure]
        return len(both) == 2 and both[0].form != both[1].form

    @property
    def none_wanted(self) -> bool:
        """Whether the record says that the card bears no mark."""
        return not mark_words(self.wanted)


MOST_READ = 0.99
"""Probability beyond which what was read in one place says no more; by hand."""


@dataclass(frozen=True)
class MarkFinding:
    """Whether query and reference bear one mark.

    probability: that it is one in words, form and place; None where that cannot be compared.
    lines:       what was read.
    line:        the query's own mark, whatever it says; None where none was read.
    features:    what the probability was computed from.
    """

    probability: float | None
    lines: MarkLines
    line: CardLine | None = None
    features: dict[str, float] = field(default_factory=dict)

    def is_settled(self, sure: float) -> bool:
        return self.probability is not None and not 1 - sure < self.probability < sure

    def is_open(self, sure: float) -> bool:
        return self.probability is not None and 1 - sure < self.probability < sure

    def with_reading(self, in_place: float) -> MarkFinding:
        """With what was read in its place. in_place: probability that it says there what it says on the reference."""
        if self.probability is None:
            return self
        return replace(self, probability=sigmoid(log_odds(self.probability) + log_odds(in_place, MOST_READ)))

    def boxes_mm(self, query: Face, reference: Face, transform: NDArray[np.float64]) -> list[BoxMm]:
        """Where it stands on either card, on the query; one box where both stand in one place."""
        boxes = [self.line.box_mm] if self.line else []
        if self.lines.known:
            known = _on_query(self.lines.known.box_mm, query, reference, transform)
            boxes += [known] if not boxes or not share_of(known, boxes[0]) else []
        return boxes

    @property
    def words(self) -> str:
        wanted = mark_words(self.lines.wanted)
        if self.lines.none_wanted:
            return self._words_of_none
        if self.probability is None:
            return f"the issuer's mark {wanted!r} could not be compared: it was not read, is hidden or too faint"
        if self.probability >= 0.5:
            return f"the same mark, {wanted!r}"
        if self.line is None:
            return f"mark: {wanted!r} does not stand where it stands on the reference"
        if self.lines.known and self.lines.other_form(MarkSettings().surely_formed):
            here, there = (IN_FORM[one.form] for one in (self.line, self.lines.known))
            return f"mark: {self.line.words!r} {here}, {there} on the reference"
        if self.lines.seen:
            return f"mark: {self.line.words!r}, in another form or place than on the reference"
        return f"mark: {self.line.words!r}, not {wanted!r}"

    @property
    def _words_of_none(self) -> str:
        if self.probability is None:
            return "whether it bears an issuer's mark could not be told"
        if self.probability >= 0.5 or self.line is None:
            return "no issuer's mark, as on the known card"
        return f"mark: {self.line.words!r}, where the known card has none"


def judge_mark(
    query: Face,
    reference: Face,
    transform: NDArray[np.float64],
    lines: MarkLines,
    calibration: Calibration | None = None,
    settings: MarkSettings | None = None,
) -> MarkFinding:
    """Compare the ink where the mark stands on either card; of a card without one, whether the query has one.

    transform: (3, 3), query face pixels to reference face pixels. calibration: holds the rung `mark`; the one shipped
    in `mark.json` if not given.
    """
    settings = settings or MarkSettings()
    if lines.none_wanted:
        return _judge_added(query, reference, transform, lines, settings)
    features = mark_features(query, reference, transform, lines, settings)
    line = lines.seen or _in_its_place(query, reference, transform, lines, settings)
    if features is None:  # hidden where the reference has it, which says nothing of a mark that was read elsewhere
        elsewhere = _stands_elsewhere(query, reference, transform, lines, settings)
        return MarkFinding(settings.elsewhere if elsewhere else None, lines, line)
    probability = _stated("mark", features, calibration, settings)
    if lines.other_form(settings.surely_formed):
        probability = min(probability, settings.other_form)
    finding = MarkFinding(probability, lines, line, features)
    if _is_too_faint(query, reference, transform, finding, settings):
        return replace(finding, probability=None)
    boxes = finding.boxes_mm(query, reference, transform)
    if probability < 0.5 and line is lines.seen and len(boxes) == 1 and _at_the_edge(boxes[0], query, settings):
        return replace(finding, probability=None)  # cut off, as much as another
    if probability < 0.5 and line is None and _may_be_hidden(query, reference, transform, boxes, settings):
        return replace(finding, probability=None)  # hidden, as much as gone
    return finding


def _judge_added(
    query: Face, reference: Face, transform: NDArray[np.float64], lines: MarkLines, settings: MarkSettings
) -> MarkFinding:
    """Of a record that is known to have no mark: does the card bear one?"""
    if lines.added is None:
        return MarkFinding(settings.none_read, lines)
    hidden = _agreement(_laid(query, reference, transform), query, lines.added.box_mm, settings.letters_mm, settings)
    return MarkFinding(None if hidden is None else settings.one_read, lines, lines.added)


def glanced_mark(
    query: Face,
    reference: Face,
    transform: NDArray[np.float64],
    lines: MarkLines,
    calibration: Calibration | None = None,
    settings: MarkSettings | None = None,
) -> MarkFinding:
    """The same where the query was not read: by the ink where the mark stands on the reference, lines.known, alone."""
    settings = settings or MarkSettings()
    features = ink_features(query, reference, transform, lines, settings)
    if features is None:
        return MarkFinding(None, lines)
    finding = MarkFinding(_stated("mark_ink", features, calibration, settings), lines, None, features)
    faint = _is_too_faint(query, reference, transform, finding, settings)
    return replace(finding, probability=None) if faint else finding


def _is_too_faint(
    query: Face, reference: Face, transform: NDArray[np.float64], finding: MarkFinding, settings: MarkSettings
) -> bool:  # fmt: skip
    """Whether the mark, as it was read on one card, would hardly show on the other: then neither its ink tells, nor
    that none is read. What was surely read on both, or something else in its place, did show."""
    known, seen = finding.lines.known, finding.lines.seen
    surely = min(line.certainty for line in (known, seen)) if known and seen else 0.0
    if max(surely, finding.features.get("replaced", 0.0)) >= FIRM:
        return False
    if seen and (finding.probability or 0.0) >= 0.5:
        return False
    if _stands_elsewhere(query, reference, transform, finding.lines, settings):
        return False
    if known:
        expected = of_line(expected_ink, query, reference, transform, known.box_mm, settings)
        missing = 0.0 if seen else of_line(missing_ink, query, reference, transform, known.box_mm, settings)
    else:
        back, missing = np.asarray(np.linalg.inv(transform), np.float64), 0.0
        expected = of_line(expected_ink, reference, query, back, seen.box_mm, settings) if seen else 0.0
    return expected < settings.least_expected and missing < settings.surely_missing


def _stands_elsewhere(
    query: Face, reference: Face, transform: NDArray[np.float64], lines: MarkLines, settings: MarkSettings
) -> bool:
    """Whether the mark's own words were read on both cards, in two places that share nothing: it is one mark, and the
    card has it there, however little shows where the reference has it."""
    known, seen = lines.known, lines.seen
    if known is None or seen is None or lines.twice or lines.likeness < settings.same_words:
        return False
    firm = min(known.certainty, seen.certainty) >= settings.read
    return firm and not share_of(seen.box_mm, _on_query(known.box_mm, query, reference, transform))


def _stated(
    rung: str, features: Mapping[str, float], calibration: Calibration | None, settings: MarkSettings
) -> float:  # fmt: skip
    """Letters that agree in a frame that does not make another form, however well they agree."""
    probability = (calibration or shipped_calibration()).probability(rung, features)
    if features["letters"] - features["frame"] > settings.form_gap:
        return min(probability, settings.other_form)
    return probability


@lru_cache(maxsize=1)
def shipped_calibration() -> Calibration:
    """The rung `mark` as fitted by `matcher/lab/training/fit_mark.py`, with its provenance."""
    return Calibration.load(weight_file("mark.json"))


INK = ("letters", "frame", "least")
"""Features that tell of the ink."""


def ink_features(
    query: Face, reference: Face, transform: NDArray[np.float64], lines: MarkLines, settings: MarkSettings | None = None
) -> dict[str, float] | None:
    """Of `mark_features` those that need no reading of the query."""
    alone = MarkLines(lines.wanted, lines.known, None, 0.0)
    features = mark_features(query, reference, transform, alone, settings) if lines.known else None
    return features and {name: features[name] for name in INK}


def mark_features(
    query: Face, reference: Face, transform: NDArray[np.float64], lines: MarkLines, settings: MarkSettings | None = None
) -> dict[str, float] | None:
    """Numbers about the mark; None where it was read on neither card, or lies hidden on one."""
    settings = settings or MarkSettings()
    laid = _laid(query, reference, transform)
    known = _on_query(lines.known.box_mm, query, reference, transform) if lines.known else None
    boxes = [box for box in (known, lines.seen.box_mm if lines.seen else None) if box]
    letters = [_agreement(laid, query, box, settings.letters_mm, settings) for box in boxes]
    frames = [_agreement(laid, query, box, settings.around_mm, settings) for box in boxes]
    if not boxes or None in (*letters, *frames):
        return None
    there = _in_its_place(query, reference, transform, lines, settings)
    inks = [min(one for one in found if one is not None) for found in (letters, frames)]
    return {
        "letters": inks[0],
        "frame": inks[1],
        "least": min(inks),  # one of the two is enough for another mark
        "unread": float(lines.seen is None and there is None),
        "replaced": there.certainty if there and lines.seen is None else 0.0,
        "likeness": lines.likeness if lines.seen else 0.0,
        "moved": float(bool(known and lines.seen and not share_of(lines.seen.box_mm, known))),
        "unlocated": float(known is None),
    }


def _in_its_place(
    query: Face, reference: Face, transform: NDArray[np.float64], lines: MarkLines, settings: MarkSettings
) -> CardLine | None:
    """The surest line of the query that stands where the reference has its mark, and reads otherwise."""
    if lines.known is None:
        return None
    place = _on_query(lines.known.box_mm, query, reference, transform)
    there = [line for line in lines.others if share_of(line.box_mm, place) >= settings.same_place]
    return max(there, key=lambda line: line.certainty, default=None)


_Laid = tuple[Grey, Grey, NDArray[np.bool_]]
"""The query's grey, the reference's laid over it, and what both show; (height, width) of the query's face."""


def _may_be_hidden(
    query: Face, reference: Face, transform: NDArray[np.float64], boxes: Sequence[BoxMm], settings: MarkSettings
) -> bool:
    """Whether something may lie over a place where nothing is read: a mark is gone only where the picture round it goes
    on as on the reference; where that is too plain to tell, only where the card has the same tone."""
    own, other, bare = _laid(query, reference, transform, StripSettings().hidden_levels)
    scale = query.size.px_per_mm
    for box in boxes:
        left, top, right, bottom = (max(0, round(side * scale)) for side in wider(box, settings.beneath_mm))
        toned = float(bare[top:bottom, left:right].mean()) >= settings.least_shown
        agreed, texture = picture_round(own, other, wider(box, settings.around_mm), scale, settings)
        shown = agreed >= settings.surely_shown or (toned and agreed >= settings.barely_shown)
        if not (shown or (toned and texture < settings.plain)):
            return True
    return False


def _laid(
    query: Face, reference: Face, transform: NDArray[np.float64], levels: float = StripSettings().laid_levels
) -> _Laid:
    """levels: from which another tone counts as something laid over the card."""
    canvas = (query.size.width, query.size.height)

    def warped(image: Grey, how: int, border: int) -> Grey:
        flags = how | cv2.WARP_INVERSE_MAP
        return np.asarray(cv2.warpPerspective(image, transform, canvas, flags=flags, borderMode=border), np.uint8)

    other = warped(reference.grey, cv2.INTER_LINEAR, cv2.BORDER_REPLICATE)
    shown = warped(reference.trusted.astype(np.uint8), cv2.INTER_NEAREST, cv2.BORDER_CONSTANT) > 0
    bare = ~laid_over(query.grey, other, StripSettings(laid_px=MarkSettings().laid_px, laid_levels=levels))
    return query.grey, other, np.asarray(query.trusted & shown & bare)


def _on_query(box: BoxMm, query: Face, reference: Face, transform: NDArray[np.float64]) -> BoxMm:
    """A box of the reference, mm, where it lies on the query."""
    left, top, right, bottom = (side * reference.size.px_per_mm for side in box)
    corners = np.array([[[left, top], [right, top], [right, bottom], [left, bottom]]], np.float64)
    placed = cv2.perspectiveTransform(corners, np.linalg.inv(transform))[0] / query.size.px_per_mm
    (x0, y0), (x1, y1) = placed.min(axis=0), placed.max(axis=0)
    return float(x0), float(y0), float(x1), float(y1)


def _agreement(laid: _Laid, query: Face, box: BoxMm, around: float, settings: MarkSettings) -> float | None:
    """Correlation of the two inks in a box, widened by `around` mm, where they fit best, -1 to 1; None where one of the
    cards does not show the whole of it. A long line is compared in pieces: turned by a hair, its ends lie elsewhere."""
    own, other, shown = laid
    scale, search = query.size.px_per_mm, settings.search_px
    left, top, right, bottom = (round(side * scale) for side in wider(box, around))
    rows = slice(max(top, search), min(bottom, own.shape[0] - search))
    columns = slice(max(left, search), min(right, own.shape[1] - search))
    if rows.stop - rows.start < settings.least_px or columns.stop - columns.start < settings.least_px:
        return None
    if float(shown[rows, columns].mean()) < settings.least_shown:
        return None
    fits = [_piece_fit(own, other, *piece, search) for piece in _pieces(rows, columns, settings.piece_mm * scale)]
    fit, weight = np.array(fits).T
    return float(np.average(fit, weights=weight + 1e-6))


def _pieces(rows: slice, columns: slice, longest: float) -> list[tuple[slice, slice]]:
    """A box cut across its longer side into equal pieces, none longer than `longest` pixels."""
    wide = columns.stop - columns.start >= rows.stop - rows.start
    side = columns if wide else rows
    edges = np.linspace(side.start, side.stop, math.ceil((side.stop - side.start) / longest) + 1).astype(int)
    parts = [slice(int(first), int(last)) for first, last in pairwise(edges)]
    return [(rows, part) if wide else (part, columns) for part in parts]


def _piece_fit(own: Grey, other: Grey, rows: slice, columns: slice, search: int) -> tuple[float, float]:
    """Correlation of two inks in one piece, where they fit best, and how much ink it has."""
    wide = slice(rows.start - search, rows.stop + search), slice(columns.start - search, columns.stop + search)
    inks = [ink_of(np.ascontiguousarray(grey[wide])) for grey in (own, other)]
    inner = np.ascontiguousarray(inks[1][search:-search, search:-search])
    return float(cv2.matchTemplate(inks[0], inner, cv2.TM_CCOEFF_NORMED).max()), float(inner.std())


def _at_the_edge(box: BoxMm, face: Face, settings: MarkSettings) -> bool:
    """Whether a line stands so near to the card's edge that the scissors may have taken a part of it."""
    inside = (box[0], box[1], face.size.width_mm - box[2], face.size.height_mm - box[3])
    return min(inside) < settings.edge_mm
