"""Are the words the same? What ink and reading say of one record's lines together: numbers in, one probability out.

Each line is judged by itself, from what was read on both cards and from the network that looks at its letters: by
boosted trees, which tell one letter from a reader's doubt as no sum of numbers does (`line.onnx`). All lines are then
judged together with the ink of foot and head (`words`). Whichever saw more counts more: a reader that sees little
doubts all letters alike, and says so.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from matcher.core.calibration import Calibration, log_odds, sigmoid
from matcher.core.card_lines import BoxMm
from matcher.core.nets import weight_file
from matcher.core.nets.runtime import infer

Features = Mapping[str, float]


@dataclass(frozen=True)
class WordLine:
    """One line of a record on the query. probability: that it says there what it says on the reference.

    box_mm, quarters: where it stands on the reference, and by how many quarters of a turn, anticlockwise, it comes to
    lie level.
    """

    part: str
    known: str
    read: str
    certainty: float
    probability: float
    features: Features
    box_mm: BoxMm = (0.0, 0.0, 0.0, 0.0)
    quarters: int = 0

    @property
    def another_hand(self) -> bool:
        """Whether the very same letters were read on both cards, and their ink is another nevertheless."""
        return self.probability < 0.5 and bool(self.features.get("exact"))


@dataclass(frozen=True)
class WordsFinding:
    """Whether the query bears a record's words.

    probability: of that, by ink and reading together.
    lines:       each line that was looked at on both cards.
    added:       a line beside the caption that the reference has not; empty where there is none.
    torn:        whether other letters were read on a card that is printed in dots: dots make others of them.
    unseen:      words of the record that were found nowhere on its reference.
    """

    probability: float
    lines: tuple[WordLine, ...]
    added: str = ""
    torn: bool = False
    unseen: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """For people."""
        if not self.lines:
            return "its words were found nowhere on the known card: compare the two by eye"
        if self.torn:
            return IN_DOTS
        if self.probability < 0.5 and self.another_hand:
            return f"{ANOTHER_HAND}, {self.read}"
        if self.probability < 0.5 and self.differing:
            return f"other words: {'; '.join(self.differing)}"
        told = f"{'the same' if self.probability >= 0.5 else 'other'} words, {self.read}"
        return f"{told}; {self._left_to_the_eye}" if self.unseen else told

    @property
    def _left_to_the_eye(self) -> str:
        named, which = " and ".join(map(repr, self.unseen)), "them" if len(self.unseen) > 1 else "it"
        return f"{named} could not be made out on the known card: compare {which} by eye"

    @property
    def shown(self) -> bool:
        """Whether a line that says something else was surely read, and whole: then nothing lies over it."""
        return any(
            line.probability < 0.5
            and line.certainty >= FIRM
            and len(line.read.replace(" ", "")) >= WHOLE * len(line.known.replace(" ", ""))
            for line in self.lines
        )

    @property
    def read(self) -> str:
        """What was read, for people."""
        read = [line.read for line in self.lines if line.read] + ([self.added] if self.added else [])
        return f"read as {', '.join(repr(words) for words in read)}" if read else "as far as they can be made out"

    @property
    def another_hand(self) -> bool:
        """Whether all lines that differ were read letter by letter alike, so that the hand alone is another."""
        others = [line for line in self.lines if line.probability < 0.5]
        return bool(others) and not self.added and all(line.another_hand for line in others)

    @property
    def differing(self) -> list[str]:
        """Lines that say something else, in words."""
        others = [line for line in self.lines if line.probability < 0.5 and line.read and not line.another_hand]
        told = [f"{line.read!r}, not {line.known!r}" for line in others]
        return told + ([f"{self.added!r}, which the known card has not"] if self.added else [])


ANOTHER_HAND = "the same words, in another hand or type"

IN_DOTS = "printed in dots, as a reproduction is, which tear letters: compare the words by eye"

FIRM, WHOLE = 0.9, 0.9
"""Certainty from which a line was surely read, and share of the known line's length from which it is whole; by hand."""


@dataclass(frozen=True)
class Wanting:
    """What was asked of a record and could not be looked at.

    name, club: the record has it, and it was not found on the reference.
    added:      the library's certainty of a line that the query has beside the caption and the reference has not.
    added_size: its height over that of the caption's largest line: a club is set larger than a maker's name.
    """

    name: bool = False
    club: bool = False
    added: float = 0.0
    added_size: float = 0.0


def judge_line(features: Features) -> float:
    """That one line says the same on both cards. features: as of `ocr.line_evidence` and `letters`."""
    rows = np.array([[features[name] for name in sorted(features)]], np.float32)
    return sigmoid(float(infer(weight_file("line.onnx"), rows=rows)[0, 0]))


def judge_words(
    lines: Sequence[float], ink: float | None, wanting: Wanting, calibration: Calibration | None = None
) -> float:
    """That all words are the same. lines: of each line that was looked at, that it is. ink: of the caption's strips."""
    return (calibration or shipped_calibration()).probability("words", word_features(lines, ink, wanting))


def word_features(lines: Sequence[float], ink: float | None, wanting: Wanting) -> dict[str, float]:
    """What the calibration of `words` asks for."""
    strips = 0.0 if ink is None else log_odds(ink, 1 - 1e-4)
    told = [*lines, 1 - wanting.added * (1 - (IF_LARGE if wanting.added_size >= LARGE else IF_SMALL))]
    together = log_odds(float(np.prod(told)), 1 - 1e-5) if lines else 0.0
    return {
        "lines": together,
        "unread": float(not lines),
        "no_name": float(wanting.name),
        "no_club": float(wanting.club),
        "ink": strips,
        "ink_for_name": strips * wanting.name,
        "ink_for_club": strips * wanting.club,
        "no_ink": float(ink is None),
    }


LARGE, IF_LARGE, IF_SMALL = 0.5, 0.1, 0.5
"""Height over the caption's from which an added line is no maker's name, and how likely the words are the same where it
is as large, or smaller. Of 20 that were found on 640 cards used to fit, 18 were clubs, all of them large; the makers'
names were 0.43 and 0.89 high. By hand."""


@lru_cache(maxsize=1)
def shipped_calibration() -> Calibration:
    """The rung `words` as fitted by `matcher/lab/training/fit_words.py`, with their provenance."""
    return Calibration.load(weight_file("words.json"))
