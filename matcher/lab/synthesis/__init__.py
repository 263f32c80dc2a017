"""Invented cards printed, aged, scanned and photographed by code, with the truth known.

What is on a card:
    negatives       any photograph               -> a negative; another exposure of it
    chance          a random generator           -> window, wear, scene
    words           a random generator           -> captions, and small changes to them
    type_cases      a folder of packages         -> typefaces and hands, to fit on or to report on
    taught_designs  the same                     -> typefaces and hands that networks learn from
    wording         words, places, a mark        -> lines where they stand, in mm
    random_wording  a random generator           -> wordings, and small changes to them
    line_drawing    a line in mm                 -> its ink on a sheet
    mark_frames     a sheet and a line's box     -> the sheet with a frame, in many ways, to be learnt from
    stray_words     a view or a card             -> the same with words that are no caption
    prints          a view of a plate + a look   -> one print's own rendering: tone, softness, retouching, screen
    movement        a view of a plate            -> the view of a plate exposed seconds later
    lettering       a print + a `Caption`        -> the print with the words on it
    printing        negative + window + words    -> fresh `Card`
    plain_cards     a size                       -> `Card` without a photograph: figures, drawings, maps, words
    ageing          `Card` + `Age`               -> old `Card`
    damage          a grid in mm                 -> stains, foxing, scratches, creases, worn corners
    wear            a print's greys              -> the worn greys, and what was laid over or lost
    laid_wear       a print's greys              -> the same with what was stuck, written or painted on it
    own_tones       a print's greys              -> the same with flat patches as grey as itself
    shapes          a picture                    -> worn, printed or moved anew, by outlines and borrowed matter
    forces          a picture                    -> the same by what bends, wets, eats and moves it
    hands           a name                       -> the `Hand` that draws for learning: `own`, `shapes`, `forces`
    materials       `Card` + a kind of wear      -> the card with it, in the colours of what it is made of
    strokes         a canvas                     -> what wear is drawn with
    backs           `Card`                       -> its back

How it is taken:
    scene           what is asked for            -> `Scene`: nothing is computed there
    camera          `Scene`                      -> where every millimetre of the table falls
    surfaces        kind, size, scale            -> what the card lies on
    backdrops       size, scale                  -> harder things to lie on: print, plaid, rectangles
    holders         a card's size                -> what it is kept in: sleeve, holder, pocket page, album
    props           `Camera`                     -> what comes between card and lens: shadow, glare, thumb
    photographing   `Card` + `Scene`             -> `Shot` of a telephone, with the card's true corners
    scanning        `Card`                       -> `Shot` of a flatbed scanner
    staging         a type of scene              -> `Staged`: cards on anything, or none
    clutter         a kind and a size            -> what else lies on a desk, seen from above
    desks           pictures                     -> small pictures of desks with any cards, endless and quick
    pages           many cards                   -> `Staged`: a flatbed page
    picture_history  a card's greys              -> a camera's or a sales page's greys
    visible         two views, a picture        -> where they differ, and whether the picture shows it
    observer        two pictures, each twice    -> how far an eye could tell that something has moved
    textures        shape                        -> noise that the others are made of

What is learnt from:
    trials          negatives                    -> `Trial`s: the rungs' features with the right answer
    training_pairs  negatives                    -> registered pairs with the truth of every spot
    sides           negatives                    -> fronts and backs as they are cut out
    face_pairs      views of plates              -> registered faces with the truth of every spot, fast
    worlds          negatives                    -> cards that differ in one way each, gone the whole way

Everything is a pure function of its arguments and of an explicit `numpy.random.Generator`. One physical copy
is one seed (`make_copy`): printed and aged again at another resolution it has the same stains.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from matcher.core.settings import FaceSize
from matcher.lab.synthesis.ageing import Age, age_card
from matcher.lab.synthesis.lettering import Caption
from matcher.lab.synthesis.photographing import Shot, needed_px_per_mm, photograph, write_photo
from matcher.lab.synthesis.printing import SCAN_PX_PER_MM, Card, Crop, print_card
from matcher.lab.synthesis.scanning import scan, write_scan
from matcher.lab.synthesis.scene import SURFACES, Scene, Surface

__all__ = [
    "SCAN_PX_PER_MM",
    "SURFACES",
    "Age",
    "Caption",
    "Card",
    "Crop",
    "Scene",
    "Shot",
    "Surface",
    "age_card",
    "make_copy",
    "needed_px_per_mm",
    "photograph",
    "print_card",
    "scan",
    "write_photo",
    "write_scan",
]


def make_copy(
    negative: NDArray[np.uint8],
    crop: Crop,
    caption: Caption,
    age: Age,
    *,
    seed: int,
    plate: int = 0,
    px_per_mm: float = SCAN_PX_PER_MM,
    size: FaceSize | None = None,
) -> Card:
    """One physical copy, printed and aged; `seed` is the copy's, `plate` the negative's.

    size: of its format's face, whose mm count; the common card's if not given.
    """
    rng = np.random.default_rng([seed, 1])
    fresh = print_card(negative, crop, caption, rng, plate=plate, px_per_mm=px_per_mm, size=size)
    return age_card(fresh, age, np.random.default_rng([seed, 2]))
