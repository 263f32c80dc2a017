"""The numbers of what is compared of the words and the mark; as `settings` says of all."""

from __future__ import annotations

from dataclasses import dataclass


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
class MarkSettings:
    """`mark`; by hand.

    letters_mm:  room round a line where its letters are compared by themselves.
    glance:      probability, or its opposite, from which the ink alone says enough for the query not to be read.
    around_mm:   room in which its frame stands.
    edge_mm:     a mark that stands nearer to the card's edge may be cut: that its ink is another says nothing. Of 24
                 photos that were used to fit, of cards of one mark, none was taken for another at 0.6.
    form_gap:    by how much letters must agree better than letters and frame together for the frame to be another: of
                 224 photos that were used to fit, of cards of one mark, none was above 0.35.
    other_form:  probability of one mark that is left then. By hand.
    surely_formed: certainty of a line's form from which two that differ are two marks. By hand.
    laid_px:     breadth, face pixels, from which something lies on the card: a ribbon is narrower.
    same_place:  share of the smaller of two boxes that must lie in the other for their lines to stand in one place.
    search_px:   how far, in each direction, the ink may sit from where the picture puts it.
    piece_mm:    a longer mark is compared in pieces: over 25 mm, a quarter of a degree takes a letter off its place.
    least_shown: share of a mark that both cards must show.
    beneath_mm:  room round a mark that is gone where the card must have the tone that it has on the reference.
    ring_mm:     room beyond the frame in which the picture must go on.
    round_px:    how far, in each direction, it may sit from where it is laid.
    surely_shown, barely_shown: correlation of the two pictures there from which it goes on whatever the tone, and below
                 which it does not. Of 40 cards used to fit, round marks that were gone it was 0.6 and more on all but
                 two; round such as labels lay over, mostly below.
    plain:       deviation, grey levels, below which there is too little picture to ask.
    noise_mm:    room round a mark in which it is measured what a card shows of its own.
    least_expected: correlation of its inks to be expected of one mark, below which another ink is no other mark; of a
                 line of words, below which it may be there though nothing is read. By hand.
    surely_missing: share of the ink that it would leave from which it is not there, though what is round it is full of
                 ink. By hand.
    least_px:    a box that is narrower or lower, cut off by the card's edge, is not compared.
    same_words, read: share of letters in common, and certainty, from which a mark's own words were read on both cards.
                 By hand.
    elsewhere:   probability of one mark where they were, in two places, and nothing can be compared where the reference
                 has it. By hand.
    none_read, one_read: probability that a card has no mark, as its record says, where none is read on it that the
                 known card has not, and where one is. Of 36 photos that had one added 32 were told, of 64 others none,
                 on designs and pictures listed to fit.
    """

    letters_mm: float = 0.0
    glance: float = 0.97
    around_mm: float = 0.7
    edge_mm: float = 0.6
    form_gap: float = 0.38
    other_form: float = 0.1
    surely_formed: float = 0.9
    laid_px: int = 44
    same_place: float = 0.4
    search_px: int = 6
    piece_mm: float = 8.0
    least_shown: float = 0.9
    beneath_mm: float = 2.0
    ring_mm: float = 0.8
    round_px: int = 4
    surely_shown: float = 0.8
    barely_shown: float = 0.6
    plain: float = 4.0
    noise_mm: float = 2.0
    least_expected: float = 0.6
    surely_missing: float = 0.64
    least_px: int = 10
    none_read: float = 0.9
    one_read: float = 0.04
    same_words: float = 0.8
    read: float = 0.8
    elsewhere: float = 0.1
