"""A reference registered on the query's face: what every rung of the ladder is given.

Two faces and the `Alignment` between them in; out, each computed once a pair, the reference's grey in the query's frame
and what of the two cards can be compared there.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.align.alignment import Alignment
from matcher.core.align.print_area import print_area
from matcher.core.flatten import Face
from matcher.core.ladder.caption_zone import bears_words, shown_picture
from matcher.core.ladder.foreign_colour import foreign_colour
from matcher.core.ladder.picture_settings import DamageSettings
from matcher.core.ladder.settings import LadderSettings
from matcher.core.ladder.words_settings import StripSettings

Bools = NDArray[np.bool_]
Grey = NDArray[np.uint8]
Matrix = NDArray[np.float64]

TONE_STEP = 4
"""The slow tone is computed on every so many pixels: it holds nothing finer."""

SMOOTH_PX = 2.0
"""Standard deviation of the blur, face pixels, that leaves of a picture the lines by which it is registered; own
choice."""


@dataclass(frozen=True)
class Side:
    """One of the two cards, with what the rungs ask of it alone: the query's is the same beside every reference."""

    face: Face
    settings: LadderSettings = field(default_factory=LadderSettings)

    @cached_property
    def picture(self) -> Bools:
        """(height, width): where the face shows the photograph and may be believed."""
        return np.asarray(self.face.trusted & shown_picture(self.face, self.settings))

    @cached_property
    def mount(self) -> Bools | None:
        """(height, width): the mount that the photograph was pasted on; None where none is seen."""
        area = print_area(self.face)
        return None if area is None else ~area

    @cached_property
    def foreign(self) -> Bools:
        """(height, width): what has not the print's colour, and so lies upon it or shows where it is gone."""
        return foreign_colour(self.face.pixels, self.picture, self.settings.foreign)

    @cached_property
    def bowed(self) -> Matrix | None:
        """(3, 3), face pixels: from where the card has its picture to where its lens shows it; None where no lens is
        known to err."""
        if self.face.bow is None:
            return None
        smooth = cv2.GaussianBlur(self.face.grey, (0, 0), SMOOTH_PX)
        across, down = (cv2.Scharr(smooth, cv2.CV_32F, x, 1 - x) for x in (1, 0))
        return self.face.bow.homography(np.where(self.picture, np.square(across) + np.square(down), np.float32(0)))

    @cached_property
    def worded(self) -> bool:
        """Whether words, or a strip for them, are seen at its foot or head."""
        return bears_words(self.face, self.settings)


