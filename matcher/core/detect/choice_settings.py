"""The numbers by which stage `detect` chooses among quads, and where each comes from."""

from __future__ import annotations

from dataclasses import dataclass


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
    nearly_odds: float = 3.0
    """The same in log odds, where a network has seen the card; own choice."""
    drawn: DrawnSettings = DrawnSettings()


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
class FirstLookSettings:
    """When one card is so clear that no longer search is made."""

    measured: int = 20
    """Outlines, at most, that are measured; own choice, for time."""
    looked_at: int = 3
    """And moved onto edges; own choice, for time."""
    sure: float = 0.982
    """What the classifier must say: log odds of 4. Of 130 drawn scenes, kept for fitting, 60 had that, all of them
    right."""
    another: float = 0.3
    """First score from which an outline beside it may be another card; own choice."""


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
