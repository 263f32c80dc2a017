"""The numbers of stage `detect`, and where each comes from.

Lengths in mm are at the card's scale. What a fitted classifier or a trained network was shown (where colours are
sampled, how large a card is cut out) is no setting: it stands beside the weights' use and changes only with them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from matcher.core.shared_settings import FaceSize

COMMON_ASPECT = FaceSize().aspect
"""Of the format that the numbers below were chosen for."""

WIDEST = 1.02
"""Width over height of anything as portrait, with a little room for corners that are a pixel off."""


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


@dataclass(frozen=True)
class FirstLookSettings:
    """When one card is so clear that no longer search is made."""

    measured: int = 20
    """Regions, at most, that are measured; own choice, for time."""
    looked_at: int = 3
    """And moved onto edges; own choice, for time."""
    sure: float = 0.982
    """What the classifier must say: log odds of 4. Of 130 drawn scenes, kept for fitting, 60 had that, all of them
    right."""
    another: float = 0.3
    """First score from which a region beside it may be another card; own choice."""


@dataclass(frozen=True)
class CloserLookSettings:
    """When a small thing that may be a card is looked at again from nearer; own choices, for time."""

    places: int = 3
    """Of the likeliest, at most."""
    least: float = 0.002
    """Score from which something is worth it."""
    most_share: float = 0.4
    """Of the photo's long side that the thing takes; of a larger one hardly more is seen."""
    around: float = 0.1
    larger: float = 2.0
    """It is a part of a card, not one, where something so many times larger around it has this score, and more than
    its own."""
    margin: float = 0.35
    """Room left around it, in shares of its own size: the ground must be seen."""


@dataclass(frozen=True)
class DrawnSettings:
    """When a quad is only a drawn rectangle."""

    stroke_levels: float = 12.0
    """Least step from table to stroke; own choice."""
    same: float = 0.2
    """Share of that step within which inside and table are of one colour; own choice."""
    sides: int = 3
    """Sides, of four, on which that must be so: something may lie beside the fourth."""
    even_factor: float = 1.5
    even_levels: float = 2.0
    """By how much the inside's lightness may vary more than the table's; a photograph's varies far more; own choice."""


@dataclass(frozen=True)
class ChoiceSettings:
    """How scored quads are set against each other."""

    another: float = 0.93
    """Intersection over union below which a second outline on the same card is a guess of its own; own choice."""
    one_place: float = 0.85
    """Intersection over union from which two outlines are of one thing; own choice."""
    same: float = 0.008
    """Share of its height within which all corners of one quad lie near another's: the two say the same; own choice."""
    full: float = 0.98
    """Share of the picture's area from which a quad is the picture itself; own choice."""
    nearly_full: float = 0.8
    ends: int = 6
    """The same share of what lies along three of the picture's sides, and how many of its eight coordinates then lie on
    the picture's border; own choice."""
    rimmed_least: float = 0.6
    rimmed_most: float = 0.88
    """Shares of the picture's area that a card with a rim of the lid around it fills; a print on its mount fills more;
    own choice."""
    rim: float = 0.01
    """Share of the picture's long side that is left on every side of such a card; what reaches the picture's own edge
    is a print without its mount or its words; own choice."""
    lying_least: float = 0.15
    lid: float = 0.035
    """Share of the picture's area, and of its long side left on every side, of a card that lies on a lid or a table: no
    print leaves so much of its mount on all four sides; own choice. Of 30 drawn scans on a plain lid with a rim of 5 to
    9 mm, 7 were taken for the full picture without this rule, and none of 40 with it."""
    blank: float = 3.0
    """Spread of lightness below which something shows nothing, levels; where it has no hue of paper either, it is no
    bare back of a card. Own choice."""
    label: float = 4.0
    """How many times larger, and richer in tones, than a plain label something must be to be the card that it was stuck
    on; own choice."""
    plain_label: float = 8.0
    """Spread of lightness below which something may be such a label, levels: the light alone gives half of that; own
    choice."""
    plain: float = 0.5
    plain_sure: float = 0.9
    """Share of its inside on which nothing is seen (`scoring.plain_share`) from which something is plain, and the score
    that it must have then; own choice: of 600 drawn cards 16 are so plain, all but one of them faded, on a pale ground;
    of real sheets and books none has more than 0.25."""
    hand_cut: float = 0.12
    """Largest difference, as a natural logarithm, from the nominal proportions of a trimmed card; own choice."""
    misshapen: float = 0.12
    """The same from which something that is seen nearly from above is no card; infinite where an owner has said that it
    is one, so that another shape can be told. Own choice."""
    from_above: float = 0.06
    """Departure from a rectangle (`geometry.skew`) up to which something is seen nearly from above; own choice."""
    rival: float = 0.4
    """Score from which another quad is a rival to the full picture; own choice."""
    rimmed: float = 0.85
    """What the classifier must say at least, by itself, of a card with a rim of the lid around it. Of 36 drawn cards
    cut to their edges the prints had 0.85 at most, of 48 scans the cards 0.9 and more."""
    rival_of_size: float = 0.2
    """Score from which a quad of the nominal size is a rival to quads of another; own choice."""
    shape_tolerance: float = 0.035
    """Largest difference, as a natural logarithm, from the nominal proportions, the tilt taken out; own choice."""
    size_tolerance: float = 0.06
    """The same from the nominal size on a scan: trimmed cards; own choice."""
    square: float = 0.05
    """Largest cosine of a corner of a scanned card: a flatbed knows no perspective, and scissors cut within 3
    degrees; own choice."""
    rectangle: float = 0.03
    no_rectangle: float = 0.07
    """Cosines between a card's sides, the tilt taken out: of what a camera may well see, and of what it hardly can; the
    focal length is a guess, hence the gap; own choice."""
    border_px: float = 2.5
    """So near, in reduced pixels, a side is the picture's border; own choice."""
    near: float = 0.2
    """Two quads lie in one place whose middles are no further apart than this share of the height; own choice."""
    as_large: float = 0.8
    """A quad that contradicts another has at least this share of its area: a print is no rival of its mount; own
    choice."""
    fitting_odds: float = 4.0
    """By how much the nominal size, both ways, raises the odds of a quad that is not settled by itself; chance gives
    that size far more seldom; own choice."""
    settled: float = 0.8
    """Score from which a quad is as good as certain; own choice."""
    unlikely: float = 0.3
    """What is left of the score of a quad that a rival contradicts; own choice."""
    nearly: float = 0.2
    """By how much less a second outline may score and still be worth a try; own choice."""
    drawn: DrawnSettings = DrawnSettings()