@dataclass(frozen=True)
class Registered:
    """A query and a reference laid over it; all maps are (height, width) in the frame of the query's face.

    aside: where either is known to show its mount, or what was printed upon its picture; None where none is known.
    Raises ValueError for an alignment that failed, and for faces of two scales.
    """

    query: Side
    reference: Side
    alignment: Alignment
    aside: Bools | None = None

    def __post_init__(self) -> None:
        if not self.alignment:
            raise ValueError(f"the two faces were not registered: {self.alignment.reason}")
        if not self.query.face.size.same_scale(self.reference.face.size):
            raise ValueError(f"faces must be of one scale, not {self.query.face.size} and {self.reference.face.size}")

    @classmethod
    def of(
        cls, query: Face, reference: Face, alignment: Alignment, settings: LadderSettings | None = None
    ) -> Registered:
        """A pair by itself; where one query meets many references its `Side` is made once and shared."""
        settings = settings or LadderSettings()
        return cls(Side(query, settings), Side(reference, settings), alignment)

    @property
    def settings(self) -> LadderSettings:
        return self.query.settings

    @property
    def two_formats(self) -> bool:
        """Whether the cards are of two formats: then their edges lie elsewhere, whatever was printed on them."""
        return not self.query.face.size.same_card(self.reference.face.size)

    @cached_property
    def straight(self) -> Matrix:
        """(3, 3) the alignment's transform between the cards themselves: without what a lens did to the picture of
        either, which their edges do not show."""
        over = self.alignment.transform
        if self.query.bowed is not None:
            over = over @ self.query.bowed
        if self.reference.bowed is not None:
            over = np.linalg.inv(self.reference.bowed) @ over
        return np.asarray(over / over[2, 2])

    @cached_property
    def warped(self) -> Grey:
        """The reference's grey, uint8; beyond its edge the edge is carried on."""
        return self._warp(self.reference.face.grey, cv2.INTER_LINEAR, cv2.BORDER_REPLICATE)

    @property
    def worded(self) -> bool:
        """Whether both cards bear words, so that these tell where on the card the picture was printed."""
        return self.query.worded and self.reference.worded

    @cached_property
    def covered(self) -> Bools:
        """Where the reference shows something that may be believed."""
        return self._warp_mask(self.reference.face.trusted)

    @cached_property
    def both_picture(self) -> Bools:
        """Where both show the photograph itself, neither mount nor caption."""
        return np.asarray(self.query.picture & self._warp_mask(self.reference.picture))

    @cached_property
    def bare(self) -> Bools:
        """Of `both_picture`, what is known to be nothing else: neither of another colour nor set aside."""
        on_query, on_reference = self.foreign
        bare = self.both_picture & ~on_query & ~on_reference
        return np.asarray(bare if self.aside is None else bare & ~self.aside)

    @cached_property
    def mounts(self) -> Bools | None:
        """Where either shows its mount; None where no mount is seen."""
        own, other = self.query.mount, self.reference.mount
        laid = None if other is None else self._warp_mask(other)
        return own if laid is None else laid if own is None else own | laid

    @cached_property
    def foreign(self) -> tuple[Bools, Bools]:
        """Where the query, and where the reference, has another colour than its print."""
        return self.query.foreign, self._warp_mask(self.reference.foreign)

    @cached_property
    def uncovered(self) -> Bools:
        """Where both cards are seen and nothing, a thumb say, lies over the query's."""
        hidden = _hidden(self.query.face.grey, self.warped, self.settings.strips)
        return np.asarray(self.query.face.trusted & self.covered & ~hidden)

    @cached_property
    def burnt(self) -> tuple[Bools, Bools]:
        """Where the query, and where the reference, is burnt out by a lamp or not shown."""
        return ~self.query.face.trusted, self._warp_mask(~self.reference.face.trusted)

    def _warp_mask(self, mask: Bools) -> Bools:
        return np.asarray(self._warp(mask.astype(np.uint8), cv2.INTER_NEAREST, cv2.BORDER_CONSTANT) > 0)

    def _warp(self, image: Grey, how: int, border: int) -> Grey:
        canvas = (self.query.face.size.width, self.query.face.size.height)
        flags = how | cv2.WARP_INVERSE_MAP
        return np.asarray(cv2.warpPerspective(image, self.alignment.transform, canvas, flags=flags, borderMode=border))


