"""What lies between two lines that run beside each other along a side: the card's mount, or the table?

Two lines and the colours around them in, an answer a line out. A mount is plain, differs from the table and ends with
the card. A shadow, a rule, a line of print, a sleeve's rim or a blurred edge's tail do not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.geometry import NEXT, Array
from matcher.core.detect.sampling import outward, sample
from matcher.core.detect.scoring import LEVELS
from matcher.core.detect.settings import StripSettings

Values = NDArray[np.float32]
Indices = NDArray[np.intp]

PAST_MM = np.array([2.2, 1.7, 1.3, 1.3, 1.7, 2.2], np.float32)
"""How far past a side's start, and its end, it is looked what lies there: past a mount of which only the print has
been found so far, and not yet past a sleeve."""


@dataclass(frozen=True)
class Sides:
    """n sides, each sampled at s stations along it and o offsets across it, from inside out.

    colours: (n, s, o, 3) float32. past: (n, 6, o, 3) the same at PAST_MM, three before the side's start and three after
             its end. black: (3,) black in these colours.
    low:     (n,) first offset in which a line may run; lowest: and one for which the strongest is given up.
    high:    (n,) offset before which it runs.
    wide:    (n,) what a mount shows beside its print, in offsets; None where the strongest line is
             taken, whatever lies beside it.
    half:    offsets that are averaged to either side of an edge.
    """

    colours: Values
    past: Values
    black: Values
    low: Indices
    lowest: Indices
    high: Indices
    wide: Array | None
    half: int


def past_ends(pixels: NDArray[np.uint8], quads: Values, scale: Array, offsets: Array) -> Values:
    """(n, 4, 6, o, 3) colours where each side would run on, PAST_MM before its start and after its end."""
    normal = outward(quads)[:, :, None, None]
    along = np.stack([-normal[..., 1], normal[..., 0]], axis=-1) * (PAST_MM * scale[:, None])[:, None, :, None, None]
    far = len(PAST_MM) // 2
    start, end = quads[:, :, None, None], quads[:, NEXT, None, None]
    points = np.concatenate([start - along[:, :, :far], end + along[:, :, far:]], axis=2)
    return sample(pixels, points + offsets[:, None, None, :, None] * normal) * LEVELS


def is_table_between(
    of: Indices, inner: Indices, outer: Indices, steps: Values, sides: Sides, settings: StripSettings
) -> NDArray[np.bool_]:
    """(k,) whether the strip between two lines (k, s), of side `of` (k,), plainly is the table: it runs on past both
    ends of the card, and the inner line is an edge all along."""
    if not len(of):
        return np.empty(0, bool)
    row, station, centre = of[:, None], np.arange(inner.shape[1]), (inner + outer + 1) // 2
    strip = sides.colours[row, station, centre]
    at = steps[row, station, inner]
    step = lengths(at.mean(axis=1))
    same = np.median(_past(of, centre, strip, sides, settings), axis=2).max(axis=1) < settings.runs_on * step
    return np.asarray(same & _all_along(at) & (step > 6))


def is_card_between(
    of: Indices, inner: Indices, outer: Indices, steps: Values, sides: Sides, settings: StripSettings
) -> NDArray[np.bool_]:
    """(k,) whether the strip between two lines (k, s) of side `of` (k,) is plain card: even along the side, and
    unlike what lies beyond."""
    if not len(of):
        return np.empty(0, bool)
    half, last = sides.half, sides.colours.shape[2] - 1
    row, station = of[:, None], np.arange(inner.shape[1])
    centre = (inner + outer + 1) // 2
    middle = sides.colours[row, station, centre]
    before = sides.colours[row, station, np.maximum(outer - half, centre)]
    beyond = sides.colours[row, station, np.minimum(outer + 2 * half, last)]
    within = sides.colours[row, station, np.maximum(inner - 2 * half, 0)].mean(axis=1)
    apart, level = before - beyond, before.mean(axis=1)
    step = np.maximum(lengths(apart.mean(axis=1)), 0.5 * np.median(lengths(apart), axis=1))
    uneven = np.median(lengths(middle - np.median(middle, axis=1, keepdims=True)), axis=1)
    card = _all_along(steps[row, station, outer]) & (step > 3) & (step > 0.8 * uneven)
    # What is far more like the table than like the card is the table: its weave, a shadow, a blurred edge's tail.
    card &= step > settings.least_step * lengths(before.mean(axis=1) - within)
    # Darker than the card on one side and the table on the other is the card's own shadow.
    card &= level[:, 0] >= np.minimum(within[:, 0], beyond.mean(axis=1)[:, 0]) - np.minimum(0.25 * step, 2)
    card &= ~_is_drawn_line(of, outer, sides, level, beyond.mean(axis=1))
    # Where the table lies in a deep shadow, the step to it says little of how unlike the lit table is.
    needed = settings.ends_with_card * np.minimum(step, settings.most_step)
    card &= _past(of, centre, middle, sides, settings).min(axis=(1, 2)) > needed
    # A sleeve's clear margin is wider than a mount's and hardly differs from the table beyond.
    narrow = np.full(len(of), True) if sides.wide is None else (outer - inner).mean(axis=1) < sides.wide[of]
    return np.asarray(card & (narrow | (step > 0.35 * lengths(middle.mean(axis=1) - within))))


def _past(of: Indices, centre: Indices, strip: Values, sides: Sides, settings: StripSettings) -> Array:
    """(k, 2, 3) how far the colours past a side's start and end are from those of a strip along it there, (k, s, 3) at
    offsets `centre` (k, s)."""
    quarter, far = strip.shape[1] // 4, len(PAST_MM) // 2
    ends = []
    for station, within, past in ((0, np.s_[:quarter], np.s_[:far]), (-1, np.s_[-quarter:], np.s_[far:])):
        beside = sides.past[of, past, centre[:, station]]
        seen, lit = np.median(strip[:, within], axis=1)[:, None] - sides.black, beside - sides.black
        # Beside the card the table may lie in its shadow: the same colour, darker.
        left = np.einsum("kpc,kpc->kp", np.broadcast_to(seen, lit.shape), lit)
        left = np.clip(left / np.maximum(np.einsum("kpc,kpc->kp", lit, lit), 1), settings.deepest_shadow, 1)
        ends.append(lengths(seen - left[..., None] * lit))
    return np.stack(ends, axis=1)


def _all_along(at: Values) -> NDArray[np.bool_]:
    """(k,) Lines of print and woven stripes step only here and there; a cut edge (k, s, 3) steps all along."""
    mean = at.mean(axis=1)
    along = np.einsum("ksc,kc->ks", at, mean / np.maximum(lengths(mean), 1e-6)[:, None])
    one_way = (along > np.maximum(0.8, 0.3 * along.mean(axis=1))[:, None]).mean(axis=1)
    either_way = (lengths(at) > 5).mean(axis=1)
    return np.asarray(np.maximum(one_way, either_way) > 0.8)


def _is_drawn_line(of: Indices, path: Indices, sides: Sides, before: Values, beyond: Values) -> NDArray[np.bool_]:
    """(k,) whether colours along a line leave the range between its two sides: the bright rim of a sleeve, a pen
    line. before, beyond: (k, 3) colours of the two sides."""
    step = beyond - before
    length = np.maximum(lengths(step), 1e-3)
    direction = step / length[:, None]
    reach = np.arange(-sides.half, sides.half + 1)
    near = np.clip(path[..., None] + reach, 0, sides.colours.shape[2] - 1)
    rows, stations = of[:, None, None], np.arange(path.shape[1])[:, None]
    away = sides.colours[rows, stations, near].mean(axis=1) - before[:, None]
    along = np.clip(np.einsum("krc,kc->kr", away, direction), 0, length[:, None])
    off = lengths(away - direction[:, None] * along[..., None]).max(axis=1)
    return np.asarray(off > 0.7 * length + 2)


def lengths(vectors: Values) -> Values:
    """(...) of (..., c)."""
    return np.asarray(np.sqrt(np.einsum("...c,...c->...", vectors, vectors)))
