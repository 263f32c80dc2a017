"""Every number of the ladder, a frozen class for each of its modules, with where the number comes from.

The shipped coefficients (`core/nets/weights/calibration.json`) were fitted on features that were measured with these
numbers: whoever changes one that a feature depends on fits anew (`scripts/calibrate`). "By hand" means chosen by
looking at rehearsed cards, without a measurement that was kept. Pixels are the face's, about 10 a millimetre.
"""

from __future__ import annotations

from dataclasses import dataclass, field


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
class CaptionZoneSettings:
    """`caption_zone`: is the head of the card picture, or does a caption stand there?

    side_mm, rim_mm: left out: cut edges, the mount's border, wear. By hand.
    edge_mm:         from where to where, from the top, the lower edge of a caption's strip may lie. By hand.
    edge_blocks:     the edge is looked for in so many blocks side by side. By hand.
    edge_exempt:     so many of them may miss it, under a stain or a worn corner. By hand.
    edge_deviations: a step down in tone, in robust deviations of the blocks' own steps, from which it is an edge: of
                     366 rehearsed strips at the head one has a weaker edge, of 366 heads without a strip 4 in a hundred
                     have such a step.
    cell_mm:         about a letter of small type. By hand.
    line_cells, line_filled: a line of letters fills so many (filled) of so many neighbouring cells. By hand.
    line_mm:         a caption's strongest line stands no lower than this under the rim. By hand.
    below_mm:        so far under the rim the picture is looked at, to tell letters from a rough backdrop. By hand.
    most_ink:        energy, in units of the strip's noise, beyond which a stroke counts no more: a dark edge is no line
                     of letters. By hand.
    stroke_px:       Gaussian sigmas of the band, across the card, that holds upright strokes. By hand.
    along_px:        Gaussian sigma of the blur along them. By hand.
    level, gap, stands_out: logarithms of energy: of a line's own, by which it exceeds a gap below it, and by which it
                     exceeds the picture further down. Edges apart, 96 in a hundred of those 366 heads without words
                     pass as picture, and one of 366 with words.
    """

    side_mm: float = 2.2
    rim_mm: float = 1.3
    edge_mm: tuple[float, float] = (2.2, 8.7)
    edge_blocks: int = 16
    edge_exempt: int = 2
    edge_deviations: float = 1.35
    cell_mm: float = 0.9
    line_cells: int = 12
    line_filled: int = 9
    line_mm: float = 4.9
    below_mm: float = 12.2
    most_ink: float = 60.0
    stroke_px: tuple[float, float] = (0.8, 2.2)
    along_px: float = 1.5
    level: float = 0.85
    gap: float = 1.2
    stands_out: float = 0.9


@dataclass(frozen=True)
class StripSettings:
    """`caption_strips`: where captions stand, and how two strips are registered.

    foot_mm, head_mm: height of the strip that holds a caption, at the foot and at the head. By hand.
    side_mm, rim_mm:  left out of the strips: cut edges and wear; a caption that begins at the very edge is not cut.
                      By hand.
    hidden_deviations, hidden_levels: a spot is covered (by a thumb, say) where its slow tone is off by so many robust
                      deviations and by so many grey levels. By hand.
    laid_levels, laid_px: the same for what hides words: by how many grey levels its slow tone is off, and how broad it
                      is at least. By hand.
    cover_px:         what covers is at least as broad as this: a bold letter more, or fewer, also changes the slow
                      tone. By hand.
    margin_px:        left out round what covers: its edge and its shadow. By hand.
    tone_px:          Gaussian sigma of the slow tone. By hand.
    search_mm:        how far, across and down, words may sit from where the picture's transform puts them: other words
                      may be longer. By hand.
    fine_px:          the fine registration may move a corner of the strip by no more than this: more means that it has
                      lost its way. The picture's transform, carried on to the foot of the card, may be off by three or
                      four per cent in scale.
    stroke_px:        Gaussian sigmas of the band that holds pen and type strokes. By hand.
    """

    foot_mm: float = 10.0
    head_mm: float = 8.0
    side_mm: float = 0.9
    rim_mm: float = 0.9
    hidden_deviations: float = 4.0
    hidden_levels: float = 14.0
    laid_levels: float = 45.0
    laid_px: int = 20
    cover_px: int = 36
    margin_px: int = 8
    tone_px: float = 10.0
    search_mm: tuple[float, float] = (1.6, 0.8)
    fine_px: float = 14.0
    stroke_px: tuple[float, float] = (0.8, 4.5)


