"""The numbers by which stage `detect` reduces a photo and proposes quads, and where each comes from."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class ReductionSettings:
    """The reduced picture on which cards are looked for."""

    long_side: int = 800
    """Pixels; a card that fills 15 % of the frame is still 120 pixels high, its 1 mm border 2 pixels; own choice."""
    noise_floor: float = 0.7
    """Levels a pixel of gradient that sensor noise and JPEG leave in the reduced picture; own estimate."""
    chroma_weight: float = 1.6
    """Weight of a and b beside L in the gradient: their range is smaller; own choice."""
    windows_along: int = 25
    """The local mean gradient is taken over the long side divided by this; own choice."""
    thin_low: int = 160
    thin_high: int = 300
    """Canny's two thresholds, in 200ths of the local mean gradient; own choice."""
    softened_by: int = 9
    """Median window, pixels, of the softened picture: print, grain, weave and drawn lines are thinner; own choice."""


@dataclass(frozen=True)
class LineSettings:
    """Quads proposed from straight lines."""

    angles: int = 360
    """Steps of direction over the half circle, half a degree each; own choice."""
    stride: int = 2
    """Pixels between samples along a line; own choice."""
    most_edges: int = 30_000
    """Edge pixels that vote, evenly chosen, so that grain does not cost time; own choice."""
    most_lines: int = 130
    """Lines kept of the vote; own choice."""
    sectors: int = 12
    most_per_sector: int = 34
    """Of each range of 15 degrees only so many lines: grain and rows of print all run one way, a card's sides do not;
    own choice."""
    most_segments: int = 150
    """Supported stretches kept of the lines; own choice."""
    pairs_by_length: tuple[tuple[float, float, int], ...] = (
        (0.0, 0.16, 110), (0.16, 0.3, 130), (0.3, 0.5, 110), (0.5, 9.0, 90),
    )  # fmt: skip
    """Ranges of length, as a share of the long side, and how many parallel pairs of each are tried; own choice."""
    shortest_side: float = 0.055
    """Shortest side of a card, as a share of the picture's long side; own choice."""
    alike: float = 0.012
    """Share of its size within which all corners of a quad lie near a better one's, and it adds nothing; own choice."""
    slenderest: float = 0.42
    stoutest: float = 0.82
    """Widths over heights, as seen in perspective, between which something may be a card of the common format; own
    choice. `DetectSettings.for_shapes` takes the same room around other formats."""
    quads: int = 60
    """Quads kept of the picture; own choice."""
    softened_quads: int = 40
    """And of the softened picture, where that is looked at; own choice."""


@dataclass(frozen=True)
class GroundSettings:
    """How unlike the ground a place is; own choices, after cards on small print and checked cloth that no line and no
    region of one colour had proposed."""

    window_px: int = 7
    """Of the picture at half the size: wider than small print and a weave are, narrower than a card's strip of words
    is."""
    floors: tuple[float, float, float, float] = (2.5, 0.8, 0.8, 0.12)
    """Differences of L, a, b and of log roughness that hardly tell one thing from another."""
    surface_floor: float = 0.5
    """Share of those within which all of the border counts alike where a surface is laid through it."""
    least_spread: float = 2.0
    """Levels of lightness within a window that grain alone leaves."""
    rims_across: int = 16
    """The border's usual spread is that of a rim of the shorter side divided by this."""
    most: float = 20.0
    """What is further away counts as this."""


@dataclass(frozen=True)
class RegionSettings:
    """Quads proposed from regions that stand out."""

    thresholds: tuple[int, ...] = (5, 10, 20, 40)
    """Colour distances to the picture's border above which something stands out, levels; own choice."""
    shortest_side: float = LineSettings.shortest_side
    """Shortest side of a card, as a share of the picture's long side; own choice."""
    slenderest: float = 0.4
    stoutest: float = 0.85
    """As `LineSettings` has them; a region's corners are rougher. Own choice."""
    filled: float = 0.6
    """Share of its hull that a region must fill; own choice."""
    tolerances: tuple[float, ...] = (0.01, 0.02, 0.03, 0.045, 0.06)
    """Shares of a hull's length by which its outline may be simplified to four corners; own choice."""
    alike_px: float = 1.5
    """Reduced pixels within which two quads are one; own choice."""
    most_touching: int = 5
    """Cards in a row or column that a region may be divided into; own choice."""
    windows_along: int = 50
    """Edges are counted in windows of the long side divided by this: a card is many of them high; own choice."""
    ground: GroundSettings = GroundSettings()
    unlike: tuple[float, ...] = (4.0, 6.0)
    """Spreads of the ground from which a window stands out from it; own choice."""
    dense: float = 0.2
    """Share of its pixels that are thin edges from which a ground is all lines; small print has 0.25 and more; own
    choice."""
    quads: int = 200
    """Quads kept; own choice."""


@dataclass(frozen=True)
class ProposalSettings:
    """Which proposals are measured and moved onto edges."""

    plain: float = 0.95
    """First score above which the second, coarser search for lines is not needed; own choice."""
    worth_a_look: float = 0.03
    """First score below which a proposal is not even moved onto the edges near it; own choice."""
    measured: int = 70
    """Proposals, at most, that are measured; own choice, for time."""
    edge_weights: tuple[float, float, float, float] = (0.5, 0.7, 0.9, 0.9)
    """Of a proposal's four sides, weakest first: one or two may be faint; own choice."""
    looked_at: int = 12
    """Proposals, at most, that are moved onto edges; own choice, for time."""
    learnt: int = 6
    """Proposals of the network, at most, that are moved onto edges beside those; own choice, for time."""
    good_region: float = 0.8
    """First score from which the largest thing that stands out from its surroundings is moved onto edges, whatever else
    is seen; own choice."""
    blank_levels: float = 3.0
    """Spread of lightness below which a picture shows nothing; own choice."""
    frame_tolerance: float = 0.16
    """Largest difference, as a natural logarithm, between a picture's proportions and those of a card that fills it;
    own choice: hand-cut cards and pictures cut a little inside."""
    alike: float = 0.025
    """Share of its size within which all corners of one proposal lie near another's, and one is enough; own choice."""
    lying: bool = False
    """Whether captions are looked for along the long sides as well: `DetectSettings.for_shapes` says."""
    lines: LineSettings = LineSettings()
    regions: RegionSettings = RegionSettings()
