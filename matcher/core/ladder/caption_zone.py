"""Is the head of a card picture, or does a caption stand there? A `Face` in, yes or no out.

A sitter's head often stands where other cards of the series have their words. Words that differ must not be taken for
another exposure, and a head that is turned must not be overlooked: so the head is judged as picture only where
neither a dividing edge nor a line of letters is seen.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from matcher.core.align.view import picture_zone, wide_zone
from matcher.core.flatten import Face
from matcher.core.ladder.settings import LadderSettings
from matcher.core.shared_settings import FaceSize

Floats = NDArray[np.float32]


def shown_picture(face: Face, settings: LadderSettings | None = None) -> NDArray[np.bool_]:
    """(height, width) bool: where the face shows the photograph, with the head where that is picture."""
    return wide_zone(face.size) if is_picture(face, settings) else picture_zone(face.size)


def is_picture(face: Face, settings: LadderSettings | None = None) -> bool:
    """Whether the head shows nothing but the photograph; False where in doubt."""
    settings = settings or LadderSettings()
    return not (_has_edge(face, settings) or _has_letters(face, settings))


def bears_words(face: Face, settings: LadderSettings | None = None) -> bool:
    """Whether a dividing edge or a line of letters is seen at the head or at the foot; True where in doubt."""
    return not (is_picture(face, settings) and is_picture(_foot_first(face), settings))


def bears_letters(face: Face, settings: LadderSettings | None = None) -> bool:
    """Whether a line of letters is seen at the head or at the foot, read or not."""
    settings = settings or LadderSettings()
    return _has_letters(face, settings) or _has_letters(_foot_first(face), settings)


def _foot_first(face: Face) -> Face:
    """With its foot where the head is looked for."""
    return replace(face, grey=np.ascontiguousarray(face.grey[::-1]), trusted=face.trusted[::-1])


def _has_edge(face: Face, settings: LadderSettings) -> bool:
    """Light above, darker below, at one height over nearly the whole width."""
    zone = settings.caption_zone
    first, last = (round(mm * face.size.px_per_mm) for mm in zone.edge_mm)
    smooth = cv2.GaussianBlur(face.grey[: last + 20].astype(np.float32), (0, 0), 1.5)
    steps = (smooth[first + 4 : last + 4] - smooth[first - 4 : last - 4])[:, _between_sides(face.size, settings)]
    blocks = np.stack([block.mean(axis=1) for block in np.array_split(steps, zone.edge_blocks, axis=1)], axis=1)
    noise = 1.48 * float(np.median(np.abs(blocks - np.median(blocks, axis=0)))) + 0.2
    # The edge may be a little slanted: each block's strongest step within a few rows counts.
    darkest = cv2.erode(blocks.astype(np.float32), np.ones((7, 1)))
    weakest = np.sort(-darkest / noise, axis=1)[:, zone.edge_exempt]
    return bool(weakest.max() > zone.edge_deviations)


def _has_letters(face: Face, settings: LadderSettings) -> bool:
    """A row where most of a dozen neighbouring cells hold upright strokes, with a gap below it."""
    zone, px = settings.caption_zone, face.size.px_per_mm
    rim, lowest, head = round(zone.rim_mm * px), round(zone.line_mm * px), _head_rows(face.size, settings)
    lines = _line_energy(face, settings)
    row = int(lines[: lowest - rim].argmax())
    line, gap, picture = lines[row], lines[row : row + round(2.4 * px)].min(), np.median(lines[head:])
    return bool(line > zone.level and line - gap > zone.gap and line - picture > zone.stands_out)


def _line_energy(face: Face, settings: LadderSettings) -> Floats:
    """(rows,) how like a line of letters each row is: logarithm of its filled cells' stroke energy over the noise."""
    zone, px, columns = settings.caption_zone, face.size.px_per_mm, _between_sides(face.size, settings)
    rim = round(zone.rim_mm * px)
    rows = slice(rim, rim + round(zone.below_mm * px))
    grey = face.grey[: rows.stop + 20].astype(np.float32)
    fine, coarse = (cv2.GaussianBlur(grey, (0, 0), sigmaX=across, sigmaY=zone.along_px) for across in zone.stroke_px)
    energy = np.square(fine - coarse)[rows, columns] * face.trusted[rows, columns]
    # The median over the mean of a squared Gaussian is 0.45.
    noise = float(np.median(energy[: _head_rows(face.size, settings)])) / 0.45 + 1e-3
    cell = round(zone.cell_mm * px)
    filled = cv2.boxFilter(np.minimum(energy, zone.most_ink * noise), -1, (cell, cell), borderType=cv2.BORDER_REFLECT)
    cells = sliding_window_view(filled[:, cell // 2 + 1 :: cell] / noise, zone.line_cells, axis=1)
    least = np.sort(cells, axis=2)[:, :, zone.line_cells - zone.line_filled]
    return np.asarray(np.log(least.max(axis=1) + 1e-2), np.float32)


def _head_rows(size: FaceSize, settings: LadderSettings) -> int:
    """Rows under the rim that a caption at the head may take up."""
    return round((settings.strips.head_mm - settings.caption_zone.rim_mm) * size.px_per_mm) - 5


def _between_sides(size: FaceSize, settings: LadderSettings) -> slice:
    side = round(settings.caption_zone.side_mm * size.px_per_mm) + 2
    return slice(side, size.width - side)
