"""Stage 6: two `View`s in, an `Alignment` out: where each spot of the query lies on the reference.

A similarity transform from features starts it (ORB first, SIFT where ORB finds too little), `registration` refines it
to a homography at sub-pixel accuracy, coarse to fine. Only the picture takes part: border and caption keep their place
when the crop changes, and would pull the transform towards 'no change'.
A transform is not evidence of the same negative: that is the ladder's question.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from matcher.core.align.registration import Layer, register
from matcher.core.align.settings import AlignSettings, RegistrationSettings
from matcher.core.align.view import Features, View, picture_zone

UPSIDE_DOWN = "one of the two cards is upside down"


@dataclass(frozen=True)
class Alignment:
    """A transform between two faces, or (falsy) the reason why there is none.

    transform:   (3, 3) float64, query face pixels to reference face pixels (homography, last entry 1).
    inliers:     feature matches that agree with it.
    correlation: of the two normalised pictures under it, -1 to 1.
    sigma_px:    standard error of its position in the middle of the picture, face pixels.
    overlap:     share of the query's picture that falls on the reference's picture.
    method:      'orb', 'sift', 'given' or 'none': where the start came from.
    """

    transform: NDArray[np.float64]
    inliers: int
    correlation: float
    sigma_px: float
    overlap: float
    method: str
    reason: str = ""

    def __post_init__(self) -> None:
        if self.transform.shape != (3, 3):
            raise ValueError(f"transform must be (3, 3), not {self.transform.shape}")

    def __bool__(self) -> bool:
        return not self.reason

    @property
    def upside_down(self) -> bool:
        """Whether it failed because one of the two stands on its head."""
        return self.reason == UPSIDE_DOWN

    @classmethod
    def failed(cls, reason: str) -> Alignment:
        """A falsy alignment with its reason, for people."""
        return cls(np.eye(3), 0, 0.0, float("inf"), 0.0, "none", reason)

    @property
    def scale(self) -> float:
        """Linear magnification from query to reference at the face's upper left corner."""
        return _scale(self.transform)


def align(
    query: View, reference: View, *, start: NDArray[np.float64] | None = None, thorough: bool = True
) -> Alignment:
    """Register the query's picture on the reference's; falsy with a reason where nothing holds.

    start: (3, 3) float64, a transform known to be nearly right; it spares the search for features.
    thorough: whether SIFT, several times slower, may be tried where ORB does not convince.
    The query's settings count.
    """
    settings = query.settings
    pictures = _Pictures(query, reference)
    best = pictures.best([] if start is None else [(start, 0, "given")])
    if start is None or best.correlation < settings.dubious:
        best = max(best, pictures.best(_orb_starts(query, reference)), key=lambda fit: fit.correlation)
    if start is None and thorough and (best.inliers < settings.few_inliers or best.correlation < settings.doubtful):
        sift = _sift_starts(query.sift, reference.sift, best.inliers, settings)
        best = max(best, pictures.best([*sift, (np.eye(3), 0, "none")]), key=lambda fit: fit.correlation)
    return _checked(best, pictures, settings)


def _checked(best: _Fit, pictures: _Pictures, settings: AlignSettings) -> Alignment:
    if best.correlation < settings.least_correlation:
        return Alignment.failed("the two pictures could not be aligned")
    if best.transform[0, 0] <= 0:
        return Alignment.failed(UPSIDE_DOWN)
    sides = (pictures.query.face.size, pictures.reference.face.size)
    overlap = _overlap(best.transform, *(picture_zone(size, settings.zone) for size in sides))
    scale_fits = settings.smallest_scale < _scale(best.transform) < settings.largest_scale
    if not scale_fits or overlap < settings.least_overlap:
        return Alignment.failed("they could only be aligned in a way that no crop explains")
    sigma = pictures.sigma(best.correlation)
    return Alignment(best.transform, best.inliers, best.correlation, sigma, overlap, best.method)


def match_features(
    query: Features, reference: Features, settings: AlignSettings = AlignSettings()
) -> tuple[NDArray[np.float64] | None, int]:
    """Similarity transform (2, 3) between two sets of (points, angles, descriptors), and its inliers; None and 0 where
    too few matches agree, or only on a scale that no crop explains."""
    if len(query[2]) < 4 or len(reference[2]) < 4:
        return None, 0
    norm = cv2.NORM_HAMMING if query[2].dtype == np.uint8 else cv2.NORM_L2
    matches = cv2.BFMatcher(norm).knnMatch(query[2], reference[2], k=2)
    pairs = np.array([(m.queryIdx, m.trainIdx) for near in matches for m in near], dtype=np.int64)
    turn = (query[1][pairs[:, 0]] - reference[1][pairs[:, 1]] + 180) % 360 - 180
    pairs = pairs[np.abs(turn) < settings.upright_degrees]
    if len(pairs) < 4:
        return None, 0
    transform, inliers = cv2.estimateAffinePartial2D(
        query[0][pairs[:, 0]],
        reference[0][pairs[:, 1]],
        ransacReprojThreshold=settings.agree_px,
        maxIters=settings.trials,
        confidence=settings.confidence,
    )
    smallest, largest = settings.smallest_scale, settings.largest_scale
    if transform is None or not smallest < float(np.hypot(transform[0, 0], transform[1, 0])) < largest:
        return None, 0
    return np.asarray(transform, np.float64), int(inliers.sum())


