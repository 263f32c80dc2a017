"""The numbers of stage `detect`, and where each comes from.

Lengths in mm are at the card's scale. What a fitted classifier or a trained network was shown (where colours are
sampled, how large a card is cut out) is no setting: it stands beside the weights' use and changes only with them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from matcher.core.detect.choice_settings import ChoiceSettings, CloserLookSettings, EdgeSettings, FirstLookSettings
from matcher.core.detect.proposal_settings import ProposalSettings, ReductionSettings
from matcher.core.shared_settings import FaceSize

COMMON_ASPECT = FaceSize().aspect
"""Of the format that the numbers below were chosen for."""

WIDEST = 1.02
"""Width over height of anything as portrait, with a little room for corners that are a pixel off."""


@dataclass(frozen=True)
class StripSettings:
    """What lies between two lines that run beside each other: the card's mount, or the table?"""

    deepest_shadow: float = 0.4
    """Share of the light that a card's shadow leaves at least; own estimate."""
    ends_with_card: float = 0.3
    """Share of the step from a strip to the table beyond that there must be from the strip to what lies past its ends:
    a mount ends with the card; shadows, lines of print, rules and a sleeve's rim run on; own choice."""
    most_step: float = 40.0
    """Levels from which a step counts no more for this; own choice."""
    least_step: float = 0.12
    """Share of the step from card to strip that there must be from strip to table for the strip to be a mount; own
    choice."""
    runs_on: float = 0.2
    """Share of the inner line's step within which a strip looks like what lies past the card's ends: it is the table;
    own choice."""


@dataclass(frozen=True)
class Reach:
    """How far, and how finely, a side's line is looked for.

    inward, outward: mm to either side of the proposed one. step: mm between samples across. stations: samples along.
    smooth: mm averaged to either side of an edge.
    """

    inward: float
    outward: float
    step: float
    stations: int
    smooth: float
    back: float = 1.9
    """How far inwards it is looked for the card's edge where the strongest line turns out to lie on the table."""
    black: tuple[float, float, float] = (0, 0, 0)
    """Black in the colours of the pixels that are looked at."""
    outermost: bool = True
    """Whether, of two edges that run beside each other, the outer one may be taken; not where cards touch."""


@dataclass(frozen=True)
class ShadowSettings:
    """Where a card ends beside its own soft shadow (`shadow_rim`); all own choices, on drawn scans and photos."""

    least_px_per_mm: float = 3.0
    """Below, a side is a few pixels wide."""
    across_mm: float = 0.7
    step_mm: float = 0.035
    """How far to either side of a side tones are looked at, and how finely."""
    inward_mm: float = 0.49
    outward_mm: float = 0.21
    """Where the card may end, from the side as it was found."""
    past_corner: float = 0.06
    """Share of a side left out at either end: corners are round and worn."""
    stretches: int = 6
    samples: int = 16
    """Of each side, and of each stretch."""
    most_stretches: int = 4
    off_line_mm: float = 0.1
    """So many of them must say the same, as near to one straight line."""
    explained: float = 0.75
    """Share that a break leaves unexplained of what it is to explain where the side lies."""
    rim_mm: tuple[float, float] = (-0.14, -0.07)
    darkest_mm: tuple[float, float] = (0.035, 0.07)
    near_mm: tuple[float, float] = (0.14, 0.14)
    ground_mm: tuple[float, float] = (0.56, 0.665)
    """From the break outwards: the card's rim; where a shadow is darkest, where it still is one, where it has ended."""
    least_rise: float = 12.0
    """Grey levels from the shadow to the ground."""
    darker: float = 3.0
    """Grey levels by which the shadow is darker than the card's rim: else it looks as an edge out of focus does, which
    a scan on its lid is not."""
    lid_alike: float = 14.0
    """Grey levels within which a lid is of one tone on all four sides of a card, its shadow's end among them; a lamp
    leaves a table less even."""
    white: float = 200.0
    white_alike: float = 20.0
    """Grey level from which a lid is white, as most are, and such levels within which it then is of one tone."""
    at_once: float = 0.4
    """Share of the rise up to which, and a half more, it may come at once: what rises faster is an edge."""
    rough: float = 1.0
    rough_share: float = 0.05
    """Grey levels, or share of the rise, by which a shadow departs from a smooth curve at most: a margin and the edge
    beyond it depart more."""
    even: float = 6.0
    ground_samples: int = 6
    """Scatter of an even ground in grey levels, along a stretch and across its outermost samples."""


