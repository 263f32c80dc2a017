"""Which of the known captions was read? A `Reading` and the known words in, a `Testimony` out.

Reader and printer both err by letters, lines are missed or run together, and bits of backdrop are read as words: so
lines are matched as a whole with the fewest edits, where leaving out a line, read or known, costs a fixed number of
them. One changed letter of a name is then one edit, however many lines could not be read.
"""

from __future__ import annotations

import math
import unicodedata
from bisect import bisect_right
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import accumulate, combinations
from pathlib import Path
from typing import Any, ClassVar

from matcher.ladder.confidence import Calibration
from matcher.reading import Line, Reading

LEFT_OUT, STRAY = 3.0, 2.0
"""Edits that a known line counts which was not read, and a line that was read and is none; two unlike lines are so
never more than both together apart."""

MOST_LINES = 5
"""Lines read beyond these, the least like any known one, are not tried: the ways to match double with each."""

FIELDS = ("name", "club", "issuer")
"""What the lines of a record are, in this order."""

USUAL_ERRORS, MOST_ERRORS = 0.08, 0.3
"""Share of wrong letters in an issuer's line that was not read, and beyond which more say no more."""

TWINS = str.maketrans({"1": "l", "0": "o", "|": "l"})
"""Signs that old type makes alike, and readers confuse."""


