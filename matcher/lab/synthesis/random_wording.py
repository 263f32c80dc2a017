"""Wordings at random, and small changes to them: a letter, a club, another hand, another mark."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Literal, TypeVar

import numpy as np

from matcher.lab.synthesis.type_cases import Lettering, Typeface
from matcher.lab.synthesis.wording import MARK_FORMS, MARK_PLACES, PLACES, Mark, Place, Wording
from matcher.lab.synthesis.words import misspelt

WordChange = Literal["letter", "club", "name", "hand"]
MarkChange = Literal["mark words", "mark form", "mark place", "mark added", "mark gone"]

WORD_CHANGES: tuple[WordChange, ...] = ("letter", "club", "name", "hand")
MARK_CHANGES: tuple[MarkChange, ...] = ("mark words", "mark form", "mark place", "mark added", "mark gone")

_One = TypeVar("_One")

_FIRST = (
    "Amos", "Bertram", "Clement", "Dorcas", "Edmund", "Fanny", "Gideon", "Hester", "Isaac", "J.", "Katharine", "Luke",
    "Miss M.", "Nathan", "Olive", "Percival", "Rhoda", "Silas", "Thos.", "Ursula", "Wm.", "Capt. R.", "Sgt. A.",
    "H. J.",
)  # fmt: skip
_START = (
    "Al", "Ban", "Car", "Dal", "Elm", "Fen", "Gar", "Hart", "Ing", "Kel", "Lang", "Mar", "Nor", "Old", "Pell", "Rav",
    "Stan", "Thorn", "Und", "Wal", "Yar", "Br", "Cl", "Gr", "Pr", "Tr",
)  # fmt: skip
_MIDDLE = ("a", "e", "i", "o", "en", "ar", "is", "ow", "el", "")
_END = (
    "bury", "cott", "den", "field", "gate", "ham", "kin", "ley", "mere", "ner", "pole", "rick", "stow", "ter", "ville",
    "wood", "worth", "by", "dale", "son",
)  # fmt: skip
_CLUBS = (
    "Rowing Club", "Wheelers", "Harriers", "Cycling Club", "B. C.", "R. C.", "Fencing Rooms", "Glee Club", "Fire Co.",
    "Band", "Skaters", "Swimming Bath", "Rifles", "College", "Minstrels", "", "",
)  # fmt: skip
_ISSUERS = (
    "{} Cocoa", "{} & Son", "{} Bros. Photo.", "{} Tea Co.", "{} Soap", "{} Studio", "{} Mills", "Photo by {}",
    "{}'s Biscuits", "Smoke {}",
)  # fmt: skip
_CLOSE = {
    "a": "eo", "e": "ac", "i": "lj", "o": "ae", "u": "nv", "n": "um", "m": "nw", "r": "ns", "l": "ti", "s": "zr",
    "t": "lf", "c": "eo", "h": "bn", "b": "hd", "d": "bl", "w": "vm", "y": "gv", "k": "h",
}  # fmt: skip


def random_words(rng: np.random.Generator) -> tuple[str, str]:
    """A name, and a club; now and then none."""
    name = f"{rng.choice(_FIRST)} {_proper(rng)}"
    club = f"{_proper(rng)} {rng.choice(_CLUBS)}".strip() if rng.random() < 0.85 else ""
    return name, club


def random_mark(rng: np.random.Generator, types: Sequence[Typeface]) -> Mark:
    """An issuer's words in one of the forms and places."""
    words = str(rng.choice(_ISSUERS)).format(_proper(rng))
    form, place = MARK_FORMS[rng.integers(len(MARK_FORMS))], MARK_PLACES[rng.integers(len(MARK_PLACES))]
    type_, body = _of(types, ("book", "display"), rng), float(rng.uniform(0.85, 1.15))
    return Mark(words, form, place, type_, body, capitals=bool(rng.random() < 0.4))


