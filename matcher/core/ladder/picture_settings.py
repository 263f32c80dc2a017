"""The numbers of what is compared of the picture: pose, crop, damage, copy; as `settings` says of all."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Band:
    """Which detail is compared, in face pixels.

    fine, coarse: Gaussian sigmas of the band that holds the detail.
    window:       Gaussian sigma of the windows in which it is compared.
    """

    fine: float
    coarse: float
    window: float


@dataclass(frozen=True)
class CorrelationSettings:
    """`local_ncc`.

    noise_percent: per cent of windows flat enough to hold nothing but noise; their energy is the face's noise. By hand.
    """

    noise_percent: float = 6.0


@dataclass(frozen=True)
class ChangeSettings:
    """`change_detector`.

    spots_px:      Gaussian sigmas of spots whose mean difference counts: about an eye, a hand, a head with shoulders.
                   By hand; features are named after them.
    odds_spots_px: the same where log odds are pooled: down to a letter's stroke. By hand.
    most_odds:     log odds beyond which one spot says no more. By hand.
    """

    spots_px: tuple[float, ...] = (6.0, 12.0, 24.0)
    odds_spots_px: tuple[float, ...] = (4.0, 6.0, 12.0, 24.0)
    most_odds: float = 8.0


@dataclass(frozen=True)
class PoseSettings:
    """`pose`.

    fine:             the scale at which agreement is told: near-identical exposures were told apart best at a sigma of
                      1 px (AUROC 0.98 at 50 % residual contrast).
    seam_px:          left out along the edge of what both show: mounts, cut edges and glare end there. By hand.
    least_comparable: share of the picture that must be shown on both and damaged on neither. Own choice: under a tenth
                      holds no sitter.
    steady_inliers:   features that agree on the transform, from which two pictures surely lie upon each other rightly:
                      without the pairs that have fewer, the fit's log odds tell exposures apart at an AUROC of 0.940
                      instead of 0.924.
    untied_correlation, most_untied: two pictures that fewer features tie and that correlate by less than the first are
                      never called one with more than the second, below which nothing is settled: two pictures of
                      coloured noise, which is nothing that the fit has seen, were called one with 0.94. Own choice.
    """

    steady_inliers: int = 20
    untied_correlation: float = 0.4
    most_untied: float = 0.7
    fine: Band = Band(fine=1.0, coarse=5.0, window=7.0)
    seam_px: int = 8
    least_comparable: float = 0.08


@dataclass(frozen=True)
class DamageSettings:
    """`damage`; all by hand.

    surely, maybe: probabilities of a cell: one thing needs some above the first, and grows over those above the second.
    at_least, changed: it also grows where a cell is damaged by so much and surely either damaged or moved.
    joined_cells:  cells apart up to twice so far belong together: letters of a word, a crease that is broken.
    fewest_cells:  sure cells below which nothing is told; a cell is about 0.16 square millimetres.
    shine_px:      as far from what a lamp has burnt out its shine may still look like lost paper: 2 mm.
    glow_levels:   tones of 255 by which it is lighter further on, where it has burnt nothing out.
    """

    surely: float = 0.45
    maybe: float = 0.25
    at_least: float = 0.12
    changed: float = 0.5
    joined_cells: int = 2
    fewest_cells: int = 2
    shine_px: int = 20
    glow_levels: float = 8.0


@dataclass(frozen=True)
class CropSettings:
    """`crop`.

    cut_sigma_mm: scatter of the picture's place between two hand-cut copies of one crop, one axis. By hand; copies
                  rehearsed with cuts of 0.25 mm (one standard deviation) lay 0.27 mm apart in the median.
    zoom_sigma:   scatter of the scale between two such copies: the same scatter over the card's width and height.
    tight_mm:     how far, across and down, words may sit from where the picture's transform puts them, if they were
                  printed with it. By hand.
    loose_mm:     how far two hand-cut copies' words may sit apart on the card. By hand.
    scissors_mm, scissors_zoom: three to four times the scatter above: beyond, hand-cutting does not explain what
                  trimming leaves unexplained, whatever the words do.
    ruled_out:    where the edges alone leave a crop beyond scissors no more than this, words need not be looked for. By
                  hand.
    hopeless:     ... and no more than this, words need not be compared that are there: of 176 such windows on cards of
                  two hands words brought none above 0.002.
    far:          sigmas beyond which a difference is simply far. By hand.
    trimmed_mm:   so much less at one side is called trimmed: over twice the scatter of two hand-cut sides. By hand.
    apart_sigmas: scatters by which a window must differ before words count in what is said of the crop. By hand.
    least_apart:  share up to which they would count below which they are not even looked at. By hand.
    """

    cut_sigma_mm: float = 0.30
    zoom_sigma: float = 0.010
    tight_mm: tuple[float, float] = (0.3, 0.3)
    loose_mm: tuple[float, float] = (1.4, 1.2)
    scissors_mm: float = 1.0
    scissors_zoom: float = 0.03
    ruled_out: float = 0.01
    hopeless: float = 0.001
    far: float = 20.0
    trimmed_mm: float = 0.9
    apart_sigmas: float = 2.0
    least_apart: float = 0.05


@dataclass(frozen=True)
class ForeignColourSettings:
    """`foreign_colour`; all by hand, and on the careful side.

    burnt:        of the brightest channel, from which a colour is not to be told any more.
    deviations, levels: a cell is of another colour if it lies so many robust deviations, and so many levels of 255,
                  from the print's.
    fewest_cells: of picture, a cell being 0.16 square millimetres.
    most:         share of the picture beyond which it has no one colour.
    """

    burnt: float = 245.0
    deviations: float = 6.0
    levels: float = 8.0
    fewest_cells: int = 600
    most: float = 0.3


@dataclass(frozen=True)
class CopySettings:
    """`copy`; all by hand.

    stains:     on the mount: foxing, dirt and cut edges, larger than grain, smaller than uneven light.
    flaws:      on the whole face: scratches, foxing and the paper's texture.
    clouds:     on the whole face: tide marks and patches of fading.
    near_px:    Gaussian sigma over which light and fading are taken to be even.
    marked:     robust deviations from which what is left over at one spot is a mark: a scratch, a spot of foxing, a
                torn corner.
    blurred_px: registered and focused pictures may differ by so much of a pixel; edges are excused accordingly.
    rim_px:     outermost pixels, where the background shows through: left out.
    """

    stains: Band = Band(fine=2.0, coarse=12.0, window=10.0)
    flaws: Band = Band(fine=1.5, coarse=6.0, window=8.0)
    clouds: Band = Band(fine=3.0, coarse=14.0, window=14.0)
    near_px: float = 18.0
    marked: float = 4.0
    blurred_px: float = 0.5
    rim_px: int = 4
