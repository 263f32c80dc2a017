"""A quad that ends at the lower edge of the picture is carried on over the plain strip that bears the caption."""

from __future__ import annotations

from dataclasses import dataclass
from math import log

import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.geometry import Array, clockwise_portrait, height, ratio, true_ratio
from matcher.core.detect.reduced_image import ReducedImage
from matcher.core.detect.sampling import sample
from matcher.core.detect.scoring import LEVELS

STRIP_MM = np.arange(1.0, 10.01, 0.25)
"""How far beyond a short side the card may go on."""

ALONG = np.linspace(0.06, 0.94, 24)


@dataclass(frozen=True)
class _Strip:
    """Colours beyond one short side: (o, s, 3) within the card's width, (o, 2, 3) just beside it, left and right."""

    within: NDArray[np.float32]
    beside: NDArray[np.float32]


def with_caption(
    picture: ReducedImage, quad: Array, height_mm: float, nominal: float, lying: bool = False
) -> NDArray[np.float32]:
    """The quad (4, 2), in reduced pixels and portrait order, lengthened at either short side where the card plainly
    goes on.

    Only tried while the quad is too stout for `nominal`, a card's width over height. height_mm: the card's.
    lying: at either long side, of a quad that is too slender: a landscape card's caption.
    """
    quad = np.asarray(quad, np.float32)
    for turn in (1, 3) if lying else (0, 2):
        now = float(ratio(quad[None])[0])
        if (now > nominal / 1.04) if lying else (now < 1.04 * nominal):
            break
        turned, scale = np.roll(quad, -turn, axis=0), float(height(quad[None])[0]) / height_mm
        length = _end_of_card(_beyond(picture, turned, scale))
        if length is None:
            continue
        up_left, up_right = turned[0] - turned[3], turned[1] - turned[2]
        longer = turned.copy()
        longer[0] += up_left / np.linalg.norm(up_left) * length * scale
        longer[1] += up_right / np.linalg.norm(up_right) * length * scale
        quad = np.roll(longer, turn, axis=0)
    return np.asarray(clockwise_portrait(quad[None])[0], dtype=np.float32)


def to_nominal(picture: ReducedImage, quad: Array, shapes: Array) -> list[NDArray[np.float32]]:
    """The quad (4, 2) brought to the nearest of the nominal widths over heights (k,), at its top and at its foot.

    None if it has about that or is too far from it. A short side that is lost in the table's grain is found so
    from the three others.
    """
    stout = (true_ratio(quad[None], picture.width, picture.height)[0] / shapes).tolist()
    if any(0.95 <= one <= 1.05 for one in stout):
        return []
    nearest = min(stout, key=lambda one: abs(log(one)))
    return _lengthened(quad, nearest) if 0.80 < nearest < 1.45 else []


def _lengthened(quad: Array, stout: float) -> list[NDArray[np.float32]]:
    """At its foot and at its head."""
    foot, head = quad.copy(), quad.copy()
    foot[2:] += (quad[[2, 3]] - quad[[1, 0]]) * (stout - 1)
    head[:2] += (quad[[0, 1]] - quad[[3, 2]]) * (stout - 1)
    return [np.asarray(longer, np.float32) for longer in (foot, head)]


def _beyond(picture: ReducedImage, quad: NDArray[np.float32], scale: float) -> _Strip:
    """Sample above the side from corner 0 to corner 1."""
    left = quad[0] - quad[3]
    right = quad[1] - quad[2]
    left, right = left / np.linalg.norm(left), right / np.linalg.norm(right)
    out = (STRIP_MM * scale)[:, None, None]
    margin = 1.3 * scale / max(float(np.linalg.norm(quad[1] - quad[0])), 1.0)
    at = np.concatenate([ALONG, [-margin, 1 + margin]])[None, :, None]
    points = quad[0] * (1 - at) + quad[1] * at + out * (left * (1 - at) + right * at)
    inside = (points[..., 0] > 1) & (points[..., 1] > 1)
    inside &= (points[..., 0] < picture.width - 1) & (points[..., 1] < picture.height - 1)
    colours = sample(picture.lab, points) * LEVELS
    colours[~inside] = np.nan
    return _Strip(colours[:, :-2], colours[:, -2:])


def _end_of_card(strip: _Strip) -> float | None:
    """Distance in mm at which a plain strip, unlike the table on its left and right, gives way to the table."""
    middle = np.median(strip.within, axis=1)
    step = np.zeros(len(middle))
    step[2:-2] = np.linalg.norm(middle[:-4] - middle[4:], axis=1)
    if not np.isfinite(step[4]):
        return None
    step = np.nan_to_num(step)
    for at in np.argsort(-step)[:3]:
        if step[at] < 4 or at < 6 or not np.isfinite(strip.beside[:at]).all():
            continue
        inside, beside = middle[2 : at - 1], strip.beside[2 : at - 1]
        contrast = np.linalg.norm(inside[:, None] - beside, axis=2)
        outward = strip.within[at - 2] - strip.within[at + 2]
        mean = outward.mean(axis=0)
        along = outward @ (mean / max(float(np.linalg.norm(mean)), 1e-6))
        all_along = float((along > 0.35 * float(np.median(along))).mean())
        if np.median(contrast, axis=0).min() > 0.5 * step[at] and all_along > 0.8:
            return float(STRIP_MM[at])
    return None