@dataclass(frozen=True)
class InkSettings:
    """`ink_correlation`.

    seam_px:       masked between the two strips, so that no window looks across. By hand.
    ink_percent:   a caption of two or three lines covers somewhat more than the rest of both strips. By hand.
    paper_percent: so much of what is shown is bare for certain. By hand.
    letter_px:     Gaussian sigma of the window that compares: about one letter of a name. By hand.
    """

    seam_px: int = 4
    ink_percent: float = 94.0
    paper_percent: float = 12.0
    letter_px: float = 5.0


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
    """

    steady_inliers: int = 20
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
    """

    surely: float = 0.45
    maybe: float = 0.25
    at_least: float = 0.12
    changed: float = 0.5
    joined_cells: int = 2
    fewest_cells: int = 2
    shine_px: int = 20


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
class CaptionSettings:
    """`caption`.

    legible:      log of ink's energy over the paper's noise, needed on both cards: below it rehearsals told nothing
                  apart.
    most_covered: share of the strips that may be covered. By hand.
    most_hidden:  share of the reference's words that may be torn off or laid over on the query for other words to be
                  new. By hand.
    usual_odds:   log odds of a difference that the network has nearly everywhere on cards of the same words. By hand.
    """

    legible: float = 2.0
    most_covered: float = 0.3
    usual_odds: float = -3.0
    most_hidden: float = 0.1


@dataclass(frozen=True)
class LetterSettings:
    """`letters`; by hand. The network was trained on lines that were cut out with these numbers.

    around_mm: room round a line.
    search_px: how far, in each direction, its ink may sit from where the picture puts it.
    least_px:  a line that is narrower or lower on the face is not compared.
    """

    around_mm: float = 1.2
    search_px: int = 8
    least_px: int = 16


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


@dataclass(frozen=True)
class HeadToHeadSettings:
    """`head_to_head`.

    most_log_odds: beyond these one spot's say counts no more. By hand.
    challenges:    a candidate less likely than this by itself is no rival. By hand.
    most_rivals:   so many are compared with each other: more than have ever been alike.
    """

    most_log_odds: float = 6.0
    challenges: float = 0.08
    most_rivals: int = 4


@dataclass(frozen=True)
class FusionSettings:
    """`fusion`.

    least_correlation: a reference that correlates less than this share of the pose's best one was registered wrongly.
                       By hand.
    most_probable:     no single reference is surer than this: it would drown the others. By hand.
    surest:            no answer states more than this, or less than the rest: some hundreds of pairs a world cannot
                       bear out more.
    """

    least_correlation: float = 0.8
    most_probable: float = 0.9999
    surest: float = 0.995


@dataclass(frozen=True)
class ExpectationSettings:
    """`expectation`: what is expected of a card before its picture is compared closely.

    prior:            how likely its negative is enrolled; what pairs say is a likelihood ratio, and this is what turns
                      it into a probability. Own choice: most cards that are asked about belong to a series that the
                      catalogue covers.
    near:             share of the other cards that show an exposure nearly like an enrolled one; the rest are other
                      sitters, or other poses altogether. Own choice, on the careful side.
    many_matches:     features that agree on the shortlist, from which two pictures resemble each other.
    many_in_window, many_elsewhere: how often so many agree with a reference of the card's own negative, or of one
                      nearly like it, in the same window and in another: of 400 and 200 drawn cards (seed 54) 91 and
                      82 %.
    many_of_none:     how often with one of another sitter: of 80 such cards that bore the same words 33 %, with any
                      other of 40 references 10 %; the code that counted all four was not kept.
    window_of_one:    share of the cards of an enrolled negative that show it in an enrolled window. Own choice.
    window_of_another: share of the cards of another negative that show it in the very window, within a hand's cut, in
                      which the enrolled card shows its own. Each negative was brought to the card's size by itself, but
                      of one sitting often in the same way. Own choice, on the careful side.
    """

    prior: float = 0.6
    near: float = 0.5
    many_matches: int = 40
    many_in_window: float = 0.9
    many_elsewhere: float = 0.8
    many_of_none: float = 0.2
    window_of_one: float = 0.75
    window_of_another: float = 0.4


@dataclass(frozen=True)
class VerificationSettings:
    """`verification`: how many references are registered, and when others are asked as well. All by hand.

    poses:                 different poses of the shortlist that are registered: the right one is hardly ever further
                           down.
    thorough:              poses on which the slower second search for a transform is spent; the right one is nearly
                           always among them.
    certain, far_fewer:    a pose at `certain` spares those with less than this share of the shortlist's most inliers.
    many, hardly_any:      beside a pose of so many inliers those with less than this share of them are spared, whatever
                           that pose turns out to be: of 409 cards by two hands none whose own pose was on the shortlist
                           had it below 0.35 of the most.
    nearly_best:           share of a pose's most inliers that another reference of it needs to be taken instead, being
                           more legible.
    pose_doubtful:         between these the first reference leaves its pose in doubt, and others are asked ...
    references_per_pose:   ... so many in all.
    crop_settled:          where no crop is found as surely as this ...
    crops_again:           ... so many of the nearest crops ...
    references_per_crop:   ... are asked by so many references each: one of them may have been trimmed, or outlined
                           badly.
    caption_doubtful:      between these the first reference's say on a caption is not enough ...
    references_per_record: ... and so many are asked in all.
    captions:              records of one pose and crop: beyond any that a series is known to have, so that a new
                           caption is new against all.
    """

    poses: int = 4
    thorough: int = 2
    certain: float = 0.97
    far_fewer: float = 0.35
    many: int = 40
    hardly_any: float = 0.2
    nearly_best: float = 0.5
    pose_doubtful: tuple[float, float] = (0.03, 0.9)
    references_per_pose: int = 4
    crop_settled: float = 0.9
    crops_again: int = 3
    references_per_crop: int = 3
    caption_doubtful: tuple[float, float] = (0.1, 0.9)
    references_per_record: int = 2
    captions: int = 40


