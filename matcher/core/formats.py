"""The formats of cards: a nominal size and a way up, named ones and any other, and the face that each is given.

A text in, a `CardFormat` out. Cards of every format get faces of one height along their longer side, so that each
stage sees the picture at the scale that it was fitted for; `FaceSize.enlarged` says what its mm are on the card.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from math import log

from matcher.core.errors import BadTable
from matcher.core.shared_settings import FaceSize

COMMON = FaceSize()
"""The face that is given to cards of which no format is said."""

LANDSCAPE, PORTRAIT = "landscape", "portrait"

LEAST_MM, MOST_MM = 10.0, 1000.0
"""Sides of a card; own choice: a button portrait has 12 mm, and no studio mounted a print a metre high."""

MOST_SLENDER = 4.0
"""Longer over shorter side; own choice, a panorama's."""

STEP_PX = 8
"""Faces are whole steps wide: the networks halve a picture three times."""

ALIKE = 0.004
"""Difference of two sizes, as a natural logarithm, below which they are one format: a tenth of a millimetre or two."""

_SIZE = re.compile(r"(\d+(?:[.,]\d+)?)\s*(?:mm)?\s*[x×*]\s*(\d+(?:[.,]\d+)?)\s*(?:mm)?", re.IGNORECASE)


@dataclass(frozen=True)
class CardFormat:
    """A nominal size, of the upright card. name: of a preset; "" for any other size."""

    width_mm: float
    height_mm: float
    name: str = ""

    @property
    def text(self) -> str:
        """How it is written and read again: 'cabinet', 'cabinet landscape', '108x165'."""
        if not self.name:
            return f"{self.width_mm:g}x{self.height_mm:g}"
        usual = PRESETS[self.name]
        return self.name if self.landscape == usual.landscape else f"{self.name} {self.way_up}"

    @property
    def words(self) -> str:
        """For people: 'cabinet, 108 x 165 mm'."""
        size = f"{self.width_mm:g} x {self.height_mm:g} mm"
        return f"{self.text}, {size}" if self.name else size

    @property
    def landscape(self) -> bool:
        """Whether it is wider than high."""
        return self.width_mm > self.height_mm

    @property
    def way_up(self) -> str:
        return LANDSCAPE if self.landscape else PORTRAIT

    @property
    def slenderness(self) -> float:
        """Shorter over longer side, 0 to 1."""
        return min(self.width_mm, self.height_mm) / max(self.width_mm, self.height_mm)

    @property
    def face(self) -> FaceSize:
        """The face of its cards."""
        return face_of(self.width_mm, self.height_mm)

    def turned(self) -> CardFormat:
        """The same card the other way up."""
        return CardFormat(self.height_mm, self.width_mm, self.name)


def face_of(width_mm: float, height_mm: float) -> FaceSize:
    """The face of a card of that size: its longer side as long as the common card's, about 10 px a mm of the face's.

    >>> face_of(36.5, 63.5) == FaceSize()
    True
    """
    enlarged = max(width_mm, height_mm) / COMMON.height_mm
    across, down = (
        max(STEP_PX, round(mm / enlarged * COMMON.px_per_mm / STEP_PX) * STEP_PX) for mm in (width_mm, height_mm)
    )
    return FaceSize(round(width_mm / enlarged, 4), round(height_mm / enlarged, 4), across, down, round(enlarged, 6))


def face_of_pixels(width: int, height: int) -> FaceSize:
    """Of a face of which no more is known than how many pixels it has: at the common scale."""
    if (width, height) == (COMMON.width, COMMON.height):
        return COMMON
    return FaceSize(round(width / COMMON.px_per_mm, 4), round(height / COMMON.px_per_mm, 4), width, height)


def face_text(size: FaceSize, odd: bool = False) -> str:
    """How a face's format is stored, "" for the common one; odd: it has a shape, but no known size.

    >>> face_text(parse_format("165x108").face), face_text(COMMON), face_text(face_of(45, 63.5), odd=True)
    ('cabinet landscape', '', 'about 45x63.5')
    """
    if odd:
        return f"{ABOUT}{size.width_mm:g}x{size.height_mm:g}"
    return "" if size == COMMON else _named(CardFormat(*size.card_mm)).text


def face_of_text(text: str, common: FaceSize = COMMON) -> FaceSize:
    """The reverse; common: of what has no format, or one that no version of this program has written."""
    try:
        return parse_format(text.removeprefix(ABOUT)).face if text and text != face_text(common) else common
    except BadTable:
        return common


ABOUT = "about "

PRESETS = {
    one.name: one
    for one in (
        CardFormat(36.5, 63.5, "insert"),
        CardFormat(63.0, 100.0, "carte de visite"),
        CardFormat(108.0, 165.0, "cabinet"),
        CardFormat(178.0, 89.0, "stereo"),
        CardFormat(89.0, 140.0, "postcard"),
    )
}
"""By name, each the way up that is usual. Nominal sizes: common practice, no source."""

INSERT = PRESETS["insert"]

OTHER_NAMES = {
    "cabinet card": "cabinet",
    "cabinet photo": "cabinet",
    "cabinet photograph": "cabinet",
    "cdv": "carte de visite",
    "stereo card": "stereo",
    "stereoview": "stereo",
}
"""What collectors also call them: common practice, no source."""


def parse_format(text: str) -> CardFormat:
    """A preset's name, with 'landscape' or 'portrait' where it is not the usual way up, or WIDTHxHEIGHT in mm.

    Raises BadTable bad_format.

    >>> parse_format("Cabinet landscape").text, parse_format("165 x 108 mm").text
    ('cabinet landscape', 'cabinet landscape')
    >>> parse_format("135x185").text, parse_format("cdv").text
    ('135x185', 'carte de visite')
    """
    plain = " ".join(text.lower().replace("-", " ").replace(",", ".").split())
    size = _SIZE.fullmatch(plain)
    if size:
        return _named(_checked(text, float(size[1]), float(size[2])))
    name, way = plain, ""
    for end in (LANDSCAPE, PORTRAIT):
        if plain.endswith(f" {end}"):
            name, way = plain.removesuffix(end).strip(), end
    name = OTHER_NAMES.get(name, name)
    if name not in PRESETS:
        raise _bad(text, "is no format")
    usual = PRESETS[name]
    return usual.turned() if way and usual.way_up != way else usual


def shape_words(slenderness: float) -> str:
    """How something that has no known format is told."""
    return f"a card of about {slenderness:.2f} : 1"


def _named(given: CardFormat) -> CardFormat:
    """A size that is a preset's has its name."""
    for usual in PRESETS.values():
        for one in (usual, usual.turned()):
            if max(abs(log(given.width_mm / one.width_mm)), abs(log(given.height_mm / one.height_mm))) < ALIKE:
                return one
    return given


def _checked(text: str, width: float, height: float) -> CardFormat:
    if not all(LEAST_MM <= side <= MOST_MM for side in (width, height)):
        raise _bad(text, f"is no size of a card: its sides have {LEAST_MM:g} to {MOST_MM:g} mm")
    if max(width, height) > MOST_SLENDER * min(width, height):
        raise _bad(text, f"is no size of a card: it is more than {MOST_SLENDER:g} times as long as wide")
    return CardFormat(width, height)


def _bad(text: str, why: str) -> BadTable:
    names = ", ".join(PRESETS)
    return BadTable("bad_format", f"the format {text[:60]!r} {why}", f"write {names}, or a size in mm like 108x165")
