"""Every number of the ladder, a frozen class for each of its modules, with where the number comes from.

The shipped coefficients (`core/nets/weights/calibration.json`) were fitted on features that were measured with these
numbers: whoever changes one that a feature depends on fits anew (`scripts/calibrate`). "By hand" means chosen by
looking at rehearsed cards, without a measurement that was kept. Pixels are the face's, about 10 a millimetre.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from matcher.core.ladder.picture_settings import (
    ChangeSettings,
    CopySettings,
    CorrelationSettings,
    CropSettings,
    ForeignColourSettings,
    PoseSettings,
)
from matcher.core.ladder.words_settings import (
    CaptionSettings,
    CaptionZoneSettings,
    InkSettings,
    MarkSettings,
    StripSettings,
)


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
    bare:                  so many of the likeliest of those in doubt are judged again by what is surely picture.
    well_laid:             correlation of two pictures from which they lie upon each other as they should.
    far_better:            by how much more their prints must correlate, laid by themselves, to be taken for it.
    crop_settled:          where no crop is found as surely as this ...
    crops_again:           ... so many of the nearest crops ...
    references_per_crop:   ... are asked by so many references each: one of them may have been trimmed, or outlined
                           badly.
    caption_doubtful:      between these the first reference's say on a caption is not enough ...
    references_per_record: ... and so many are asked in all.
    seen:                  residual contrast of both cards from which their pictures are to be seen, and one negative is
                           registered: of 65 drawn cards of an enrolled sitter (fit, seed 220) all were, whatever was
                           left of them. Own choice, on the careful side.
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
    bare: int = 3
    well_laid: float = 0.8
    far_better: float = 0.1
    crop_settled: float = 0.9
    crops_again: int = 3
    references_per_crop: int = 3
    caption_doubtful: tuple[float, float] = (0.1, 0.9)
    references_per_record: int = 2
    seen: float = 0.3
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