@dataclass(frozen=True)
class LensSettings:
    """How much a lens bows the sides of a card (`lens`); all own choices, on drawn photos and scans."""

    least_px_per_mm: float = 4.0
    """Below, a bow is a small part of a pixel."""
    past_corner: float = 0.07
    """Share of a side left out at either end: corners are round and worn."""
    stations: int = 80
    independent: float = 16.0
    """Places along a side where its edge is looked for, and how many of them err by themselves."""
    across_mm: float = 0.45
    step_mm: float = 0.045
    smooth_mm: float = 0.12
    """How far to either side of it, how finely, and over how much colours are averaged inside and outside."""
    least_change: float = 8.0
    """Levels by which colours change across a side that can be seen."""
    least_seen: float = 0.6
    least_sides: int = 3
    """Share of a side's places, and how many sides, that must show an edge."""
    edge_mm: float = 0.006
    """Standard deviation of a cut edge from a straight line, by places that err by themselves: so that of 69 photos of
    a lens whose share is 0.01 half are told within 0.0004, and their own standard errors say as much."""
    usual: float = 0.006
    """Standard deviation of what lenses leave, as a share of the radius at the picture's corner."""
    least: float = 0.001
    most: float = 0.03
    """Shares below which taking it out changes nothing, and beyond which no telephone's lens errs."""
    sure: float = 2.0
    """Standard errors that it must differ from none."""


@dataclass(frozen=True)
class RefinementSettings:
    """Where exactly a card's sides run."""

    wide: Reach = Reach(inward=1.6, outward=2.4, step=0.16, stations=36, smooth=0.22, black=(0, 128, 128))
    """On the reduced picture, from a proposal; own choice."""
    fine: Reach = Reach(inward=0.9, outward=1.3, step=0.06, stations=72, smooth=0.16)
    """On the photo's own pixels, from a quad on the reduced picture's edges; own choice."""
    touching: Reach = Reach(inward=0.8, outward=0.8, step=0.06, stations=72, smooth=0.16, outermost=False)
    """The same where cards touch: beyond the edge lies the next card; own choice."""
    tilts: int = 11
    """Tilts tried for a side, each way and none; own choice."""
    mount_mm: float = 1.6
    """A mount shows this much beside its print, seldom more; a sleeve usually leaves more; own estimate."""
    rival: float = 0.6
    """Share of the strongest line's strength from which a line inside of it is tried; own choice."""
    strips: StripSettings = StripSettings()
    shadow: ShadowSettings = ShadowSettings()


@dataclass(frozen=True)
class FlatbedSettings:
    """Many cards on one even ground."""

    rim_px: int = 3
    """Outermost pixels of the reduced picture that show the lid; own choice."""
    even: float = 0.80
    """Share of the picture's rim that must have the lid's colour; own choice."""
    paper: float = 0.7
    """Share of the inside that must have a hue of paper, in half of the cards or more; own choice."""
    most_rows: int = 6
    """Rows of touching cards; own choice."""
    tolerance: float = 0.07
    """By how much a card may differ from the common size, as a natural logarithm: trimmed cards do; own choice."""
    explained: float = 0.6
    """Share of what stands out that whole cards of one size must account for; own choice."""
    mount_mm: float = 0.95
    """Where cards touch, three edges run side by side: print, cut, print; the middle one is the cards' border. Common
    width of a border, no source."""
    whole: float = 0.93
    """Share of its rectangle that a patch without notches fills; own choice."""
    raised: tuple[int, ...] = (2, 4, 8, 16)
    """Times the distance from the lid at which a patch with notches may fall apart; own choice, after a pale cabinet on
    a black lid whose shine reached the card beside it."""
    least_filled: float = 0.75
    """Share of its cell that each card covers; own choice: torn corners and cuts askew leave 0.9."""


@dataclass(frozen=True)
class LoneSettings:
    """One card alone on one even ground."""

    filled: float = 0.98
    """Share of its rectangle that it fills; own choice."""
    rim: float = 0.02
    """Share of the picture's long side that is left on every side of it; own choice."""
    shape: float = 0.015
    """Largest difference of a whole card from a known format's shape, as a natural logarithm; a sleeve or a shadow all
    around makes more; own choice."""
    side: float = 0.009
    """Share of its height from which a side was cut off it: about half a millimetre; own choice."""
    nearer: float = 0.012
    """By how much nearer to such a shape it is with sides of the piece: a print's edges lie a millimetre within a
    card's, 3 % of its width; own choice."""
    as_exact: float = 0.004
    """By how much less exact its shape may be where two opposite sides are the piece's, which no shadow makes so; own
    choice."""
    a_side: float = 0.002
    """What each side of the piece counts against it: the fewest that do are taken; own choice."""
    within: float = 0.97
    """Share of such an outline that lies within it; own choice."""
    reach: Reach = Reach(inward=0.35, outward=0.35, step=0.06, stations=72, smooth=0.16, outermost=False)
    """By how much its sides are moved onto edges, mm: what stands out from the lid is told to about a pixel of the
    reduced picture; own choice."""


