"""From many overlapping quads to one outline a card, and the order in which a reader meets them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.geometry import Array, area, height, inside

SURE = 1.4
"""Log odds, of a score of 0.8, from which more of them count."""


def suppress_overlaps(
    quads: Array, scores: Array, least: float, limit: int = 40, log_odds: Array | None = None
) -> NDArray[np.intp]:
    """Indices, best first, at most `limit`, of quads (n, 4, 2) of at least the score `least` that share no card.

    Of quads on the same card the best wins; between nearly equal ones, the larger (a mount, not its print). What
    holds two good outlines side by side is a group of cards, not a card. log_odds: (n,) they tell a card from the
    holder around it where both scores are as good as 1.
    """
    size = np.abs(area(quads))
    centre = quads.mean(axis=1)
    preference = scores + 0.02 * np.log(np.maximum(size, 1)) - _groups(quads, scores, size)
    if log_odds is not None:
        preference = preference + 0.05 * np.maximum(log_odds - SURE, 0)
    order = [i for i in np.argsort(-preference) if scores[i] >= least and preference[i] > least - 0.5]
    kept: list[int] = []
    for i in order:
        if len(kept) >= limit:
            break
        if not any(inside(centre[i], quads[k]) or inside(centre[k], quads[i]) for k in kept):
            kept.append(int(i))
    return np.array(kept, dtype=np.intp)


def _groups(quads: Array, scores: Array, size: Array) -> NDArray[np.float64]:
    """(n,) 1 for quads that hold two or more good, alike, separate quads, else 0."""
    good = np.argsort(-scores)[:100]
    good = good[scores[good] > 0.9]
    group = np.zeros(len(quads))
    inner = _centres_inside(quads[good])
    for a, i in enumerate(good):
        part = size[good] / size[i]
        separate: list[int] = []
        for b in np.nonzero(inner[a] & (part > 0.02) & (part < 0.5))[0]:
            alike = not separate or 0.6 < part[b] / part[separate[0]] < 1.7
            if alike and not any(inner[b, h] or inner[h, b] for h in separate):
                separate.append(int(b))
        group[i] = len(separate) >= 2
    return group


def _centres_inside(quads: Array) -> NDArray[np.bool_]:
    """(n, n): whether quad i holds the centre of quad k; quads clockwise."""
    edge = np.roll(quads, -1, axis=1) - quads
    to_centre = quads.mean(axis=1)[None, :, None, :] - quads[:, None]
    edge = edge[:, None]
    turn = edge[..., 0] * to_centre[..., 1] - edge[..., 1] * to_centre[..., 0]
    return np.asarray((turn >= 0).all(axis=-1))


def companions(quads: Array, scores: Array, least: float, unlike: float = 1.0) -> NDArray[np.intp]:
    """Indices of the first quad, which is the best, and of others that can be cards beside it: about as large, and
    scored nearly as high.

    unlike: how many times longer one card may be than another by its format.
    """
    relative = height(quads) / height(quads[:1])
    sure = scores >= max(0.8, least, 0.85 * float(scores[0]))
    sure[0] = True
    return np.nonzero(sure & (relative > 0.7 / unlike) & (relative < 1.45 * unlike))[0]


def reading_order(quads: Array) -> list[int]:
    """Indices of quads (n, 4, 2), row by row from the top, each row from the left.

    Cards within half a height of the topmost make one row with it.
    """
    centre = quads.mean(axis=1)
    half = 0.5 * float(np.median(height(quads)))
    order: list[int] = []
    left = sorted(range(len(quads)), key=lambda i: float(centre[i, 1]))
    while left:
        top = float(centre[left[0], 1])
        row = [i for i in left if centre[i, 1] < top + half]
        left = [i for i in left if i not in row]
        order += sorted(row, key=lambda i: float(centre[i, 0]))
    return order