def _hidden(query: Grey, reference: Grey, settings: StripSettings) -> Bools:
    """Where something lies over the query's card: its slow tone cannot be the reference's under any one fading."""
    own, known = (_slow_tone(grey, settings) for grey in (query, reference))
    slope, level = np.polyfit(known[::2, ::2].ravel(), own[::2, ::2].ravel(), 1)
    residual = np.abs(own - (slope * known + level))
    limit = max(settings.hidden_levels, settings.hidden_deviations * 1.48 * float(np.median(residual)))
    side = settings.cover_px // TONE_STEP
    broad = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    found = (residual > limit).astype(np.uint8)
    covered = cv2.morphologyEx(found, cv2.MORPH_OPEN, broad, borderType=cv2.BORDER_REPLICATE)
    margin = cv2.dilate(covered, np.ones((2 * settings.margin_px // TONE_STEP + 1,) * 2, np.uint8))
    return np.asarray(cv2.resize(margin, query.shape[::-1], interpolation=cv2.INTER_NEAREST) > 0)


def laid_over(query: Grey, reference: Grey, settings: StripSettings) -> Bools:
    """(height, width): where paper is gone, or something lies on it, however much of the card that is.

    As `uncovered`, but the fading is fitted to most of the card, so that a whole edge that is torn off or taped over is
    seen as well; and broader, since it only ever says that words cannot be told to be new.
    """
    residual = np.abs(_off_fading(query, reference, settings))
    limit = max(settings.laid_levels, settings.hidden_deviations * 1.48 * float(np.median(residual)))
    side = max(3, settings.laid_px // TONE_STEP)
    shape = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    found = cv2.morphologyEx(
        (residual > limit).astype(np.uint8), cv2.MORPH_OPEN, shape, borderType=cv2.BORDER_REPLICATE
    )
    return np.asarray(cv2.resize(found, query.shape[::-1], interpolation=cv2.INTER_NEAREST) > 0)


NO_SPREAD = 1e-6
"""Of a card all of one tone, squared levels: whatever it fades to, it has no slope."""


def _off_fading(query: Grey, reference: Grey, settings: StripSettings) -> NDArray[np.float32]:
    """(height / 4, width / 4) how much lighter the query's slow tone is than the reference's under one fading, which is
    fitted to most of the card."""
    own, known = (_slow_tone(grey, settings) for grey in (query, reference))
    kept = np.ones(own.shape, bool)
    for _ in range(FITTED):
        spread = known - float(known[kept].mean())
        steepness = float((spread[kept] * own[kept]).sum()) / (float((spread[kept] ** 2).sum()) + NO_SPREAD)
        residual = own - float(own[kept].mean()) - steepness * spread
        kept = np.abs(residual) <= np.percentile(np.abs(residual), 100 * MOST_OF_CARD)
    return np.asarray(residual, np.float32)


def beside_shine(query: Grey, reference: Grey, burnt: tuple[Bools, Bools], settings: StripSettings) -> Bools:
    """(height, width): where one of two registered greys is burnt out, or so near to it that a lamp's shine may lie
    there still. burnt: of either, see `Registered`."""
    limits, shine = DamageSettings(), np.zeros(query.shape, np.bool_)
    for where, lit, unlit in ((burnt[0], query, reference), (burnt[1], reference, query)):
        if where.any():
            away = cv2.distanceTransform((~where).astype(np.uint8), cv2.DIST_L2, 3)
            near = np.asarray(away <= limits.shine_px)
            shine |= near | _glow(lit, unlit, near, settings, limits)
    return shine


def _glow(lit: Grey, unlit: Grey, near: Bools, settings: StripSettings, limits: DamageSettings) -> Bools:
    """(height, width): where a lamp's shine lies on without having burnt anything out: `near` it, and lighter yet."""
    light = _off_fading(lit, unlit, settings) > limits.glow_levels
    seeds = cv2.resize(near.astype(np.uint8), light.shape[::-1], interpolation=cv2.INTER_NEAREST) > 0
    _, parts = cv2.connectedComponents((light | seeds).astype(np.uint8))
    glow = np.isin(parts, np.unique(parts[seeds])) & light
    return np.asarray(cv2.resize(glow.astype(np.uint8), lit.shape[::-1], interpolation=cv2.INTER_NEAREST) > 0)


FITTED, MOST_OF_CARD = 5, 0.6
"""Times that the fading is fitted anew, and the share of the card that it is fitted to; by hand."""


def _slow_tone(grey: Grey, settings: StripSettings) -> NDArray[np.float32]:
    size = (grey.shape[1] // TONE_STEP, grey.shape[0] // TONE_STEP)
    small = cv2.resize(grey.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.GaussianBlur(small, (0, 0), settings.tone_px / TONE_STEP), np.float32)