def random_wording(
    rng: np.random.Generator, types: Sequence[Typeface], place: Place | None = None, lettering: Lettering | None = None
) -> Wording:
    """Words set at random; in the place and lettering asked for."""
    place = place or PLACES[rng.integers(len(PLACES))]
    lettering = lettering or ("book", "display", "hand")[rng.choice(3, p=[0.4, 0.22, 0.38])]
    name, club = random_words(rng)
    type_ = _of(types, (lettering,), rng)
    same = lettering == "hand" or rng.random() < 0.5
    dark = place != "picture light" if place.split()[0] in ("foot", "head", "picture") else bool(rng.random() < 0.4)
    scratched = lettering == "hand" and place.split()[0] not in ("foot", "head")
    return Wording(
        name,
        club,
        place,
        type_,
        type_ if same else _of(types, ("book",), rng),
        body=float(rng.uniform(1.9, 2.6)) * (1.15 if lettering == "hand" else 1.0),
        ratio=float(rng.uniform(0.62, 0.85)),
        spacing=0.0 if lettering == "hand" or rng.random() < 0.4 else float(rng.uniform(0, 0.09)),
        margin=float(rng.choice([0.1, 0.4, 0.8, 1.6])),
        dark=dark,
        capitals=bool(lettering != "hand" and rng.random() < 0.4),
        lift=float(rng.uniform(0.4, 3.0)),
        high=bool(not place.startswith(("foot", "head")) and rng.random() < 0.25),
        turn=float(rng.normal(0, 0.4 if lettering != "hand" else 1.2)),
        strength=float(rng.uniform(0.75, 0.97)) if scratched else float(rng.uniform(0.85, 0.97)),
        mark=random_mark(rng, types) if rng.random() < 0.6 else None,
    )


def reworded(wording: Wording, change: WordChange, types: Sequence[Typeface], rng: np.random.Generator) -> Wording:
    """Other words in the same setting, or for 'hand' the same words written by another hand."""
    if change == "hand":
        others = [one for one in types if one.lettering == wording.lettering and one.path != wording.type.path]
        return replace(wording, type=(other := others[rng.integers(len(others))]), small_type=other)
    if change == "club":
        club = wording.club
        while club == wording.club:
            club = f"{_proper(rng)} {rng.choice(_CLUBS)}".strip()
        return replace(wording, club=club)
    if change == "name":
        return replace(wording, name=f"{wording.name.rsplit(' ', 1)[0]} {_proper(rng)}")
    return replace(wording, name=one_letter_off(wording.name, rng))


def one_letter_off(name: str, rng: np.random.Generator) -> str:
    """One letter dropped, doubled, added or replaced, as often as not by one that looks like it."""
    close = [n for n, letter in enumerate(name) if letter in _CLOSE]
    if not close or rng.random() < 0.5:
        return misspelt(name, rng)
    place = int(rng.choice(close))
    return name[:place] + str(rng.choice(list(_CLOSE[name[place]]))) + name[place + 1 :]


def remarked(wording: Wording, change: MarkChange, types: Sequence[Typeface], rng: np.random.Generator) -> Wording:
    """The same card with another mark, one more, or one less; only what `mark_changes` offers for it can be asked."""
    if change == "mark added" or wording.mark is None:
        return replace(wording, mark=random_mark(rng, types))
    if change == "mark gone":
        return replace(wording, mark=None)
    mark = wording.mark
    if change == "mark words":
        return replace(wording, mark=replace(mark, words=random_mark(rng, types).words))
    if change == "mark form":
        return replace(wording, mark=replace(mark, form=_other(MARK_FORMS, mark.form, rng)))
    return replace(wording, mark=replace(mark, place=_other(MARK_PLACES, mark.place, rng)))


def mark_changes(wording: Wording) -> tuple[MarkChange, ...]:
    """What can be changed about a card's mark."""
    return MARK_CHANGES[:3] + MARK_CHANGES[4:] if wording.mark else ("mark added",)


def _other(of: Sequence[_One], but: _One, rng: np.random.Generator) -> _One:
    left = [one for one in of if one != but]
    return left[int(rng.integers(len(left)))]


def _proper(rng: np.random.Generator) -> str:
    return f"{rng.choice(_START)}{rng.choice(_MIDDLE)}{rng.choice(_END)}"


def _of(types: Sequence[Typeface], kinds: Sequence[Lettering], rng: np.random.Generator) -> Typeface:
    there = [one for one in types if one.lettering in kinds]
    return there[int(rng.integers(len(there)))]
