"""Invented captions, and small changes to them: a letter, two letters, another club, another name."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

import numpy as np

from matcher.lab.synthesis.lettering import Caption, Style

Change = Literal["letter", "letters", "club", "name"]

_HEADS = (
    "Brul",
    "Corv",
    "Dunn",
    "Esk",
    "Gann",
    "Harl",
    "Mulg",
    "Ondo",
    "Ostr",
    "Pims",
    "Quil",
    "Skerr",
    "Tess",
    "Varr",
)
_MIDDLES = ("a", "e", "i", "o", "el", "an", "or", "in", "er", "al")
_TAILS = (
    "belm",
    "dask",
    "faine",
    "grist",
    "holme",
    "kender",
    "lory",
    "mott",
    "nock",
    "pald",
    "rith",
    "sket",
    "trane",
    "wick",
)
_FIRST = ("J.", "Wm.", "Edw.", "Geo.", "Capt. T.", "Thos.", "H.", "Arthur", "Sam'l", "R. J.")
_SPORTS = ("ROWING CLUB", "WHEELERS", "HARRIERS", "ATHLETIC CLUB", "SKATERS", "FENCING ROOMS", "B. C.", "R. C.")
_STYLES: tuple[Style, ...] = ("below", "below", "plate", "top")
_LETTERS = "abcdefghiklmnoprstuvwy"


def random_caption(rng: np.random.Generator, fonts: Sequence[str] = ("",)) -> Caption:
    """A name, a club and an issuer, in one of the usual places and one of the given fonts."""
    font = str(rng.choice(fonts))
    style = _STYLES[rng.integers(len(_STYLES))]
    return Caption(
        f"{rng.choice(_FIRST)} {_surname(rng)}",
        _club(rng),
        "Fernhollow Cocoa Works",
        style,
        font,
        font,
    )


def another_caption(caption: Caption, rng: np.random.Generator) -> Caption:
    """The same card under other words: one letter (two times in five), two letters, another club or name."""
    return changed_caption(caption, rng.choice(["letter", "letter", "letters", "club", "name"]), rng)


def changed_caption(caption: Caption, change: Change, rng: np.random.Generator) -> Caption:
    """The same card under words that differ in one letter or two of the name, or in the club, or in the name."""
    if change == "club":
        return replace(caption, club=_club(rng))
    if change == "name":
        return replace(caption, name=f"{rng.choice(_FIRST)} {_surname(rng)}")
    name = misspelt(caption.name, rng)
    return replace(caption, name=misspelt(name, rng) if change == "letters" else name)


def misspelt(name: str, rng: np.random.Generator) -> str:
    """One letter of the last word dropped, doubled, added or replaced; never the same name."""
    start = name.rfind(" ") + 1
    place = int(rng.integers(start + 1, len(name)))
    letter = str(rng.choice([c for c in _LETTERS if c != name[place]]))
    edits = (
        name[:place] + name[place + 1 :],
        name[:place] + name[place] + name[place:],
        name[:place] + letter + name[place + 1 :],
    )
    return str(rng.choice([edit for edit in edits if edit != name]))


def _surname(rng: np.random.Generator) -> str:
    middle = str(rng.choice(_MIDDLES)) if rng.random() < 0.6 else ""
    return f"{rng.choice(_HEADS)}{middle}{rng.choice(_TAILS)}"


def _club(rng: np.random.Generator) -> str:
    return f"{_surname(rng)} {rng.choice(_SPORTS)}".upper() if rng.random() < 0.7 else f"{_surname(rng)} Club"
