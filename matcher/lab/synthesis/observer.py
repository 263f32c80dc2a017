"""What an eye can tell of two pictures: how far an ideal observer could, with an eye's own limits put in.

An ideal observer knows what may have moved and has the noise of both pictures against it alone: his d' is the root of
the change's energy over the noise's (Rose 1948, "The sensitivity performance of the human eye", J. Opt. Soc. Am. 38;
Burgess et al. 1981, Science 214). An eye has noise of its own, is masked by the detail beside the change in proportion
to it (Legge & Foley 1980, J. Opt. Soc. Am. 70), adds up over a spot alone, cannot tell a small shift from a card that
lies otherwise, and uses only a share of what is there: that share is in the limits.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.lab.synthesis.prints import Field
from matcher.lab.synthesis.visible import noise_of

Grey = NDArray[np.uint8]

BANDS_PX = (2.0, 4.0, 8.0)
"""Gaussian sigmas at which octaves of detail begin, each up to twice its own, at a face's scale (10 px a mm); what is
finer is grain."""

HALF, STEP = 2, 4
"""Pixels of a face that are averaged before anything is looked at, and in whose steps what is found is kept."""

GAIN, SAMPLES = 0.189, 0.111
"""Of an octave that begins at sigma 1: its share of white noise, the root of 0.45 / 4 pi, and how many independent
samples a pixel holds, so that the octaves together count a change's energy once; both by integrating its filter."""

EYE = 1.0 / 255
"""An eye's own noise: about the least step of grey that is seen, half a per cent of contrast."""

MASKED = 0.2
"""Share of the detail at a place that a change of it must be, its Weber fraction (Legge & Foley 1980: 0.1 to 0.3)."""

SPOTS_PX = (8.0, 16.0)
"""Gaussian sigmas of the spots that are looked at: a face's part, a hand or a head of a card's sitter."""

APART, ROUND_PX = 1, 8.0
"""So far, in averaged pixels of 0.2 mm, two pictures may lie apart either way whose corners were found by themselves:
what such a shift of all that is about a place, within a Gaussian sigma, explains has not moved."""

BARELY, LIMIT = 14.0, 25.0
"""d' from which an eye sees more movement than where there is none, and from which it is right three times of four.

Found by looking at 104 pairs of pictures listed to train, 64 of cards and 40 of faces, judged before their truth was
read. Of 45 in which nothing had moved 4 were taken for moved; of two exposures 2 of 16 below 13.5, 17 of 32 from there
to 25, 8 of 11 above."""


@dataclass(frozen=True)
class Twin:
    """One picture, and what it would be if it showed the other exposure: (h, w) uint8, one print, camera and noise."""

    picture: Grey
    otherwise: Grey

    @cached_property
    def told(self) -> list[Field]:
        """Of each octave, (h / STEP, w / STEP): energy of the change a pixel over that of all that hides it here."""
        noise = noise_of(np.asarray(self.picture, np.float32) / np.float32(255))
        own, other = (_halved(grey) for grey in (self.picture, self.otherwise))
        return [_told(_octave(own, sigma / HALF), _octave(other, sigma / HALF), sigma, noise) for sigma in BANDS_PX]


def detectability(query: Twin, reference: Twin) -> float:
    """d' of the change between two pictures that lie upon each other, of the spot at which it is largest.

    What one of the two hardly shows cannot be told from the other: an observer who takes one from the other, brought to
    one tone, has what hides it in both against him.
    """
    pairs = zip(query.told, reference.told, strict=True)
    whole = np.sum([first * second / (first + second + np.float32(1e-9)) for first, second in pairs], axis=0)
    return max(float(np.sqrt(2 * np.pi * spot**2 * _near(whole, spot / STEP).max())) for spot in SPOTS_PX)


def _told(own: Field, other: Field, sigma: float, noise: float) -> Field:
    """Of one octave of a picture and its twin; noise: standard deviation of the picture's own."""
    detail = np.maximum(_reduced(own * own), _reduced(other * other))
    hidden = (GAIN / sigma * noise) ** 2 + (GAIN * EYE) ** 2 + MASKED**2 * detail
    return np.asarray(SAMPLES / sigma**2 * _unexplained(own, other) / hidden, np.float32)


def _unexplained(own: Field, other: Field) -> Field:
    """Energy of the difference that no small shift of all that is about a place explains."""
    ways = [(down, across) for down in range(-APART, APART + 1) for across in range(-APART, APART + 1)]
    return np.asarray(np.min([_reduced((own - np.roll(other, way, (0, 1))) ** 2) for way in ways], axis=0))


def _reduced(energy: Field) -> Field:
    """The mean about each place, in steps."""
    size = (energy.shape[1] * HALF // STEP, energy.shape[0] * HALF // STEP)
    return _near(np.asarray(cv2.resize(energy, size, interpolation=cv2.INTER_AREA), np.float32), ROUND_PX / STEP)


def _octave(values: Field, sigma: float) -> Field:
    return np.asarray(_near(values, sigma) - _near(values, 2 * sigma), np.float32)


def _near(values: Field, sigma: float) -> Field:
    return np.asarray(cv2.GaussianBlur(values, (0, 0), sigma), np.float32)


def _halved(grey: Grey) -> Field:
    values = np.asarray(grey, np.float32) / np.float32(255)
    return np.asarray(cv2.resize(values, None, fx=1 / HALF, fy=1 / HALF, interpolation=cv2.INTER_AREA), np.float32)