Start = tuple[NDArray[np.float64], int, str]


def _orb_starts(query: View, reference: View) -> list[Start]:
    found, inliers = match_features(query.orb, reference.orb, query.settings)
    return [] if found is None else [(_square(found), inliers, "orb")]


def _sift_starts(query: Features, reference: Features, fewest: int, settings: AlignSettings) -> list[Start]:
    """A similarity with more inliers than `fewest`; a homography, for a face whose outline was badly off."""
    similar, found = match_features(query, reference, settings)
    sift = settings.sift
    starts: list[Start] = [(_square(similar), found, "sift")] if similar is not None and found > fewest else []
    if min(len(query[2]), len(reference[2])) < 8:
        return starts
    near = cv2.BFMatcher(cv2.NORM_L2).knnMatch(query[2], reference[2], k=2)
    pairs = np.array([(a.queryIdx, a.trainIdx) for a, b in near if a.distance < sift.distinct * b.distance], np.int64)
    if len(pairs) < sift.many_inliers:
        return starts
    source, target = query[0][pairs[:, 0]], reference[0][pairs[:, 1]]
    skewed, inliers = cv2.findHomography(source, target, cv2.USAC_MAGSAC, sift.agree_px)
    if skewed is not None and int(inliers.sum()) >= max(sift.many_inliers, found):
        starts.append((np.asarray(skewed, np.float64), int(inliers.sum()), "sift"))
    return starts


@dataclass(frozen=True)
class _Fit:
    """A refined transform with what it started from."""

    transform: NDArray[np.float64]
    correlation: float
    inliers: int
    method: str


@dataclass(frozen=True)
class _Pictures:
    """The two sides, reduced."""

    query: View
    reference: View

    def best(self, starts: list[Start]) -> _Fit:
        """The start that correlates best once refined; a hopeless one where there is no start."""
        fits = [_Fit(*self.refine(start), inliers, method) for start, inliers, method in starts]
        return max(fits, key=lambda fit: fit.correlation, default=_Fit(np.eye(3), -1.0, 0, "none"))

    def refine(self, start: NDArray[np.float64]) -> tuple[NDArray[np.float64], float]:
        """(homography in full face pixels, correlation); the start and -1 where the two share too little."""
        scale, settings = self.query.settings.reduction, self.query.settings.registration
        nearer, _ = _at_scale(self.query.coarse, self.reference.coarse, start, scale / 2, settings)
        return _at_scale(self.query.fine, self.reference.fine, nearer, scale, settings)

    def sigma(self, correlation: float) -> float:
        """Cramer-Rao bound of a shift, in full face pixels, for the noise that the correlation implies."""
        variance, slopes = self.query.detail
        if not slopes:
            return float("inf")
        noise = variance * max(1 - correlation**2, 0.0) / max(correlation, 0.05) ** 2
        settings = self.query.settings
        return float(np.sqrt(settings.noise_area_px * noise / slopes) / settings.reduction)


def _at_scale(
    query: Layer, reference: Layer, start: NDArray[np.float64], scale: float, settings: RegistrationSettings
) -> tuple[NDArray[np.float64], float]:
    """Register two layers that are `scale` times the face, in face pixels."""
    # Pixels count from the middle of the first one, which is another spot at another scale.
    down = np.array([[scale, 0, (scale - 1) / 2], [0, scale, (scale - 1) / 2], [0, 0, 1.0]])
    up = np.linalg.inv(down)
    found, correlation = register(query, reference, down @ start @ up, settings)
    full = up @ found @ down
    return full / full[2, 2], correlation


def _square(affine: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.vstack([affine, [0.0, 0.0, 1.0]])


def _scale(transform: NDArray[np.float64]) -> float:
    return float(np.sqrt(abs(np.linalg.det(transform[:2, :2]))))


def _overlap(transform: NDArray[np.float64], own: NDArray[np.bool_], zone: NDArray[np.bool_]) -> float:
    """Share of the query's own zone that falls on the reference's."""
    row, column = np.nonzero(own[::8, ::8])
    spots = np.stack([column, row], axis=1).astype(np.float64)[None] * 8
    landed = np.rint(cv2.perspectiveTransform(spots, transform)[0]).astype(int)
    on_face = ((landed >= 0) & (landed < zone.shape[::-1])).all(axis=1)
    return float(zone[landed[on_face, 1], landed[on_face, 0]].sum() / max(1, len(landed)))