@dataclass(frozen=True)
class DecisionSettings:
    """`decision`.

    caption_open: between these the comparison of inks leaves a caption open, and the words are read as well. By hand.
    words_of:     so many records, those whose ink is likest, are read line by line. By hand.
    least_matches: features that must have agreed on the shortlist for a face that could not be registered to be open;
                  with fewer it resembles nothing. As `ExpectationSettings.many_matches`.
    """

    caption_open: tuple[float, float] = (0.03, 0.97)
    words_of: int = 4
    least_matches: int = 40


@dataclass(frozen=True)
class MarkSettings:
    """`mark`; by hand.

    letters_mm:  room round a line where its letters are compared by themselves.
    glance:      probability, or its opposite, from which the ink alone says enough for the query not to be read.
    around_mm:   room in which its frame stands.
    edge_mm:     a mark that stands nearer to the card's edge may be cut: that its ink is another says nothing. Of 24
                 photos that were used to fit, of cards of one mark, none was taken for another at 0.6.
    form_gap:    by how much letters must agree better than letters and frame together for the frame to be another: of
                 88 photos that were used to fit, of cards of one mark, none was above 0.26.
    other_form:  probability of one mark that is left then. By hand.
    laid_px:     breadth, face pixels, from which something lies on the card: a ribbon is narrower.
    same_place:  share of the smaller of two boxes that must lie in the other for their lines to stand in one place.
    search_px:   how far, in each direction, the ink may sit from where the picture puts it.
    least_shown: share of a mark that both cards must show.
    beneath_mm:  room round a mark that is gone where the card must have the tone that it has on the reference.
    ring_mm:     room beyond the frame in which the picture must go on.
    round_px:    how far, in each direction, it may sit from where it is laid.
    surely_shown, barely_shown: correlation of the two pictures there from which it goes on whatever the tone, and below
                 which it does not. Of 40 cards used to fit, round marks that were gone it was 0.6 and more on all but
                 two; round such as labels lay over, mostly below.
    plain:       deviation, grey levels, below which there is too little picture to ask.
    least_px:    a box that is narrower or lower, cut off by the card's edge, is not compared.
    none_read, one_read: probability that a card has no mark, as its record says, where none is read on it that the
                 known card has not, and where one is. Of 36 photos that had one added 32 were told, of 64 others none,
                 on designs and pictures listed to fit.
    """

    letters_mm: float = 0.0
    glance: float = 0.97
    around_mm: float = 0.7
    edge_mm: float = 0.6
    form_gap: float = 0.32
    other_form: float = 0.1
    laid_px: int = 44
    same_place: float = 0.4
    search_px: int = 6
    least_shown: float = 0.9
    beneath_mm: float = 2.0
    ring_mm: float = 0.8
    round_px: int = 4
    surely_shown: float = 0.8
    barely_shown: float = 0.6
    plain: float = 4.0
    least_px: int = 10
    none_read: float = 0.9
    one_read: float = 0.04


@dataclass(frozen=True)
class LadderSettings:
    """The numbers of all rungs, and of what stands between them."""

    correlation: CorrelationSettings = field(default_factory=CorrelationSettings)
    change: ChangeSettings = field(default_factory=ChangeSettings)
    caption_zone: CaptionZoneSettings = field(default_factory=CaptionZoneSettings)
    strips: StripSettings = field(default_factory=StripSettings)
    ink: InkSettings = field(default_factory=InkSettings)
    foreign: ForeignColourSettings = field(default_factory=ForeignColourSettings)
    pose: PoseSettings = field(default_factory=PoseSettings)
    crop: CropSettings = field(default_factory=CropSettings)
    caption: CaptionSettings = field(default_factory=CaptionSettings)
    copy: CopySettings = field(default_factory=CopySettings)
    head_to_head: HeadToHeadSettings = field(default_factory=HeadToHeadSettings)
    fusion: FusionSettings = field(default_factory=FusionSettings)
    expectation: ExpectationSettings = field(default_factory=ExpectationSettings)
    verification: VerificationSettings = field(default_factory=VerificationSettings)
    decision: DecisionSettings = field(default_factory=DecisionSettings)
    mark: MarkSettings = field(default_factory=MarkSettings)
