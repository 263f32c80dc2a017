"""Two invented issuers: the mark that each prints on its cards, and the ways in which it sets the words.

The one has type at the foot, at the head or in the plate, and its mark as the last line. The other's words stand in any
type or hand anywhere on the card, and its mark in a box. Nothing was trained or fitted on these designs.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from matcher.lab.synthesis import Caption
from matcher.lab.synthesis.lettering import CENTURY, FONTS_FOLDER, ITALIC, ROMAN
from matcher.lab.synthesis.type_cases import Lettering, Typeface
from matcher.lab.synthesis.wording import Mark, MarkPlace, Wording


@dataclass(frozen=True)
class Issuer:
    """One issuer.

    name:    as its mark says it.
    sitters: the letters of those whose cards it issued.
    ways:    captions without words: how they are set, each in turn.
    """

    name: str
    sitters: str
    ways: tuple[Caption, ...]

    def caption(self, name: str, club: str, turn: int) -> Caption:
        """The words on one of its cards."""
        way = self.ways[turn % len(self.ways)]
        if way.wording:
            return Caption.worded(replace(way.wording, name=name, club=club))
        return replace(way, name=name, club=club, issuer=self.name)


def _design(file: str, lettering: Lettering) -> Typeface:
    return Typeface(str(Path(FONTS_FOLDER) / file), lettering)


_BOOK, _SMALL = _design("Arapey-Regular.otf", "book"), _design("OldStandard-Regular.ttf", "book")
_DISPLAY = _design("LeckerliOne-Regular.ttf", "display")
_HAND, _OTHER_HAND = _design("Havana-Regular.otf", "hand"), _design("KaushanScript-Regular.otf", "hand")

_QUILLORY = "Quillory Biscuit Works, Port Tessaly"
_GRELLOWBY = "Grellowby Soap Mills"

_BELOW, _PLATE, _TOP = (
    Caption("", style="below", font=ROMAN, small_font=CENTURY),
    Caption("", style="plate", font=ITALIC, small_font=CENTURY),
    Caption("", style="top", font=ROMAN, small_font=CENTURY),
)


def _boxed(place: MarkPlace, dark: bool) -> Mark:
    return Mark(_GRELLOWBY, "box", place, _BOOK, body=1.4, dark=dark)


_ANYWHERE = (
    Wording("", "", "foot left", _BOOK, _SMALL, capitals=True, mark=_boxed("head right", dark=False)),
    Wording("", "", "picture light", _HAND, _HAND, body=3.0, ratio=0.8, spacing=0, dark=False,
            mark=_boxed("head right", dark=False)),
    Wording("", "", "head right", _DISPLAY, _SMALL, body=2.2, spacing=0, mark=_boxed("foot right", dark=False)),
    Wording("", "", "curved", _DISPLAY, _BOOK, body=2.6, spacing=0.02, dark=False,
            mark=_boxed("head right", dark=False)),
    Wording("", "", "corner", _OTHER_HAND, _OTHER_HAND, body=3.2, ratio=0.85, spacing=0, dark=False, high=True,
            lift=1.2, mark=_boxed("foot left", dark=False)),
    Wording("", "", "foot right", _OTHER_HAND, _SMALL, body=2.5, spacing=0, mark=_boxed("beside", dark=True)),
    Wording("", "", "side", _BOOK, _BOOK, body=2.6, dark=False, mark=_boxed("foot right", dark=False)),
)  # fmt: skip

ISSUERS = (
    Issuer(_QUILLORY, "ABCDEFGH", (_BELOW, _BELOW, _PLATE, _BELOW, _TOP, _BELOW, _PLATE)),
    Issuer(_GRELLOWBY, "IJKLMNOPQ", tuple(Caption.worded(wording) for wording in _ANYWHERE)),
)


def issuer_of(sitter: str) -> Issuer:
    """Who issued a sitter's cards, by the sitter's letter."""
    return next(issuer for issuer in ISSUERS if sitter in issuer.sitters)
