"""Rows of head and foot read one after the other, where no search found a record's words: a face in, lines out.

Letters that are partly lost in a dark picture are not seen as a line, and can be read all the same by whoever knows
where to look. Much of what is read so is nothing: only what is like the record's own words may be believed.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass

import numpy as np
from rapidfuzz.fuzz import partial_ratio_alignment, ratio

from matcher.core.card_lines import BoxMm, CardLine, share_of
from matcher.core.flatten import Face
from matcher.core.ocr.kept_lines import LineReading
from matcher.core.ocr.line_pairs import WrittenLine, alike
from matcher.core.ocr.looks import Card, Look, look_at, mm_to_face, within_look
from matcher.core.ocr.reader import reader
from matcher.core.ocr.settings import OcrSettings
from matcher.core.ocr.spelling import plain
from matcher.core.parallel.side_by_side import side_by_side
from matcher.core.reference_set import KnownRecord


@dataclass(frozen=True)
class RowReading(LineReading):
    """How rows are read off a reference and kept, a `core.reference_set.Reading`."""

    @property
    def key(self) -> str:
        """As of `LineReading`, with what rows are besides."""
        lines, own = super().key, hashlib.sha256(json.dumps(asdict(self.settings.rows)).encode()).hexdigest()[:8]
        return lines and f"{lines}-rows-{own}"

    def read(self, face: Face) -> tuple[WrittenLine, ...]:
        """What is read in the rows of head and foot, the surest first, each place once; none where the extra `reading`
        is not installed."""
        rules, library = self.settings.rows, reader(self.settings.reader)
        if library is None:
            return ()
        card = Card(face.grey, mm_to_face(face.size), face.size)

        def seen(box: BoxMm) -> tuple[BoxMm, Look]:
            look = look_at(library, card, box, 0, self.settings.pairs)
            return within_look(look, box, self.settings.pairs), look

        read = side_by_side(seen, [*_rows(face, self.settings)])
        read = [one for one in read if len(plain(one[1].words)) >= rules.least_letters]
        kept: list[BoxMm] = []
        for box, look in sorted(read, key=lambda one: -one[1].certainty * len(plain(one[1].words))):
            if look.certainty >= rules.least_certainty and all(share_of(box, other) < rules.apart for other in kept):
                kept.append(box)
        looks = side_by_side(lambda box: look_at(library, card, box, 0, self.settings.pairs), kept)
        return tuple(
            WrittenLine(CardLine(look.words, look.certainty, box), 0, look)
            for box, look in zip(kept, looks, strict=True)
        )


def _rows(face: Face, settings: OcrSettings) -> Iterator[BoxMm]:
    """Rows of several heights, mm, all across head and foot."""
    rules, lines, size = settings.rows, settings.every_line, face.size
    left, right = lines.rim_mm, size.width_mm - lines.rim_mm
    for begins, ends in (
        (size.height_mm - lines.close_foot_mm, size.height_mm - lines.rim_mm),
        (lines.rim_mm, lines.close_head_mm),
    ):
        for high in rules.heights_mm:
            for top in np.arange(begins, ends - high, rules.step * high):
                yield left, float(top), right, float(top + high)


def lacking(written: Sequence[WrittenLine], record: KnownRecord, settings: OcrSettings) -> list[str]:
    """Of a record's name and club, plain, those that are none of the lines found on its reference, nor part of one."""
    wanted = (plain(words) for words in (record.caption, record.club))
    return [
        words for words in wanted if words and not any(_likeness(one, words) >= settings.pairs.alike for one in written)
    ]


def in_rows(rows: Sequence[WrittenLine], face: Face, wanted: Sequence[str], settings: OcrSettings) -> list[WrittenLine]:
    """For each of these words, plain, the row of a reference that is most like them, looked at anew; without those that
    no row bears legibly: of letters that are lost every picture is read otherwise. face: the reference's."""
    library, card = reader(settings.reader), Card(face.grey, mm_to_face(face.size), face.size)
    found: list[WrittenLine] = []
    if library is None:
        return found
    for words in wanted:
        best = max(rows, key=lambda one: _likeness(one, words), default=None)
        if best is not None and _likeness(best, words) >= settings.pairs.alike:
            told = best.look.frames.named
            part = partial_ratio_alignment(words, told)
            span = (part.dest_start, part.dest_end) if part and len(told) > len(words) else None
            box = within_look(best.look, best.line.box_mm, settings.pairs, span)
            look = look_at(library, card, box, 0, settings.pairs)
            if ratio(plain(look.words), words) >= settings.rows.read:
                found.append(WrittenLine(CardLine(look.words, look.certainty, box), 0, look))
    return found


def with_rows(found: Sequence[WrittenLine], rows: Sequence[WrittenLine]) -> tuple[WrittenLine, ...]:
    """The lines of a reference and these rows of it, without lines that are pieces of a row."""
    boxes = [row.line.box_mm for row in rows]
    whole = (one for one in found if all(share_of(one.line.box_mm, box) < PIECE for box in boxes))
    return (*whole, *rows)


PIECE = 0.6
"""Share of a line's box that lies in a row of which it is a piece; by hand."""


def _likeness(one: WrittenLine, words: str) -> float:
    return alike(plain(one.look.words), words)