@dataclass(frozen=True)
class MountSettings:
    """A print taken for its card, and the mount around it."""

    nearer: float = 0.025
    """By how much nearer to a known format's shape, as a natural logarithm, the mount is: an even rim of a millimetre
    and a half, 4 % of a card's width, makes 0.035, and what is left of a tilt 0.01; own choice."""
    shape: float = 0.08
    """Largest difference of the mount from that shape: trimmed ones; own choice."""
    within: float = 0.97
    """Share of the print that lies within it; own choice."""
    least: float = 1.04
    most: float = 2.5
    """How many times larger than the print it is; own choice."""


@dataclass(frozen=True)
class DetectSettings:
    """All numbers of the stage."""

    found: float = 0.5
    """Score at which an outline counts as a card; below it the photo is said to hold none; own choice."""
    unsure: float = 0.02
    """Score from which an outline that counts as none may still be shown to be a card's by a match; own choice: each
    costs as much time as a card."""
    most_unsure: int = 2
    """So many of them at most; own choice."""
    on_page: float = 0.95
    """Score given to a card found by the common size of all on its page; own estimate."""
    upright_log_odds: float = 1.5
    """That a card is shown upright rather than upside down, before it is looked at; own estimate, no source."""
    unseen: float = 6.9
    """Log odds, of the outline's score and of having a way up (`CardQuad.has_up`) together, below which something is
    `bare` where the network for cards sees none: prints and words have a way up, checks, tables and boards have not. Of
    1,551 drawn cards of pictures kept for fitting that network saw all but 20, which had 8.4 and more, the median 30;
    of 28 false cards in 1,435 scenes without one it saw 2, and 22 of the others had 5.9 at most."""
    filled_and_seen: float = 0.2
    """How likely a full picture must be one card where a network sees the inside of one all over it. Own choice: of 260
    drawn pictures cut to cards, kept for fitting, all had 0.38 and more; of 200 without a card, cut to a card's shape,
    the network sees an inside in none."""
    camera_least: int = 1000
    """Long side, pixels, that a telephone's picture has, made small for a message too; common practice, no source.
    A card that was trimmed may well have 9 to 16 by chance, and pictures cut to cards are often smaller."""
    camera_tolerance: float = 0.0015
    """How exactly a picture has a telephone's 9 to 16: nobody cuts a card to 9 to 16 exactly; own choice."""
    camera_filled: float = 0.9985
    """How likely such a picture must be a card that fills it: it is most often a camera's picture of something else, a
    page of text or a table. Own choice: of drawn scenes that were looked at five without a card had 0.91 to 0.96,
    0.99 and 0.998, and a card that was cut to these proportions by chance 0.99: what fills such a picture is left to a
    match."""
    most_beyond: float = 0.5
    """A corner that a person has drawn may lie this far outside the photo, in long sides: a card may be cut off."""
    least_side_px: float = 24.0
    """Shortest side of a drawn outline: below it, no picture can be compared; own choice."""
    shape: float = 0.12
    """Largest difference, as a natural logarithm, between the proportions of a card and those of a format that it may
    have: hand-cut, and seen at a slant; own choice."""
    scanned: float = 0.12
    """The same between their sizes, where a scan tells its resolution; own choice."""
    alike: float = 0.05
    """Difference of proportions, as a natural logarithm, up to which formats are looked for together; own choice."""
    edges: EdgeSettings = EdgeSettings()
    odd_edges: EdgeSettings = EdgeSettings(weakest_side=0.85, other_sides=0.9, least_share=0.1, slant=0.025)
    """Of something that has the shape of no known format: the room is full of rectangles, so more is asked."""
    reduction: ReductionSettings = ReductionSettings()
    first_look: FirstLookSettings = FirstLookSettings()
    closer_look: CloserLookSettings = CloserLookSettings()
    proposals: ProposalSettings = ProposalSettings()
    choice: ChoiceSettings = ChoiceSettings()
    refinement: RefinementSettings = RefinementSettings()
    lone: LoneSettings = LoneSettings()
    mount: MountSettings = MountSettings()
    flatbed: FlatbedSettings = FlatbedSettings()

    def for_shapes(self, aspects: Sequence[float]) -> DetectSettings:
        """The same with room for cards of these widths over heights; above 1 captions stand along the long sides."""
        lying = max(aspects) > 1
        aspects = [min(one, 1 / one) for one in aspects]
        least, most = min(1.0, min(aspects) / COMMON_ASPECT), max(1.0, max(aspects) / COMMON_ASPECT)
        lines, regions = self.proposals.lines, self.proposals.regions
        lines = replace(lines, slenderest=least * lines.slenderest, stoutest=min(WIDEST, most * lines.stoutest))
        regions = replace(regions, slenderest=least * regions.slenderest, stoutest=min(WIDEST, most * regions.stoutest))
        return replace(self, proposals=replace(self.proposals, lying=lying, lines=lines, regions=regions))
