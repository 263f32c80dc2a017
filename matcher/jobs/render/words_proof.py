"""The proof of what is said about words and mark: both cards' lines one above the other, at one scale.

A candidate with the two faces in; a picture out, each of `looking`'s lines with the letters that differ in boxes.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from matcher.core.flatten import Face
from matcher.core.ladder.candidate import Candidate
from matcher.core.shared_settings import Thresholds
from matcher.jobs.render.looking import Line, mark_lines, words_line
from matcher.jobs.typeface import typeface

Pixels = NDArray[np.uint8]

PAPER, QUIET_INK, BOX = (250, 248, 243), (116, 108, 98), (206, 70, 40)
ENLARGED = 2
"""Times a face's scale at which strips are shown: 20 px a mm."""

MARGIN, LABEL = 10, 20


def proof_lines(found: Candidate, face: Face, reference: Face) -> tuple[Line, ...]:
    """The lines that were compared, or foot and head, and the mark. On another crop no letters
    are pointed out: what words say there is not told."""
    told = found.confidence.caption or 0.0
    differ = told < Thresholds().caption and found.crop_probability >= 0.5
    words = words_line(found, face, reference, differ)
    return (*words, *mark_lines(found, face, reference))


def words_proof(found: Candidate, face: Face, reference: Face) -> Pixels | None:
    """(height, width, 3) RGB; None where no words were compared, and on another crop of the negative: words stand
    elsewhere in the picture there, and legs would be boxed as letters."""
    lines = proof_lines(found, face, reference)
    if not lines or found.crop_probability < 0.5:
        return None
    strips = [_boxed(line) for line in lines]
    width = max(max(strip.shape[1] for strip in strips), 420) + 2 * MARGIN
    height = LABEL + sum(strip.shape[0] + MARGIN for strip in strips)
    page = Image.new("RGB", (width, height), PAPER)
    label = f"the words: this card above, {found.record.record_id} below; what differs is boxed"
    ImageDraw.Draw(page).text((MARGIN, 0), label, QUIET_INK, font=typeface(13))
    _paste(page, strips)
    return np.asarray(page, np.uint8)


def _paste(page: Image.Image, strips: Sequence[Pixels]) -> None:
    top = LABEL + 4
    for strip in strips:
        page.paste(Image.fromarray(strip), (MARGIN, top))
        top += strip.shape[0] + MARGIN


def _boxed(line: Line) -> Pixels:
    """Enlarged, the letters that differ boxed on both rows."""
    grey = cv2.resize(line.pixels, None, fx=ENLARGED, fy=ENLARGED, interpolation=cv2.INTER_CUBIC)
    strip = np.repeat(np.asarray(grey, np.uint8)[..., None], 3, axis=2)
    for left, top, width, height in line.letters:
        for row in (top, top + line.step):
            corners = (
                ((left - 1) * ENLARGED, (row - 1) * ENLARGED),
                (
                    (left + width + 1) * ENLARGED,
                    (row + height + 1) * ENLARGED,
                ),
            )
            cv2.rectangle(strip, *corners, BOX, 2, cv2.LINE_AA)
    return np.asarray(strip, np.uint8)
