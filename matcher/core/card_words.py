"""What is written on one card: a card of a photo in, and beside any number of records what it bears of their words.

Everything that reading adds to the ladder is asked for here, and read no more than once.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial

import numpy as np

from matcher.core.calibration import log_odds
from matcher.core.card_lines import BoxMm, CardLine
from matcher.core.detect.card_quad import CardQuad
from matcher.core.flatten import Face
from matcher.core.ladder.candidate import Candidate
from matcher.core.ladder.caption_zone import is_picture
from matcher.core.ladder.mark import MarkFinding, glanced_mark, judge_mark, mark_words
from matcher.core.ladder.standing import CaptionEvidence
from matcher.core.ladder.words import WordsFinding
from matcher.core.ocr.added_mark import added_mark
from matcher.core.ocr.caption_match import all_read, match_captions
from matcher.core.ocr.every_line import lines_of_photo
from matcher.core.ocr.kept_lines import LineReading
from matcher.core.ocr.line_evidence import compare_words, mark_in_place
from matcher.core.ocr.line_pairs import Sight, WrittenLine, as_written, firm_lines
from matcher.core.ocr.looks import Looks
from matcher.core.ocr.mark_match import match_marks
from matcher.core.ocr.printed_over import printed_over
from matcher.core.ocr.reading import read_as, read_caption
from matcher.core.ocr.rows import RowReading, in_rows, lacking, with_rows
from matcher.core.photo import Photo
from matcher.core.reference_set import ReferenceSet
from matcher.core.settings import Settings


@dataclass(frozen=True)
class CardWords:
    """An upright card of a photo, to be read. outline.corners: (4, 2) TL TR BR BL in the photo's pixels."""

    photo: Photo
    outline: CardQuad
    face: Face
    references: ReferenceSet
    settings: Settings

    @cached_property
    def lines(self) -> tuple[CardLine, ...]:
        """Every line along the card's edges."""
        searched = self._looks.searched
        return lines_of_photo(self.photo, self.outline, self.face.size, self.settings.ocr, searched)

    @property
    def told(self) -> str:
        """All of its lines, for people."""
        return read_as([line.words for line in self.lines])

    def in_picture(self, one: Candidate) -> tuple[BoxMm, ...]:
        """Where the card or a candidate's reference has words that were printed upon its picture, mm on the card."""
        record, ocr = one.record, self.settings.ocr
        written = firm_lines(self._written(one), ocr)
        known = (record.caption, record.club, mark_words(record.mark))
        to_query = np.asarray(np.linalg.inv(self._sight(one).to_reference_mm), np.float64)
        return printed_over(self.lines, written, to_query, known, ocr.printed_over)

    def beside(self, asked: Sequence[Candidate]) -> dict[int, WordsFinding]:
        """What ink and reading say together of each candidate's words, by its reference; of those of which a line was
        found on the reference."""
        found = {}
        for one in asked:
            words = compare_words(self._sight(one), self._written(one), one, self.settings.ocr)
            if words:
                found[one.reference.id] = words
        return found

    def captions(self, candidates: Sequence[Candidate]) -> CaptionEvidence:
        """Foot and head of the card, compared with the words that the inks were compared with."""
        compared = [c for c in candidates if c.caption_probability is not None and c.crop_probability >= 0.5]
        records = {c.record.record_id: c.record for c in compared}
        known = {
            name: (record.caption, record.club, mark_words(record.mark) or record.issuer)
            for name, record in records.items()
        }
        ocr = self.settings.ocr
        read = read_caption(
            self.photo,
            self.outline,
            self.face.size,
            enough=partial(all_read, known=tuple(known.values()), settings=ocr.match),
            head_worded=not is_picture(self.face, self.settings.ladder),
            settings=ocr,
        )
        found = match_captions(read, known, settings=ocr)
        odds = {record_id: log_odds(score.probability) for record_id, score in found.scores.items()}
        return CaptionEvidence(odds, found.words)

    def marks(self, asked: Sequence[Candidate]) -> tuple[dict[int, MarkFinding], tuple[CardLine, ...]]:
        """What is found of each candidate's mark, by its reference, and what was read on the card for it.

        Not all of the card is read where the ink says that it is one of them, alone or with what stands in its place.
        """
        rules = self.settings.ladder.mark
        glanced = self._judged(glanced_mark, asked, ())
        if _is_one(glanced, rules.glance):
            return glanced, ()
        if _is_one(glanced, self.settings.thresholds.mark):
            looked = {one.reference.id: self._read_in_place(one, glanced[one.reference.id]) for one in asked}
            if _is_one(looked, rules.glance):
                return looked, ()
        return self._judged(judge_mark, asked, self.lines), self.lines

    def _judged(
        self, judge: Callable[..., MarkFinding], asked: Sequence[Candidate], lines: Sequence[CardLine]
    ) -> dict[int, MarkFinding]:
        found, ocr = {}, self.settings.ocr
        for one in asked:
            record, reference = one.record, self.references.face(one.reference.id)
            written = self._written(one)
            told = match_marks(
                lines, [one.line for one in written], record.mark, (record.caption, record.club), ocr.marks
            )
            if lines and told.none_wanted:
                told = replace(told, added=added_mark(self._sight(one), told.others, written, record.issuer, ocr))
            judged = judge(self.face, reference, one.alignment.transform, told, settings=self.settings.ladder.mark)
            if lines and judged.is_open(self.settings.thresholds.mark):
                judged = self._read_in_place(one, judged)
            found[one.reference.id] = judged
        return found

    def _read_in_place(self, one: Candidate, finding: MarkFinding) -> MarkFinding:
        """With what both cards say where either has the record's mark, if it was read on one of them."""
        ocr, sight = self.settings.ocr, self._sight(one)
        place = next((line for line in self._written(one) if line.line == finding.lines.known), None)
        if place is None and finding.lines.seen:
            place = as_written(sight, finding.lines.seen, ocr)
        if place is None:
            return finding
        return finding.with_reading(mark_in_place(sight, place, mark_words(one.record.mark), ocr))

    def _sight(self, one: Candidate) -> Sight:
        """The card beside a candidate's reference."""
        reference = self.references.face(one.reference.id)
        return Sight(self.photo, self.outline, self.face, reference, one.alignment.transform, self._looks)

    def _written(self, one: Candidate) -> tuple[WrittenLine, ...]:
        """Every line of a candidate's reference; words of its record that are not among them are sought in the rows of
        head and foot."""
        ocr, number, asked = self.settings.ocr, one.reference.id, self._asked
        if number not in asked:
            asked[number] = self.references.read(number, LineReading(ocr))
            wanted = lacking(asked[number], one.record, ocr)
            if wanted:
                rows = self.references.read(number, RowReading(ocr))
                asked[number] = with_rows(asked[number], in_rows(rows, self.references.face(number), wanted, ocr))
        return asked[number]

    @cached_property
    def _asked(self) -> dict[int, tuple[WrittenLine, ...]]:
        """The lines of the references that were asked about: their rows are looked at once."""
        return {}

    @cached_property
    def _looks(self) -> Looks:
        return Looks()


def read_beside(closest: Sequence[Candidate], found: Mapping[int, WordsFinding]) -> str:
    """What was read on the card, as it was looked at for the closest record that was read."""
    return next((found[one.reference.id].read for one in closest if one.reference.id in found), "")


def _is_one(found: Mapping[int, MarkFinding], sure: float) -> bool:
    """Whether each of several marks is settled, one of them as the card's own."""
    told = [one.probability for one in found.values() if one.is_settled(sure)]
    return len(told) == len(found) and max(one or 0.0 for one in told) >= sure