@dataclass(frozen=True)
class StripSettings:
    """What lies between two lines that run beside each other: the card's mount, or the table?"""

    deepest_shadow: float = 0.4
    """Share of the light that a card's shadow leaves at least; own estimate."""
    ends_with_card: float = 0.3
    """Share of the step from a strip to the table beyond that there must be from the strip to what lies past its ends:
    a mount ends with the card; shadows, lines of print, rules and a sleeve's rim run on; own choice."""
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
class EdgeSettings:
    """When something is a card by its edges alone. Bounds set by hand on the first 35 real photographs of sheets,
    books and covers and 60 of garments: all but one of the former keep within them, of the latter none does."""

    weakest_side: float = 0.7
    other_sides: float = 0.78
    """Strength (`scoring.side_strength`) of the weakest side, and of each of the others."""
    least_step: float = 10.0
    """Step of colour across the faintest side, levels."""
    texture: float = 8.0
    """Spread of lightness inside, levels: a board or a box shows nothing, the plainest sheet 9."""
    apart: float = 0.6
    """How far inside and surroundings differ (`scoring.Evidence.apart`): a check's squares lie in more of the same,
    0.2. Of the real photographs the least has 0.9, of 60 drawn cards 1.4."""
    beyond: float = 0.13
    """Share of what the sides run on beyond the corners: a floor's seams and a page's columns do."""
    least_share: float = 0.06
    most_share: float = 0.97
    """Of the picture's area."""
    slant: float = ChoiceSettings.no_rectangle
    """Largest cosine between the sides, the tilt taken out. How far a photo was cut, and so its focal length, is a
    guess; of a known format the shape says more."""
    shape: float = 0.1
    """Largest difference from the format's proportions, as a natural logarithm."""
    most_sure: float = 0.9
    """Score that is given at most: nothing inside has been looked at."""
    cut: float = 0.03
    """Largest difference, as a natural logarithm, between the proportions of a picture that was cut to its card and a
    format's; own choice."""
    cut_score: float = 0.6
    """Score of such a one: nothing on it has been looked at; own choice."""
    around: float = 1.25
    """How many times larger such a card must be than what was found inside of it: a picture on a cover."""
    holder: float = 5.0
    """The same where what was found has a card's shape: sleeves and holders are up to four times larger than their
    card; own choice, after scenes of holders that were taken for their cards."""


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
