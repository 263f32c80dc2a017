"""What wear is made of, by its colour: a card and a kind of wear in, the card with it upon it, in its own colours, out.

Two things happen to light. What covers a print or shows where it is gone (paper, board, labels, graphite, white ink)
reflects a hue of its own. What lies upon it and lets light through (inks, rust, the brown rim of a water stain, tape's
old glue, washes) absorbs each channel by its own power of one density (Beer and Lambert). A print itself is of one hue
at each tone, and prints are toned each in its own way. How far a wear's colour lies from the print's is a number of the
card: at 0 it is the print's own, as on every black and white picture.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from matcher.core.photo import to_grey
from matcher.lab.synthesis.printing import Card
from matcher.lab.synthesis.wear import worn

Ratio = tuple[float, float]
"""Logarithms of red and of blue to green."""

Absorbs = tuple[float, float, float]
"""Powers of the density by which red, green and blue are absorbed: 1 each for grey."""


@dataclass(frozen=True)
class Material:
    """One thing that lies upon a card, or shows where the print is gone.

    body: hue of what covers; None where nothing covers, or it has the print's own colour.
    dye:  how the rest of its light is absorbed; None: in the print's own colour, as a shadow is.
    """

    body: Ratio | None = None
    dye: Absorbs | None = None


IRON_GALL, BLUE_BLACK, VIOLET = (0.9, 1.0, 1.2), (1.3, 1.0, 0.65), (1.0, 1.2, 0.7)
BLACK, RED, BLUE = (1.0, 1.0, 1.0), (0.45, 1.25, 1.2), (1.6, 0.95, 0.5)
RUST, OLD_GLUE = (0.65, 1.05, 1.6), (0.7, 1.0, 1.7)
"""Powers for what cards are written on and stained with; hues by eye, no source."""


def paper(rng: np.random.Generator) -> Ratio:
    """Paper that light has never reached, or has yellowed: white to buff."""
    return float(rng.normal(0.05, 0.04)), float(-abs(rng.normal(0.08, 0.1)))


def board(rng: np.random.Generator) -> Ratio:
    """The board below: cream, grey, brown, maroon, bottle green; by eye, no source."""
    usual = [(0.06, -0.18), (0.0, 0.0), (0.02, 0.04), (0.2, -0.4), (0.5, -0.15), (-0.25, -0.1)]
    red, blue = usual[int(rng.choice(len(usual), p=[0.35, 0.25, 0.1, 0.15, 0.08, 0.07]))]
    return red + float(rng.normal(0, 0.03)), blue + float(rng.normal(0, 0.05))


def _label(rng: np.random.Generator) -> Material:
    """White paper, or tinted any way."""
    if rng.random() < 0.5:
        return Material(body=(float(rng.normal(0, 0.03)), float(rng.normal(0, 0.05))))
    return Material(body=(float(rng.normal(0, 0.3)), float(rng.normal(-0.1, 0.4))))


def _one_of(*dyes: Absorbs) -> Callable[[np.random.Generator], Material]:
    return lambda rng: Material(dye=dyes[int(rng.integers(len(dyes)))], body=None)


def _bared(rng: np.random.Generator) -> Material:
    return Material(body=paper(rng) if rng.random() < 0.5 else board(rng))


def _pen(rng: np.random.Generator) -> Material:
    return _one_of(IRON_GALL, BLUE_BLACK, BLUE_BLACK, VIOLET, VIOLET, BLACK, RED)(rng)


def _pencil(rng: np.random.Generator) -> Material:
    """Graphite is grey and opaque; crayon is not."""
    return Material(body=(0.0, 0.0)) if rng.random() < 0.75 else _one_of(BLUE, RED)(rng)


def _tape(rng: np.random.Generator) -> Material:
    """Brown with its glue, or a milky film."""
    return Material(dye=OLD_GLUE) if rng.random() < 0.7 else Material(body=paper(rng))


def _wash(rng: np.random.Generator) -> Material:
    red, blue = np.exp(rng.normal(0, 0.5, 2))
    return Material(dye=(float(red), 1.0, float(blue)), body=(float(rng.normal(0, 0.4)), float(rng.normal(0, 0.4))))


def _pins(rng: np.random.Generator) -> Material:
    return Material(body=board(rng), dye=RUST)


def _own(rng: np.random.Generator) -> Material:
    """What the plate itself has, each print shows in its own colour."""
    return Material()


def _printed(rng: np.random.Generator) -> Material:
    """Words from the plate, or stamped and written later."""
    return _own(rng) if rng.random() < 0.5 else _pen(rng)


MADE_OF: Mapping[str, Callable[[np.random.Generator], Material]] = {
    "crease": lambda rng: Material(body=paper(rng)), "abrasion": lambda rng: Material(body=paper(rng)),
    "surface_loss": _bared, "grazed": _bared, "holes": lambda rng: Material(body=board(rng)), "torn": _bared,
    "pinned": _pins, "sticker": _label, "tape": _tape, "ink": _pen, "pencil": _pencil, "coloured": _wash,
    "stamp": _one_of(VIOLET, VIOLET, BLUE, BLACK, RED), "lettering": _printed,
    "water": _one_of(RUST, IRON_GALL), "spots": _one_of(RUST, RUST, BLACK), "cracked_plate": _own,
    "own_tones": lambda rng: _bared(rng) if rng.random() < 0.5 else _label(rng),
}  # fmt: skip
"""What each kind of `wear` is made of on one card."""


def any_material(rng: np.random.Generator) -> Material:
    """What covers and what dyes, each by itself: for wear of which nothing more is known than where it lies."""
    body = (None, paper(rng), board(rng), _label(rng).body)[int(rng.integers(4))]
    dye = (None, RUST, OLD_GLUE, IRON_GALL, BLUE_BLACK, VIOLET, RED, BLUE)[int(rng.integers(8))]
    return Material(body=body, dye=dye)


WHITE_FROM = 0.1
"""By how much lighter than the print, of 0..1, what is written is body colour: no dye makes anything lighter."""


def hurt(card: Card, kind: str, colour: float, rng: np.random.Generator) -> Card:
    """The card with one kind of wear upon it. colour: from 0, the print's own, to 1, all that its material has."""
    before = to_grey(card.pixels).astype(np.float32) / np.float32(255)
    after, share = worn(before, [kind], rng, float(rng.uniform(0.2, 1)))
    made_of = MADE_OF[kind](rng)
    if made_of.body is None and kind in ("ink", "lettering", "spots") and _lightens(before, after, share):
        made_of = Material(body=paper(rng))
    return replace(card, pixels=in_colour(card.pixels, before, after, share, made_of, colour))