@dataclass(frozen=True)
class Likeness:
    """What was read against one record's words.

    edits:       letters to change, and what each line counts that is left out.
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
    told = {record: words for record, words in known.items() if plain_lines(words)}
    if not reading or not told:
        return Testimony(words=reading.words if not reading else "no known words to compare with")
    read = _most_like(reading.lines, {line for words in told.values() for line in plain_lines(words)})
    compared = {record: _likeness(read, lines, calibration) for record, lines in told.items()}
    likenesses = {record: likeness for record, likeness in compared.items() if likeness}
    if not likenesses:
        return Testimony(words=f"{reading.words}: like none of the known captions")
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
class _Field:
    """One known line against what was read of it: letters of the line, letters wrong, letters cut off at its ends."""

    length: int
    wrong: int
    cut: int


@dataclass(frozen=True)
class _Match:
    """Lines read and lines known, matched with the fewest edits.

    fields: one for each known line; None for one that was left out. stray: lines read and left out.
    """

    fields: tuple[_Field | None, ...]
    stray: int

    @property
    def letters(self) -> int:
        return sum(field.wrong + field.cut for field in self.fields if field)

    @property
    def edits(self) -> float:
        return self.letters + _left_out(sum(field is None for field in self.fields), self.stray)


def _most_like(lines: Sequence[Line], known: Iterable[str]) -> list[Line]:
    """The lines that may be a caption, in their order: a jersey or a poster in the picture has words on it too."""
    from rapidfuzz import fuzz, process

    def rank(line: Line) -> tuple[float, float]:
        nearest = process.extractOne(plain(line.words), known, scorer=fuzz.ratio)
        return (nearest[1] if nearest else 0.0, line.certainty)

    ranked = sorted(range(len(lines)), key=lambda number: rank(lines[number]), reverse=True)
    return [lines[number] for number in sorted(ranked[:MOST_LINES])]


def _likeness(read: Sequence[Line], known: Sequence[str], calibration: Calibration) -> Likeness | None:
    """None where no known line was read at all."""
    lines = [plain(line) for line in known]
    match = _match(plain_lines([line.words for line in read]), [line for line in lines if line])
    if not any(match.fields):
        return None
    certainty = sum(line.certainty for line in read) / len(read)
    # What was read and is no known line speaks against the words only as far as it may stand in the place of one.
    stray = min(match.stray, sum(field is None for field in match.fields))
    features = {**_of_fields(_named(lines, match.fields)), "certainty": certainty, "stray": float(stray)}
    similarity = max(0.0, 1 - match.edits / len("".join(lines)))
    probability = calibration.probability("reading", features)
    return Likeness(match.edits, match.letters, similarity, features, probability)


def _named(lines: Sequence[str], fields: Sequence[_Field | None]) -> dict[str, _Field | None]:
    """The fields that the record has, by what they are; further lines than there are names for count with the last."""
    found = iter(fields)
    named: dict[str, _Field | None] = {}
    for number, line in enumerate(lines):
        if not line:
            continue
        name, field = FIELDS[min(number, len(FIELDS) - 1)], next(found)
        before = named.get(name)
        if before and field:
            field = _Field(before.length + field.length, before.wrong + field.wrong, before.cut + field.cut)
        named[name] = field or before
    return named


def _of_fields(named: Mapping[str, _Field | None]) -> dict[str, float]:
    """What the calibration asks for of each line: one wrong letter, two, how many more, letters cut off, nothing read.

    The issuer's line is small, and hardly ever what two records differ by: its errors tell how well the reader sees,
    and excuse a wrong letter elsewhere.
    """
    features: dict[str, float] = {}
    for name in ("name", "club"):
        field = named.get(name)
        wrong, cut = (field.wrong, field.cut) if field else (0, 0)
        features[f"{name}_one"], features[f"{name}_two"] = float(wrong == 1), float(wrong == 2)
        features[f"{name}_more"] = 1 + math.log(wrong / 3) if wrong > 2 else 0.0
        features[f"{name}_cut"] = math.log1p(cut)
        features[f"{name}_unread"] = float(name in named and field is None)
    issuer = named.get("issuer")
    rate = min((issuer.wrong + issuer.cut) / issuer.length, MOST_ERRORS) if issuer else USUAL_ERRORS
    features["issuer_errors"], features["issuer_unread"] = rate, float(issuer is None)
    features["excused"] = rate * (features["name_one"] + features["name_two"])
    return features


def _match(read: Sequence[str], known: Sequence[str]) -> _Match:
    """The best of all ways to leave lines out on either side; the lines kept are compared joined, so that it does not
    matter where the reader broke them."""
    from rapidfuzz.distance import Levenshtein

    best, fewest = _Match((None,) * len(known), len(read)), math.inf
    for mine in _choices(range(len(read))):
        for theirs in _choices(range(len(known))):
            stray, unread = len(read) - len(mine), len(known) - len(theirs)
            if _left_out(unread, stray) >= min(fewest, best.edits):
                continue
            ours, words = "".join(read[n] for n in mine), "".join(known[n] for n in theirs)
            edits = Levenshtein.distance(ours, words) + _left_out(unread, stray)
            if edits < min(fewest, best.edits):
                found = _by_line(Levenshtein.editops(ours, words), [known[n] for n in theirs])
                told = dict(zip(theirs, found, strict=True))
                best, fewest = _Match(tuple(told.get(n) for n in range(len(known))), stray), edits
    return best


def _left_out(unread: int, stray: int) -> float:
    return LEFT_OUT * unread + STRAY * stray


def _by_line(edits: Iterable[Any], lines: Sequence[str]) -> list[_Field]:
    """The edits of joined lines, line by line; letters missing at a line's ends were cut off rather than misread."""
    ends = list(accumulate(len(line) for line in lines))
    missing: list[set[int]] = [set() for _ in lines]
    wrong = [0] * len(lines)
    for edit in edits:
        number = min(bisect_right(ends, edit.dest_pos), len(lines) - 1)
        if edit.tag == "insert":
            missing[number].add(edit.dest_pos - ends[number] + len(lines[number]))
        else:
            wrong[number] += 1
    found = []
    for line, gone, errors in zip(lines, missing, wrong, strict=True):
        head = next(n for n in range(len(line) + 1) if n not in gone)
        tail = next(n for n in range(len(line) + 1) if len(line) - 1 - n not in gone)
        cut = min(head + tail, len(gone))
        found.append(_Field(len(line), errors + len(gone) - cut, cut))
    return found


def _choices(numbers: range) -> Iterator[tuple[int, ...]]:
    """Every way to keep some of the lines, in order; most lines first."""
    for count in range(len(numbers), 0, -1):
        yield from combinations(numbers, count)


def _told(reading: Reading, nearest: Sequence[str], letters: int) -> str:
    if not nearest:
        return f"{reading.words}: as near to one known caption as to another"
    name = next(line for line in nearest if plain(line))
    off = "" if not letters else f", {letters} letter{'' if letters == 1 else 's'} off"
    return f"{reading.words}: nearest to {name!r}{off}"
