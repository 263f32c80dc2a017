"""Every number of reading, a frozen class for each of its modules, with where the number comes from.

The shipped coefficients (`core/nets/weights/reading.json`) were fitted on features that were measured with these
numbers: whoever changes one fits anew (`scripts/fit_reading`). "By hand" means chosen by looking at rehearsed cards,
without a measurement that was kept.
"""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True)
class ReaderSettings:
    """`reader`.

    on:          whether cards are read at all; else their ink alone is compared.
    search_side: longer side, in pixels, of the picture in which lines are searched. At 640 more bits of backdrop were
                 taken for lines, and known words were told from others less surely; at 320 lines are missed.
    core, grown: chance from which a pixel lies in the core of a line, and by how much of its area over its outline a
                 core grows into the line's box. So boxes are as high, in the middle of 158 lines, as those that the
                 library's own finder makes with 0.3 and 1.6 of its map, and lines are read as they were.
    squeezed:    share of their width at which captions are read: a sixth sooner than at the whole of it, and two
                 letters of a kind may be taken for one. `every_line` and `line_pairs` look closer.
    narrowest:   width over height to which a shorter line is padded. By hand.
    """

    on: bool = True
    search_side: int = 448
    core: float = 0.5
    grown: float = 1.3
    squeezed: float = 0.75
    narrowest: float = 1.0


@dataclass(frozen=True)
class ReadingSettings:
    """`reading`; all by hand but for the first.

    px_per_mm:       scale at which strips are read: small type of 1 mm is then 24 px high, enough for the reader's 48
                     px lines.
    rim_mm:          of the worn outer rim less is left out than where inks are compared: a letter cut in half is not
                     read.
    tone_mm:         stains and lighting are wider than this (Gaussian sigma), letters are narrower.
    enough_lines, firm: with so many lines read so surely at the foot, the words do not stand at the head, where no
                     caption is seen: it need not be searched.
    least_certainty: what the reader itself doubts more is no word.
    least_letters:   a line of fewer letters and digits is a stain or a bit of backdrop more often than a word.
    """

    px_per_mm: float = 24.0
    rim_mm: float = 0.4
    tone_mm: float = 3.0
    enough_lines: int = 2
    firm: float = 0.8
    least_certainty: float = 0.5
    least_letters: int = 3


@dataclass(frozen=True)
class EveryLineSettings:
    """`every_line`: small type anywhere along the edges of a card, an issuer's mark above all.

    px_per_mm, search_side: scale at which it is read, and the longer side of what is searched. Of 51 marks on photos of
                     50 % contrast and more, 40 were found at 16 and 640, 31 at 24 and 448, which leave out the sides.
    foot_mm, head_mm, side_mm: how far in from each edge lines are looked for. By hand.
    close_foot_mm, close_head_mm: the same of a reference's foot and head: a name in large type upon the picture begins
                     12 mm above the foot. By hand.
    close_side_mm, close_search_side: the same of a reference's sides, on which it pays to search once and closely: of
                     15 names along a side 14 were found so, 11 as on a photo.
    squeezed:        share of its width at which a line is read. Of 212 lines of type 85 % were read exactly at 1.2,
                     80 % at 0.75; of 56 by hand 68 and 46 %.
    rim_mm:          left out of the worn outer rim. By hand.
    joined_mm:       gap between two pieces of a line along a side, below which they are one. By hand.
    tone_mm, least_certainty, least_letters: as of `ReadingSettings`; by hand.
    framed_mm:       height up to which a line, with its frame, is looked at for its form: marks are set small. By hand.
    """

    px_per_mm: float = 16.0
    search_side: int = 640
    close_side_mm: float = 7.0
    close_search_side: int = 1008
    squeezed: float = 1.2
    joined_mm: float = 1.5
    foot_mm: float = 10.0
    head_mm: float = 8.0
    close_foot_mm: float = 13.5
    close_head_mm: float = 10.0
    side_mm: float = 5.0
    rim_mm: float = 0.4
    tone_mm: float = 3.0
    least_certainty: float = 0.5
    least_letters: int = 4
    framed_mm: float = 3.6


@dataclass(frozen=True)
class LinePairSettings:
    """`line_pairs`; by hand.

    px_per_mm:       scale at which lines are cut out of both cards: small type of 1 mm is then 20 px high.
    wider_mm:        room along and across a line, so that a longer word and a line that sits otherwise still show.
    room_mm:         further room, in which its tone is judged alone.
    tone_mm:         as of `ReadingSettings`.
    squeezed:        as of `EveryLineSettings`: of changed letters 81 % were told at 1.2, 72 % at 0.75; no more at 1.5.
    alike:           per cent of letters in common from which a line is one of the record's.
    least_letters, least_certainty: of a line that is none of the record's by its words, to be taken for one by its
                     place.
    near_mm:         a club stands no farther below or above the name.
    same_place_mm:   how far the corners of two lines' boxes may be apart for one look to serve both: less than the room
                     along them.
    """

    px_per_mm: float = 20.0
    wider_mm: tuple[float, float] = (0.5, 0.25)
    room_mm: float = 2.0
    tone_mm: float = 3.0
    squeezed: float = 1.2
    alike: float = 55.0
    least_letters: int = 3
    least_certainty: float = 0.35
    near_mm: float = 4.0
    same_place_mm: float = 0.4


@dataclass(frozen=True)
class ClubBelowSettings:
    """`line_pairs`: where a club is looked for that no search found on a known card; by hand.

    below: how far below its name it begins and ends, in heights of the name.
    aside: how much farther than the name it may reach on either side, in lengths of the name.
    """

    below: tuple[float, float] = (-0.1, 0.7)
    aside: float = 0.3