def in_colour(
    pixels: NDArray[np.uint8],
    before: NDArray[np.float32],
    after: NDArray[np.float32],
    share: NDArray[np.float32],
    made_of: Material,
    colour: float,
) -> NDArray[np.uint8]:
    """A print's pixels, (h, w, 3) RGB, once its greys have gone from `before` to `after`, (h, w) 0..1.

    share: (h, w) 0..1, what of it is covered or gone. The greys come out as they were given, whatever the colour.
    """
    own = np.log(pixels.astype(np.float32) + 1) - np.log(255 * before[..., None] + 1)
    usual = _usual_hue(own, before)[np.clip(np.rint(255 * after), 0, 255).astype(np.uint8)]
    change = np.log((after + np.float32(0.02)) / (before + np.float32(0.02)))[..., None]
    hue = own + share[..., None] * (usual - own)
    if made_of.dye is not None:
        hue = hue + colour * np.minimum(change, 0) * (np.array(made_of.dye, np.float32) - 1)
    if made_of.body is not None:
        red, blue = made_of.body
        covering = usual + np.float32(colour) * (np.array([red, 0.0, blue], np.float32) - usual)
        hue = hue + share[..., None] * (covering - hue)
    return _as_light(hue, 255 * after[..., None])


def _usual_hue(hue: NDArray[np.float32], tones: NDArray[np.float32]) -> NDArray[np.float32]:
    """(256, 3): the hue that a print has at each tone; beyond those that it has its densities go on in a line."""
    levels = np.clip(np.rint(255 * tones[::2, ::2]), 0, 255).astype(np.uint8).ravel()
    counts = np.bincount(levels, minlength=256).astype(np.float32)
    near = [counts, *(np.bincount(levels, hue[::2, ::2, c].ravel(), 256).astype(np.float32) for c in range(3))]
    smooth = [np.convolve(one, np.hanning(25), "same") for one in near]
    seen = np.flatnonzero(smooth[0] > 0.002 * levels.size)
    densities, weights = np.log(np.arange(256) + 1.0), np.sqrt(smooth[0][seen])
    table = []
    for one in smooth[1:]:
        line = np.polyval(np.polyfit(densities[seen], one[seen] / smooth[0][seen], 1, w=weights), densities)
        table.append(line + np.interp(np.arange(256), seen, one[seen] / smooth[0][seen] - line[seen]))
    return np.asarray(np.stack(table, axis=1), np.float32)


def _as_light(hue: NDArray[np.float32], grey: NDArray[np.float32]) -> NDArray[np.uint8]:
    """Pixels of a hue, logarithms of three channels, as light as a grey, (h, w, 1), by the weights of `to_grey`."""
    tones = np.exp(hue)
    tones *= grey / np.maximum(tones @ LUMA, 1e-3)[..., None]
    return np.asarray(np.clip(np.rint(tones), 0, 255), np.uint8)


LUMA = np.array([0.299, 0.587, 0.114], np.float32)
"""ITU-R BT.601."""


def _lightens(before: NDArray[np.float32], after: NDArray[np.float32], share: NDArray[np.float32]) -> bool:
    weight = float(share.sum())
    return weight > 0 and float(((after - before) * share).sum()) / weight > WHITE_FROM


def toned(card: Card, rng: np.random.Generator) -> Card:
    """A print toned in a way of its own: each density keeps its grey, and has one hue wherever it stands."""
    strength, pull = float(rng.uniform(0, 1.3)), rng.normal(0, 0.08, 2)
    turn = rng.normal(0, 0.06, 2)
    logs = np.log(card.pixels.astype(np.float32) + 1)
    grey = np.log(to_grey(card.pixels).astype(np.float32) + 1)[..., None]
    light = float(np.percentile(grey[::8, ::8], 98))
    density = np.maximum(light - grey, 0)
    added = [pull[0] * density + turn[0] * density**2 / 2, 0 * density, pull[1] * density + turn[1] * density**2 / 2]
    hue = np.float32(strength) * (logs - grey) + np.concatenate(added, axis=2)
    return replace(card, pixels=_as_light(np.asarray(hue, np.float32), np.asarray(np.exp(grey) - 1, np.float32)))
