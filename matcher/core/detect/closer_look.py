"""A second look at small things: what may be a card, but fills little of the photo, is searched again from nearer.

The reduced picture leaves a card that fills a sixth of the frame a hundred pixels: its border is one pixel wide, and
letters of the page below are as strong as its sides. The photo itself shows more. In: the photo and what the first
search found too unlikely; out: what the same search says of the photo cut out around it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.quad_search import RankedQuads, search_quads
from matcher.core.detect.reduced_image import ReducedImage, reduce
from matcher.core.detect.scoring import plain_share
from matcher.core.detect.settings import DetectSettings
from matcher.core.photo import Photo
from matcher.core.shared_settings import FaceSize


def closer_look(
    photo: Photo, picture: ReducedImage, sizes: Sequence[FaceSize], doubted: RankedQuads, settings: DetectSettings
) -> RankedQuads:
    """The best that is seen from nearer in one of the places of `doubted`, in pixels of `picture`; none if nothing is.

    sizes: of the cards, as portrait.
    """
    looking = settings.closer_look
    best = RankedQuads.none()
    for quad in doubted.small:
        window = _window(photo, picture, quad, looking.margin)
        seen = _seen_in(photo, window, sizes, settings)
        if seen.best > best.best:
            best = _moved(seen, np.zeros(2, int), np.ones(2), np.array(picture.scale))
    return best


def _window(photo: Photo, picture: ReducedImage, quad: NDArray[np.float32], margin: float) -> tuple[int, int, int, int]:
    """Left, top, right, bottom around a quad (4, 2) in reduced pixels, with room around it; pixels of the photo."""
    corners = quad / np.array(picture.scale)
    low, high = corners.min(axis=0), corners.max(axis=0)
    room = margin * float((high - low).max())
    left, top = np.maximum(np.floor(low - room), 0).astype(int)
    right, bottom = np.minimum(np.ceil(high + room), [photo.width, photo.height]).astype(int)
    return int(left), int(top), int(right), int(bottom)


def _seen_in(
    photo: Photo, window: tuple[int, int, int, int], sizes: Sequence[FaceSize], settings: DetectSettings
) -> RankedQuads:
    left, top, right, bottom = window
    part = Photo.from_pixels(np.ascontiguousarray(photo.pixels[top:bottom, left:right]), dpi=photo.dpi)
    near = reduce(part, settings.reduction)
    px_per_mm = photo.dpi / 25.4 * near.scale[1] if photo.dpi else None
    seen = search_quads(near, sizes, px_per_mm, settings)
    # The window's own border was drawn here: nothing ends at it.
    far = np.array([near.width, near.height], np.float32)
    rim = np.minimum(seen.quads, far - seen.quads).min(axis=(1, 2), initial=np.inf)
    printed = plain_share(near, seen.quads) < settings.choice.plain
    whole = np.nonzero((rim > settings.choice.border_px) & printed)[0]
    return _moved(
        RankedQuads(seen.quads[whole], seen.scores[whole], tuple(seen.runner_up[i] for i in whole)),
        np.array([left, top]), np.array(near.scale), np.ones(2),
    )  # fmt: skip


def _moved(
    seen: RankedQuads, corner: NDArray[np.int_], scale: NDArray[np.float64], target: NDArray[np.float64]
) -> RankedQuads:
    """From pixels of a window, `scale` of them a photo's pixel, to such of a picture with `target` of them."""

    def moved(quads: NDArray[np.float32]) -> NDArray[np.float32]:
        return np.asarray((quads / scale + corner) * target, np.float32)

    others = tuple(None if one is None else moved(one) for one in seen.runner_up)
    return RankedQuads(moved(seen.quads), seen.scores, others)
