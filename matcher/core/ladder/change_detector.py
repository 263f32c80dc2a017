"""Where do two registered pictures show different things? Small networks that learnt it from rehearsals.

Two greys of one frame in, a `DifferenceMap` out, with a map of log odds: above zero where the two show something
different, and not merely faded, stained, blurred or grainy versions of one thing. Correlation has to be told how much
noise to expect and where a stain is only a stain; these were trained on pairs for which the truth of every spot was
known (`lab/synthesis/training_pairs.py`, `scripts/train_change_detector`). They never saw a picture of a demo or a
test.

The constants here are the shape of what the networks were trained on: they change with the weights alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.calibration import log_gap
from matcher.core.filters import slow
from matcher.core.ladder.picture_settings import ChangeSettings
from matcher.core.nets import weight_file
from matcher.core.nets.runtime import infer

Floats = NDArray[np.float32]
Grey = NDArray[np.uint8]

Kind = Literal["pictures", "words"]
"""What is compared; each has a network of its own, trained on its own: `change_pictures.onnx`, `change_words.onnx`."""

STEP = 4
"""The map holds one value for STEP x STEP pixels."""

WHOLE_PX = 8
"""The networks halve a picture three times."""

WINDOW_PX = 12.0
"""Gaussian sigma of local mean and contrast, face pixels."""

_NOISE = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32)
"""Immerkaer's mask (1996): blind to edges and shading, it answers to noise alone; its norm is 6."""


NetworkInputs = tuple[tuple[Floats, float], tuple[Floats, float]]
"""What `network_input` gives of the query and of the reference."""


@dataclass(frozen=True, eq=False)
class DifferenceMap:
    """A part of the query's face with the reference's laid over it, compared; equal to itself alone.

    kind:             what it shows.
    query, reference: (height, width) uint8, registered to a pixel.
    shown:            (ceil(height / STEP), ceil(width / STEP)) float32, 1 where both are shown, else 0.
    logits:           its shape, log odds that the two show different things there.
    """

    kind: Kind
    query: Grey
    reference: Grey
    shown: Floats
    logits: Floats

    @property
    def probability(self) -> Floats:
        """That a spot shows something different, of the map's shape; 0 where it is not shown."""
        return np.asarray(self.shown / (1 + np.exp(-np.clip(self.logits, -30, 30))), np.float32)


def compare(
    kind: Kind, query: Grey, reference: Grey, mask: NDArray[np.bool_], sides: NetworkInputs | None = None
) -> DifferenceMap:
    """Ask the network of its kind where two registered greys differ.

    query, reference: (height, width) uint8. mask: (height, width) bool, where both are shown.
    sides:            `network_input` of both, where another network was asked about them already.
    """
    (first, noise_1), (second, noise_2) = sides or (network_input(query), network_input(reference))
    rows, columns = (-(-side // STEP) for side in query.shape)
    # Nothing lies beyond the edge, as in the network's own convolutions.
    beyond = ((0, 0), *((0, -side % WHOLE_PX) for side in query.shape))
    pair, noise = np.pad(np.stack([first, second]), beyond)[None], np.array([[noise_1, noise_2]], np.float32)
    logits = infer(weight_file(f"change_{kind}.onnx"), pair=pair, noise=noise)[0, :rows, :columns]
    spots: NDArray[np.bool_] = mask[STEP // 2 :: STEP, STEP // 2 :: STEP]
    short = ((0, rows - spots.shape[0]), (0, columns - spots.shape[1]))
    return DifferenceMap(kind, query, reference, np.pad(spots, short).astype(np.float32), logits)


def difference_features(parts: Sequence[DifferenceMap], settings: ChangeSettings | None = None) -> dict[str, float]:
    """How large and how sure the largest difference is, over all parts of one comparison.

    On a logarithmic scale: one spot at 0.9 says as much more than one at 0.3 as that says more than one at 0.1.
    """
    maps = [part.probability for part in parts]
    features = {
        f"differs_{size:.0f}": log_gap(max(float(_pooled(one, size).max()) for one in maps), 0.01)
        for size in (settings or ChangeSettings()).spots_px
    }
    surplus = sum(float((np.clip(part.logits, 0, 6) * part.shown).sum()) for part in parts)
    features["differs_most"] = log_gap(max(float(one.max()) for one in maps), 0.01)
    features["differs_sum"] = log_gap(surplus, 0.1)
    features["differs_all"] = log_gap(sum(float(one.sum()) for one in maps), 0.1)
    return features


def odds_features(parts: Sequence[DifferenceMap], settings: ChangeSettings | None = None) -> dict[str, float]:
    """How sure the surest difference is, in spots of some sizes, as log odds over all parts of one comparison.

    A probability ends at 1, where one changed letter and a whole other line look alike; log odds go on.
    """
    settings = settings or ChangeSettings()
    clipped = [np.clip(part.logits, -settings.most_odds, settings.most_odds) * part.shown for part in parts]
    return {
        f"odds_{size:.0f}": max(float(_pooled(one, size).max()) for one in clipped) for size in settings.odds_spots_px
    }


def _pooled(values: Floats, size: float) -> Floats:
    return np.asarray(cv2.GaussianBlur(values, (0, 0), size / STEP), np.float32)


def network_input(grey: Grey | Floats) -> tuple[Floats, float]:
    """What the network is given of one (height, width) grey: its detail at equal local contrast, float32 of its shape,
    and the log of its noise over its detail."""
    values = grey.astype(np.float32)
    detail = values - slow(values, WINDOW_PX)
    contrast = np.sqrt(slow(detail * detail, WINDOW_PX))
    typical = float(np.median(contrast[::4, ::4]))
    # Half the typical contrast is added: bare paper must not be blown up to full contrast.
    even = np.clip(detail / (contrast + 0.5 * typical + 0.3), -5, 5)
    noise = float(np.median(np.abs(cv2.filter2D(values, -1, _NOISE)[2:-2:2, 2:-2:2]))) * 1.4826 / 6
    return np.asarray(even, np.float32), float(np.log((noise + 0.05) / (typical + 0.3)))
