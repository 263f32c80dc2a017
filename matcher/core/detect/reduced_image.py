"""The reduced picture that proposals and scores work on: colours, locally normalised gradient, thin edges."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.detect.finder import Response, respond, sees_card
from matcher.core.detect.proposal_settings import ReductionSettings
from matcher.core.filters import shrink
from matcher.core.photo import Photo


@dataclass(frozen=True)
class ReducedImage:
    """A photo reduced for the search.

    lab:   (h, w, 3) uint8, CIE L a b as OpenCV packs them, lightly smoothed.
    scale: reduced pixels per photo pixel, (x, y).
    """

    lab: NDArray[np.uint8]
    scale: tuple[float, float]
    settings: ReductionSettings = ReductionSettings()

    @cached_property
    def slope(self) -> NDArray[np.float32]:
        """(h, w, 2) gradient x y of the strongest channel, divided by the local mean gradient; computed once, and not
        at all where a card is plain without."""
        return _normalised(*_strongest_gradient(self.lab, self.settings), self.settings)

    @cached_property
    def edges(self) -> NDArray[np.bool_]:
        """(h, w) thin edges; computed once."""
        return _thin(self.slope, self.settings)

    @cached_property
    def response(self) -> Response:
        """What a network sees of cards in it; computed once."""
        return respond(self.lab)

    @cached_property
    def sees_card(self) -> bool:
        """Whether that network sees a whole card in it; computed once."""
        return sees_card(self.response)

    @property
    def width(self) -> int:
        """Reduced pixels."""
        return int(self.lab.shape[1])

    @property
    def height(self) -> int:
        """Reduced pixels."""
        return int(self.lab.shape[0])


def reduce(photo: Photo, settings: ReductionSettings = ReductionSettings()) -> ReducedImage:
    """Reduce a photo to at most `settings.long_side`; smaller photos keep their size, at least 8 pixels each way."""
    factor = min(1.0, settings.long_side / max(photo.width, photo.height))
    shape = (max(8, round(photo.width * factor)), max(8, round(photo.height * factor)))
    # A linear rest is quicker; after a halving it leaves hardly more grain than areas would.
    if factor <= 0.5:
        small = shrink(photo.half, shape, cv2.INTER_LINEAR)
    else:
        small = shrink(photo.pixels, shape, cv2.INTER_AREA)
    lab = np.asarray(cv2.GaussianBlur(cv2.cvtColor(small, cv2.COLOR_RGB2LAB), (0, 0), 1.0), dtype=np.uint8)
    return ReducedImage(lab, (shape[0] / photo.width, shape[1] / photo.height), settings)


def halved(picture: ReducedImage) -> ReducedImage:
    """Half the size."""
    return _with(
        picture, cv2.resize(picture.lab, (picture.width // 2, picture.height // 2), interpolation=cv2.INTER_AREA)
    )


def _strongest_gradient(
    lab: NDArray[np.uint8], settings: ReductionSettings
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Per pixel, the gradient of whichever of L, a, b changes most; chroma counts more, its range is smaller."""
    best_x = best_y = best = None
    for channel, weight in enumerate((1.0, settings.chroma_weight, settings.chroma_weight)):
        plane = np.ascontiguousarray(lab[..., channel])
        x = cv2.Scharr(plane, cv2.CV_32F, 1, 0, scale=weight / 32)
        y = cv2.Scharr(plane, cv2.CV_32F, 0, 1, scale=weight / 32)
        size = x * x + y * y
        if best is None:
            best_x, best_y, best = x, y, size
        else:
            stronger = (size > best).astype(np.uint8)
            cv2.copyTo(x, stronger, best_x)
            cv2.copyTo(y, stronger, best_y)
            cv2.max(best, size, best)
    return best_x, best_y  # type: ignore[return-value]


def _normalised(x: NDArray[np.float32], y: NDArray[np.float32], settings: ReductionSettings) -> NDArray[np.float32]:
    size = cv2.magnitude(x, y)
    window = (settings.long_side // settings.windows_along) | 1
    local = cv2.boxFilter(size, -1, (window, window), borderType=cv2.BORDER_REPLICATE)
    gain = 1.0 / (local + settings.noise_floor)
    return np.stack([x * gain, y * gain], axis=-1).astype(np.float32, copy=False)


def _thin(slope: NDArray[np.float32], settings: ReductionSettings) -> NDArray[np.bool_]:
    counts = np.clip(slope * 200, -32000, 32000).astype(np.int16)
    x, y = np.ascontiguousarray(counts[..., 0]), np.ascontiguousarray(counts[..., 1])
    return np.asarray(cv2.Canny(x, y, settings.thin_low, settings.thin_high, L2gradient=True) > 0)


def soften(picture: ReducedImage) -> ReducedImage:
    """Half the size, and without whatever is thinner than half the window: print, grain, weave, drawn lines."""
    return _with(picture, cv2.medianBlur(halved(picture).lab, picture.settings.softened_by))


def _with(picture: ReducedImage, lab: cv2.typing.MatLike) -> ReducedImage:
    """The same picture, smaller: lab (h, w, 3) uint8."""
    scale = (picture.scale[0] * lab.shape[1] / picture.width, picture.scale[1] * lab.shape[0] / picture.height)
    return ReducedImage(np.asarray(lab, np.uint8), scale, picture.settings)
