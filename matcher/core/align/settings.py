"""The numbers of stage `align`, and where each comes from."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class PictureZoneSettings:
    """Where on a face the photograph itself is, whatever the mount; mm of the nominal card."""

    border_mm: float = 2.0
    """Mount border and cut-edge wear, left out at the sides; own choice."""
    head_mm: float = 6.0
    """Left out at the head: some captions stand there, and would be taken for a part of the picture that has moved; own
    choice."""
    caption_mm: float = 8.5
    """The usual printed strip below the picture with its dividing line, left out at the foot; common practice."""
    box_px: int = 8
    """Steps of the box around it: the change detector halves the picture three times."""


@dataclass(frozen=True)
class SiftSettings:
    """The slower features, for where ORB does not convince."""

    features: int = 500
    """At most; own choice."""
    contrast: float = 0.015
    """Least contrast of a feature, low for faint prints; own choice, OpenCV's own is 0.04."""
    edge: float = 12.0
    """Largest ratio of curvatures; own choice, Lowe (2004) has 10."""
    distinct: float = 0.8
    """Ratio of nearest to second nearest distance below which a match is distinct (Lowe 2004)."""
    many_inliers: int = 16
    """A homography fits eight numbers, and chance gives it eight or ten matches: fewer than this prove nothing."""
    agree_px: float = 3.0
    """Face pixels within which a match agrees with a homography; own choice."""


@dataclass(frozen=True)
class RegistrationSettings:
    """The fine registration of one picture on another."""

    steps: int = 10
    """At most so many on the coarse pictures, and again on the fine ones; two to six are usual."""
    settled_px: float = 0.05
    """Movement of a corner that ends the search: the next would be a small part of it; own choice."""
    outlying: float = 2.0
    """Residuals of so many robust deviations have half a say; near 2.385, at which Cauchy weights keep 95 % of least
    squares' efficiency (Holland & Welsch 1977)."""
    skewed: float = 0.05
    """Usual size of what a homography adds to a similarity, as a share of the picture: corners located a mm or two off;
    own estimate."""
    correlated_px: float = 32.0
    """Pixels over which disagreement is correlated: so many make one independent observation; own estimate."""
    fewest: int = 100
    """Spots shown by both, below which nothing is said; own choice."""


@dataclass(frozen=True)
class PrintAreaSettings:
    """`print_area`; by hand.

    blur_mm:         Gaussian sigma that leaves of paper and print no grain.
    rim_mm, band_mm: the worn outer rim, left out, and the band within it by which the mount's tone is known.
    first_levels, levels: by how much a spot may differ from the rim's middle, and then from its even light, to be
                     mount.
    rounds:          of fitting that light.
    least_rim:       share of the band that must have one tone: lettering and damage are the rest.
    least_px:        pixels of the band, below which nothing is said.
    letters_mm:      breadth up to which what lies on the mount is lettering, or a rule.
    least, most:     share of the card that a print may cover.
    solid, filled:   share of its hull, and of the upright rectangle round it, that it must fill: less is left where a
                     backdrop runs into the mount, and of an ellipse 0.785.
    """

    blur_mm: float = 0.15
    rim_mm: float = 0.5
    band_mm: float = 0.9
    first_levels: float = 30.0
    levels: float = 12.0
    rounds: int = 3
    least_rim: float = 0.6
    least_px: int = 400
    letters_mm: float = 1.6
    least: float = 0.2
    most: float = 0.95
    solid: float = 0.93
    filled: float = 0.75


@dataclass(frozen=True)
class AlignSettings:
    """All numbers of the stage."""

    reduction: float = 0.5
    """Scale of the pictures that are registered: finer ones gain nothing, and are four times slower; measured."""
    fine_spots: int = 5000
    coarse_spots: int = 1500
    """Of up to twice so many pixels each step is computed: smoothed neighbours add nothing; measured."""
    upright_degrees: float = 20.0
    """Two upright faces differ by a few degrees at most: matches that turn further are chance; own choice."""
    agree_px: float = 4.0
    """Face pixels within which a match agrees with a similarity; own choice."""
    trials: int = 2000
    confidence: float = 0.999
    """RANSAC's: with two matches a trial a share of 5.9 % inliers is found with this probability (Fischler & Bolles
    1981)."""
    few_inliers: int = 14
    """Below this many ORB inliers a second, slower try with SIFT is worth its time; own choice."""
    doubtful: float = 0.30
    """Correlation below which the start was probably wrong; own choice."""
    dubious: float = 0.60
    """Correlation below which a start that was given is not relied upon: the card it came from may have been misplaced;
    own choice."""
    least_correlation: float = 0.05
    """Below, the two could not be registered; own choice."""
    least_overlap: float = 0.25
    """Share of the query's picture that must fall on the reference's; own choice."""
    smallest_scale: float = 0.4
    largest_scale: float = 2.5
    """Magnification, query to reference, that a crop explains; own choice."""
    noise_area_px: float = 130.0
    """Pixels of the reduced face over which disagreement is correlated (grain, blur and stains are no white noise);
    own estimate."""
    sift: SiftSettings = SiftSettings()
    registration: RegistrationSettings = RegistrationSettings()
    zone: PictureZoneSettings = PictureZoneSettings()
    print_area: PrintAreaSettings = PrintAreaSettings()
