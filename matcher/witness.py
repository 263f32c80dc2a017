"""Which of the known captions was read? A `Reading` and the known words in, a `Testimony` out.

Reader and printer both err by letters, lines are missed or run together, and bits of backdrop are read as words: so
lines are matched as a whole with the fewest edits, where leaving out a line, read or known, costs a fixed number of
them. One changed letter of a name is then one edit, however many lines could not be read.
"""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import combinations
from pathlib import Path
from typing import ClassVar

from matcher.ladder.confidence import Calibration
from matcher.reading import Reading

LEFT_OUT = 3.0
"""Edits that a line counts which is left out; two unlike lines are so never more than twice this apart."""

MOST_LINES = 5
"""Lines read beyond these, the least certain, are not tried: the ways to match double with each."""

TWINS = str.maketrans({"1": "l", "0": "o", "|": "l"})
"""Signs that old type makes alike, and readers confuse."""


@dataclass(frozen=True)
class Likeness:
    """What was read against one record's words.

    edits:       letters to change, and `LEFT_OUT` for each line left out.
    letters:     letters to change alone.
    similarity:  1 for the same letters, 0 for nothing in common.
    features:    what the calibration asks for.
    probability: that the card carries these words, judged by reading alone.
    """

    edits: float
    letters: int
    similarity: float
    features: Mapping[str, float]
    probability: float


@dataclass(frozen=True)
class Testimony:
    """What reading says about every known record; false, with a reason, where nothing was read or known.

    best:     the record whose words are most like those read; empty where two are equally so.
    features: how well the best stands out: `edits` and `similarity` of it, and `lead`, by how many edits it leads
              (twice LEFT_OUT where there is no rival).
    """

    __test__: ClassVar[bool] = False  # pytest would take the name for a test's

    likenesses: Mapping[str, Likeness] = field(default_factory=dict)
    best: str = ""
    features: Mapping[str, float] = field(default_factory=dict)
    words: str = ""

    def __bool__(self) -> bool:
        return bool(self.likenesses)


def witness(reading: Reading, known: Mapping[str, Sequence[str]], calibration: Calibration | None = None) -> Testimony:
    """Compare what was read with each record's words.

    known:       the lines of each record, by its id: caption, club, issuer; empty ones are passed over.
    calibration: holds the rung `reading`; the one shipped in `reading.json` if not given.
    """
    calibration = calibration or shipped_calibration()
    told = {record: lines for record, words in known.items() if (lines := plain_lines(words))}
    if not reading or not told:
        return Testimony(words=reading.words if not reading else "no known words to compare with")
    likenesses = {record: _likeness(reading, lines, calibration) for record, lines in told.items()}
    ranked = sorted(likenesses, key=lambda record: likenesses[record].edits)
    closest = likenesses[ranked[0]]
    lead = likenesses[ranked[1]].edits - closest.edits if len(ranked) > 1 else 2 * LEFT_OUT
    features = {"edits": closest.edits, "similarity": closest.similarity, "lead": lead}
    best = ranked[0] if lead > 0 else ""
    return Testimony(likenesses, best, features, _told(reading, known[ranked[0]] if best else (), closest.letters))


@lru_cache(maxsize=1)
def shipped_calibration() -> Calibration:
    """The rung `reading` as fitted by `scripts/measure_reading.py`, with its provenance."""
    return Calibration.load(Path(__file__).with_name("reading.json"))


def plain(words: str) -> str:
    """Letters and digits alone, compatible forms made one (Unicode NFKC), case folded, look-alikes joined.

    >>> plain("Wm.  O’Harlé – B. C.")
    'wmoharlébc'
    """
    folded = unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", words).casefold())
    return "".join(character for character in folded.translate(TWINS) if character.isalnum())


def plain_lines(words: Sequence[str]) -> tuple[str, ...]:
    """Every line made plain; empty ones are left out."""
    return tuple(line for line in map(plain, words) if line)


@dataclass(frozen=True)
class _Match:
    """Lines read and lines known, matched with the fewest edits.

    letters: edits within the lines that were kept. matched: known letters that took part.
    unread:  known lines left out. stray: lines read and left out.
    """

    letters: int
    matched: int
    unread: int
    stray: int

    @property
    def edits(self) -> float:
        return self.letters + LEFT_OUT * (self.unread + self.stray)


def _likeness(reading: Reading, known: Sequence[str], calibration: Calibration) -> Likeness:
    firm = sorted(reading.lines, key=lambda line: -line.certainty)[:MOST_LINES]
    read = plain_lines([line.words for line in reading.lines if line in firm])
    match = _match(read, known)
    total = len("".join(known))
    any_letter, certainty = math.log(0.3 + match.letters), sum(line.certainty for line in firm) / len(firm)
    features = {
        "any_letter": any_letter,
        # The surer the reader, the more a wrong letter says.
        "any_letter_by_certainty": any_letter * certainty,
        "certainty": certainty,
        "matched": match.matched / total,
        "unread": float(match.unread),
        "stray": float(match.stray),
    }
    similarity = max(0.0, 1 - match.edits / total)
    return Likeness(match.edits, match.letters, similarity, features, calibration.probability("reading", features))


def _match(read: Sequence[str], known: Sequence[str]) -> _Match:
    """The best of all ways to leave lines out on either side; the lines kept are compared joined, so that it does not
    matter where the reader broke them."""
    from rapidfuzz.distance import Levenshtein

    best = _Match(0, 0, len(known), len(read))
    for mine in _choices(read):
        for theirs in _choices(known):
            unread, stray = len(known) - len(theirs), len(read) - len(mine)
            if LEFT_OUT * (unread + stray) < best.edits:
                letters = Levenshtein.distance("".join(mine), "".join(theirs))
                match = _Match(letters, len("".join(theirs)), unread, stray)
                best = min(best, match, key=lambda one: one.edits)
    return best


def _choices(lines: Sequence[str]) -> Iterator[tuple[str, ...]]:
    """Every way to keep some of the lines, in order; most lines first."""
    for count in range(len(lines), 0, -1):
        yield from combinations(lines, count)


def _told(reading: Reading, nearest: Sequence[str], letters: int) -> str:
    if not nearest:
        return f"{reading.words}: as near to one known caption as to another"
    name = next(line for line in nearest if plain(line))
    off = "" if not letters else f", {letters} letter{'' if letters == 1 else 's'} off"
    return f"{reading.words}: nearest to {name!r}{off}"