@dataclass(frozen=True)
class RowSettings:
    """`rows`: head and foot of a known card, read where no search found its words; by hand.

    heights_mm:      of the rows: of small and of large type.
    step:            share of its height by which one row stands below another.
    least_letters, least_certainty: of what is read in one.
    apart:           share of the smaller of two lines that may lie in the other.
    read:            per cent of letters in common from which a row bears a record's words legibly.
    """

    heights_mm: tuple[float, ...] = (2.1, 2.9)
    step: float = 0.3
    least_letters: int = 4
    least_certainty: float = 0.5
    apart: float = 0.3
    read: float = 85.0


@dataclass(frozen=True)
class MarkMatchSettings:
    """`mark_match`; by hand.

    same_words: per cent of letters in common from which a line that was read is the record's mark.
    left_over:  the same of a reference's line in small type that is none of the record's others.
    small_mm:   height up to which type is small, its frame counted in.
    caption:    per cent from which it is one of the record's other lines.
    """

    same_words: float = 60.0
    left_over: float = 33.0
    small_mm: float = 2.6
    caption: float = 70.0


@dataclass(frozen=True)
class PrintedOverSettings:
    """`printed_over`; by hand.

    same_words:    per cent of letters in common from which two lines say the same.
    same_place_mm: by how much the sides of their boxes may lie apart for both to be the picture's own.
    ends, edges:   how far a frame may reach beyond a line's ends and its edges, in heights of the line.
    """

    same_words: float = 60.0
    same_place_mm: float = 1.5
    ends: float = 1.2
    edges: float = 0.7


@dataclass(frozen=True)
class AddedMarkSettings:
    """`added_mark`; by hand.

    most_mm, most_told_mm: height up to which a line is set as small as marks are; and where it stands in a frame, or is
                   surely read.
    surely:        certainty from which it is, as handwriting seldom is.
    least_letters: of a mark; a number alone is an owner's note.
    firm, firm_framed: certainty from which a line was surely read, standing free and in a frame.
    same_place:    share of the smaller of two boxes that must lie in the other for their lines to stand in one place.
    same_words:    share of letters in common from which they are one line.
    """

    most_mm: float = 2.6
    most_told_mm: float = 3.4
    surely: float = 0.97
    least_letters: int = 5
    firm: float = 0.8
    firm_framed: float = 0.5
    same_place: float = 0.4
    same_words: float = 0.45


@dataclass(frozen=True)
class WayUpSettings:
    """`way_up`. Of 269 drawn cards on which the network was looked at, all 7 that stood on their heads had log odds
    below 4; wherever words were read, three times as many letters were read the right way up, or more.

    settled: probability of a way up, by what is seen on the card at large, from which words are not asked: none higher
             is told. What the network has not been shown it may be too sure of.
    letter, most: log odds of one letter that was surely read, and of all of them together. By hand.
    chance:  certainty at which what was read says nothing. By hand.
    worded:  letters surely read, the likelier way up, from which something that is `bare` is a card. Of 22 false ones
             in 1,435 drawn scenes 21 had none and a newspaper 219; of 17 real pages and cards of the half of the real
             photographs that limits are set on 14 had 5 and more, 3 had 1.5 at most.
    """

    settled: float = 0.999
    letter: float = 0.5
    most: float = 8.0
    chance: float = 0.5
    worded: float = 2.0


@dataclass(frozen=True)
class LineMatchSettings:
    """`line_match`; by hand.

    left_out, stray: edits that a known line counts which was not read, and a line that was read and is none; two unlike
                     lines are so never more than both together apart.
    """

    left_out: float = 3.0
    stray: float = 2.0


@dataclass(frozen=True)
class CaptionMatchSettings:
    """`caption_match`; all by hand.

    most_lines:   lines read beyond these, the least like any known one, are not tried: the ways to match double with
                  each.
    firm:         certainty from which a line that was read counts as a spelling of a known one.
    recognised:   per cent of letters in common from which it is one.
    usual_errors: share of wrong letters that stands for an issuer's line that was not read.
    most_errors:  share beyond which more wrong letters in the issuer's line say no more.
    most_misfit:  nats beyond which a line simply does not fit: four or five letters seen otherwise beyond doubt.
    clear_misfit: nats from which at least one letter was seen otherwise without much doubt.
    """

    most_lines: int = 5
    firm: float = 0.8
    recognised: float = 70.0
    usual_errors: float = 0.08
    most_errors: float = 0.3
    most_misfit: float = 40.0
    clear_misfit: float = 6.0


@dataclass(frozen=True)
class OcrSettings:
    """The numbers of reading, from the search for lines to what they say of known captions."""

    reader: ReaderSettings = field(default_factory=ReaderSettings)
    reading: ReadingSettings = field(default_factory=ReadingSettings)
    lines: LineMatchSettings = field(default_factory=LineMatchSettings)
    match: CaptionMatchSettings = field(default_factory=CaptionMatchSettings)
    every_line: EveryLineSettings = field(default_factory=EveryLineSettings)
    marks: MarkMatchSettings = field(default_factory=MarkMatchSettings)
    added_mark: AddedMarkSettings = field(default_factory=AddedMarkSettings)
    printed_over: PrintedOverSettings = field(default_factory=PrintedOverSettings)
    way_up: WayUpSettings = field(default_factory=WayUpSettings)
    pairs: LinePairSettings = field(default_factory=LinePairSettings)
    club_below: ClubBelowSettings = field(default_factory=ClubBelowSettings)
    rows: RowSettings = field(default_factory=RowSettings)
