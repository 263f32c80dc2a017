"""Words anywhere on a card, in any type or hand, and the issuer's mark: a `Wording` in, `SetLine`s in mm out.

A `Wording` is what one printing says and how it is set; two that differ in a word, a letter or the mark alone share
everything else. `line_drawing` draws the lines.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

from PIL import ImageFont

from matcher.core.settings import FaceSize
from matcher.lab.synthesis.type_cases import Lettering, Typeface

Place = Literal[
    "foot left",
    "foot centre",
    "foot right",
    "head left",
    "head centre",
    "head right",
    "picture dark",
    "picture light",
    "side",
    "corner",
    "curved",
]
MarkForm = Literal["line", "box", "oval", "ribbon"]
MarkPlace = Literal["beside", "foot left", "foot right", "head left", "head right", "side"]
Part = Literal["name", "club", "mark"]

PLACES: tuple[Place, ...] = (
    "foot left", "foot centre", "foot right", "head left", "head centre", "head right", "picture dark",
    "picture light", "side", "corner", "curved",
)  # fmt: skip
MARK_FORMS: tuple[MarkForm, ...] = ("line", "box", "oval", "ribbon")
MARK_PLACES: tuple[MarkPlace, ...] = ("beside", "foot left", "foot right", "head left", "head right", "side")

BORDER_MM = 0.95
"""The mount that shows round a print, as `printing` pastes it."""

STRIP_MM = {"foot": 5.9, "head": 4.4, "": 0.0}
"""Blank paper above or below the picture."""


@dataclass(frozen=True)
class Mark:
    """The issuer's mark: which words, which form, which place; and whether it is set in capitals.

    dark: ink, or light out of the plate; None where form and caption say it.
    """

    words: str
    form: MarkForm
    place: MarkPlace
    type: Typeface
    body: float = 1.05
    capitals: bool = False
    dark: bool | None = None


@dataclass(frozen=True)
class Wording:
    """What a card says, and how it is set.

    type, small_type: of the name and of the club. body: of the name, mm; the club is set at `ratio` of it.
    margin: from the picture's edge to the words that stand there, mm. dark: ink, or light out of the plate.
    lift: of words in the picture, from its foot, mm; or from its head, where `high`. turn: degrees.
    """

    name: str
    club: str
    place: Place
    type: Typeface
    small_type: Typeface
    body: float = 2.3
    ratio: float = 0.72
    spacing: float = 0.05
    margin: float = 0.6
    dark: bool = True
    capitals: bool = False
    lift: float = 0.8
    high: bool = False
    turn: float = 0.0
    strength: float = 0.93
    mark: Mark | None = None

    @property
    def strip(self) -> Literal["foot", "head", ""]:
        """Where blank paper is left for the words."""
        first = self.place.split()[0]
        return "foot" if first == "foot" else "head" if first == "head" else ""

    @property
    def lettering(self) -> Lettering:
        return self.type.lettering


@dataclass(frozen=True)
class SetLine:
    """One line where it stands: the middle of its baseline in mm from the card's upper left corner.

    turn: degrees clockwise. arc: radius in mm of the circle that its baseline lies on, 0 for a straight line, below 0
    where it sags. tone: 0 black to 1 white. frame: of a mark.
    """

    words: str
    part: Part
    type: Typeface
    body: float
    spacing: float
    x: float
    y: float
    width: float
    turn: float = 0.0
    arc: float = 0.0
    tone: float = 0.08
    strength: float = 0.93
    frame: MarkForm = "line"


def set_lines(wording: Wording, size: FaceSize | None = None) -> list[SetLine]:
    """Every line of a wording with its place; what is too long is set smaller."""
    size = size or FaceSize()
    lines = _caption(wording, size)
    if wording.mark:
        lines.append(_mark(wording, wording.mark, lines, size))
    return lines


@lru_cache(maxsize=256)
def face_of(path: str, pixels: int) -> ImageFont.FreeTypeFont:
    """A typeface at a size."""
    face = ImageFont.truetype(path, pixels) if path else ImageFont.load_default(pixels)
    if not isinstance(face, ImageFont.FreeTypeFont):
        raise ValueError("Pillow was built without FreeType: name a TrueType font")
    return face


def width_mm(words: str, type_: Typeface, body: float, spacing: float) -> float:
    """How long a line is, measured at 100 px."""
    natural = face_of(type_.path, 100).getlength(words) / 100
    return float(body * (natural + spacing * max(0, len(words) - 1)))


def _fitted(words: str, type_: Typeface, body: float, spacing: float, room: float) -> tuple[float, float]:
    """The body at which a line fits into `room` mm, and its length then."""
    natural = width_mm(words, type_, body, spacing)
    body *= min(1.0, room / max(natural, 0.1))
    return body, width_mm(words, type_, body, spacing)


def _caption(wording: Wording, size: FaceSize) -> list[SetLine]:
    club = wording.club.upper() if wording.capitals else wording.club
    words: list[tuple[str, Part, Typeface, float]] = [(wording.name, "name", wording.type, wording.body)]
    if club:
        words.append((club, "club", wording.small_type, wording.body * wording.ratio))
    set_as = {"side": _at_the_side, "corner": _in_a_corner, "curved": _curved}.get(wording.place, _in_rows)
    ink = {"tone": 0.08 if wording.dark else 0.97, "strength": wording.strength}
    return [replace(line, **ink) for line in set_as(wording, words, size)]  # type: ignore[arg-type]


_Words = Sequence[tuple[str, Part, Typeface, float]]


def _in_rows(wording: Wording, words: _Words, size: FaceSize) -> list[SetLine]:
    """One below the other, at the foot, the head or in the picture; left, centred or right."""
    room = size.width_mm - 2 * (BORDER_MM + wording.margin)
    sized = [
        (text, part, type_, *_fitted(text, type_, body, wording.spacing, room)) for text, part, type_, body in words
    ]
    block = sum(1.12 * body for *_, body, _ in sized) + 0.2 * sized[-1][3]
    if wording.strip and block > (free := _free(wording)):
        share = free / block
        sized = [(text, part, type_, share * body, share * wide) for text, part, type_, body, wide in sized]
    top = {
        "foot": size.height_mm - BORDER_MM - STRIP_MM["foot"] + 0.35,
        "head": BORDER_MM + 0.25,
        "": BORDER_MM + wording.lift if wording.high else size.height_mm - BORDER_MM - wording.lift - block,
    }[wording.strip]
    lines, side = [], wording.place.split()[1]
    for text, part, type_, body, wide in sized:
        left = BORDER_MM + wording.margin
        x = {"left": left + wide / 2, "right": size.width_mm - left - wide / 2}.get(side, size.width_mm / 2)
        lines.append(SetLine(text, part, type_, body, wording.spacing, x, top + 0.86 * body, wide, wording.turn))
        top += 1.12 * body
    return lines


def _free(wording: Wording) -> float:
    """Height of the strip that is left for the caption, mm."""
    below = 1.5 * wording.mark.body + 0.9 if wording.mark and _below_in_strip(wording, wording.mark) else 0.5
    return STRIP_MM[wording.strip] - below


def _below_in_strip(wording: Wording, mark: Mark) -> bool:
    return wording.strip == "foot" and mark.place == "beside"


def _at_the_side(wording: Wording, words: _Words, size: FaceSize) -> list[SetLine]:
    """Upwards along the left edge, or downwards along the right one."""
    joined = "   ".join(text for text, *_ in words)
    body, wide = _fitted(joined, wording.type, 0.8 * wording.body, wording.spacing, 0.8 * size.height_mm)
    left = not wording.high
    x = BORDER_MM + wording.margin + 0.9 * body if left else size.width_mm - BORDER_MM - wording.margin - 0.9 * body
    y = size.height_mm / 2 + (wording.lift - 1.5)
    return [SetLine(joined, "name", wording.type, body, wording.spacing, x, y, wide, -90.0 if left else 90.0)]


def _in_a_corner(wording: Wording, words: _Words, size: FaceSize) -> list[SetLine]:
    """Small, in an upper or lower corner of the picture."""
    room = 0.62 * size.width_mm
    lines, top = [], BORDER_MM + wording.lift if wording.high else size.height_mm - BORDER_MM - wording.lift - 4.2
    for text, part, type_, body in words:
        body, wide = _fitted(text, type_, 0.8 * body, wording.spacing, room)
        right = wording.margin > 1.0
        edge = BORDER_MM + 0.5
        x = size.width_mm - edge - wide / 2 if right else edge + wide / 2
        lines.append(SetLine(text, part, type_, body, wording.spacing, x, top + 0.86 * body, wide))
        top += 1.15 * body
    return lines


def _curved(wording: Wording, words: _Words, size: FaceSize) -> list[SetLine]:
    """On a bow at the foot of the picture, the club straight below it."""
    (text, part, type_, body), *others = words
    body, wide = _fitted(text, type_, body, wording.spacing, 0.8 * size.width_mm)
    foot = size.height_mm - BORDER_MM - wording.lift - (1.3 * others[0][3] if others else 0.0)
    lines = [SetLine(text, part, type_, body, wording.spacing, size.width_mm / 2, foot - 0.5, wide, arc=45.0)]
    for text, part, type_, small in others:
        small, wide = _fitted(text, type_, small, wording.spacing, 0.85 * size.width_mm)
        lines.append(SetLine(text, part, type_, small, wording.spacing, size.width_mm / 2, foot + 1.15 * small, wide))
    return lines


def _mark(wording: Wording, mark: Mark, caption: Sequence[SetLine], size: FaceSize) -> SetLine:
    """The mark below the caption, in a corner or along a side; on blank paper where there is some."""
    words = mark.words.upper() if mark.capitals else mark.words
    room = (0.8 if mark.place == "beside" else 0.5) * size.width_mm
    body, wide = _fitted(words, mark.type, mark.body, 0.08, room)
    edge, around = BORDER_MM + 0.5, 0.0 if mark.form == "line" else 0.55
    x, turn = size.width_mm / 2, 0.0
    if mark.place == "beside":
        lowest = max(caption, key=lambda line: line.y)
        y = min(lowest.y + 1.5 * body + around, size.height_mm - edge - around)
        if not _below_in_strip(wording, mark) and (
            wording.place in ("side", "corner", "curved") or wording.high or wording.strip
        ):
            y = size.height_mm - edge - around - 0.1
    elif mark.place == "side":
        x, y, turn = size.width_mm - edge - around - 0.75 * body, 0.45 * size.height_mm, 90.0
    else:
        up, side = mark.place.split()
        x = edge + around + wide / 2 if side == "left" else size.width_mm - edge - around - wide / 2
        strip = STRIP_MM[wording.strip] if up == wording.strip else 0.0
        y = edge + strip + body + around if up == "head" else size.height_mm - edge - strip - around - 0.3
    if mark.place not in ("beside", "side"):
        y = _clear_of(y, body + 2 * around, x, wide, caption, upwards=mark.place.startswith("foot"))
    # On the picture it is let into the plate, light; on blank paper it is printed dark.
    dark = wording.dark and mark.form != "line" if mark.dark is None else mark.dark
    tone = 0.12 if _below_in_strip(wording, mark) or dark else 0.95
    return SetLine(words, "mark", mark.type, body, 0.08, x, y, wide, turn, 0.0, tone, 0.85, mark.form)


def _clear_of(y: float, high: float, x: float, wide: float, caption: Sequence[SetLine], upwards: bool) -> float:
    """The baseline moved up or down until the mark stands on none of the caption's lines."""
    for line in sorted(caption, key=lambda one: one.y, reverse=upwards):
        upright = abs(line.turn) > 45
        across, down = (line.body, line.width) if upright else (line.width, 1.3 * line.body)
        top = line.y - (down / 2 if upright else line.body)
        beside = abs(line.x - x) > (across + wide) / 2 + 1.0
        if not beside and top - 0.3 < y and y - high < top + down + 0.3 and not upright:
            y = top - 0.5 if upwards else top + down + high + 0.4
    return y
