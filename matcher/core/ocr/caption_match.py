"""Which of the known captions was read? An `OcrReading` and the known words in, an `OcrEvidence` out.

Lines that were read are matched with a record's lines (`line_match`); then both the letters that the reader named
otherwise and how surely it saw others there (`spelling`) tell, line by line, how likely the card carries those words.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import ClassVar

from matcher.core.calibration import Calibration
from matcher.core.nets import weight_file
from matcher.core.ocr.line_match import MatchedLine, match_lines
from matcher.core.ocr.reading import OcrLine, OcrReading
from matcher.core.ocr.settings import CaptionMatchSettings, OcrSettings
from matcher.core.ocr.spelling import plain

FIELDS = ("name", "club", "issuer")
"""What the lines of a record are, in this order."""

TELLING = FIELDS[:2]
"""By these records differ."""


@dataclass(frozen=True)
class CaptionScore:
    """What was read against one record's words.

    edits:       letters to change, and what each line counts that is left out.
    letters:     letters to change alone.
    misfit:      nats by which the lines that were found fit worse than what was seen.
    similarity:  1 for the same letters, 0 for nothing in common.
    features:    what the calibration asks for.
    probability: that the card carries these words, judged by reading alone.
    """

    edits: float
    letters: int
    misfit: float
    similarity: float
    features: Mapping[str, float]
    probability: float


@dataclass(frozen=True)
class OcrEvidence:
    """What reading says about every known record; false, with a reason, where nothing was read or known.

    scores:   by record, of those of which at least one line was read.
    best:     the record whose words are most like those read; empty where two are equally so.
    features: how well the best stands out: `edits` and `similarity` of it, and `lead`, by how many edits it leads
              (twice what a line counts that is left out, where there is no rival).
    words:    for people.
    """

    __test__: ClassVar[bool] = False  # pytest would take the name for a test's

    scores: Mapping[str, CaptionScore] = field(default_factory=dict)
    best: str = ""
    features: Mapping[str, float] = field(default_factory=dict)
    words: str = ""

    def __bool__(self) -> bool:
        return bool(self.scores)


def match_captions(
    reading: OcrReading,
    known: Mapping[str, Sequence[str]],
    calibration: Calibration | None = None,
    settings: OcrSettings | None = None,
) -> OcrEvidence:
    """Compare what was read with each record's words.

    known:       the lines of each record, by its id: caption, club, issuer; empty ones are passed over.
    calibration: holds the rung `reading`; the one shipped in `reading.json` if not given.
    """
    calibration, settings = calibration or shipped_calibration(), settings or OcrSettings()
    worded = {record: words for record, words in known.items() if plain_lines(words)}
    if not reading or not worded:
        return OcrEvidence(words=reading.words if not reading else "no known words to compare with")
    lines = {line for words in worded.values() for line in plain_lines(words)}
    read = _most_like(reading.lines, lines, settings.match)
    compared = {record: _score(read, words, calibration, settings) for record, words in worded.items()}
    scores = {record: score for record, score in compared.items() if score}
    if not scores:
        return OcrEvidence(words=f"{reading.words}: like none of the known captions")
    ranked = sorted(scores, key=lambda record: (scores[record].edits, scores[record].misfit))
    closest = scores[ranked[0]]
    lead = scores[ranked[1]].edits - closest.edits if len(ranked) > 1 else 2 * settings.lines.left_out
    features = {"edits": closest.edits, "similarity": closest.similarity, "lead": lead}
    best = ranked[0] if lead > 0 else ""
    return OcrEvidence(scores, best, features, _in_words(reading, known[best] if best else (), closest.letters))


def all_read(
    lines: Sequence[OcrLine], known: Iterable[Sequence[str]], settings: CaptionMatchSettings | None = None
) -> bool:
    """Whether some spelling of each field that the known records have, name, club, issuer, is among the lines."""
    from rapidfuzz import fuzz, process

    settings = settings or CaptionMatchSettings()
    firm = [plain(line.words) for line in lines if line.certainty >= settings.firm]
    fields: dict[int, set[str]] = {}
    for words in known:
        for number, line in enumerate(words):
            if plain(line):
                fields.setdefault(number, set()).add(plain(line))
    found = (
        any(process.extractOne(line, spellings, scorer=fuzz.ratio, score_cutoff=settings.recognised) for line in firm)
        for spellings in fields.values()
    )
    return bool(fields) and all(found)


@lru_cache(maxsize=1)
def shipped_calibration() -> Calibration:
    """The rung `reading` as fitted by `matcher/lab/training/fit_reading.py`, with its provenance."""
    return Calibration.load(weight_file("reading.json"))


def plain_lines(words: Sequence[str]) -> tuple[str, ...]:
    """Every line made plain; empty ones are left out."""
    return tuple(line for line in map(plain, words) if line)


def _most_like(lines: Sequence[OcrLine], known: Iterable[str], settings: CaptionMatchSettings) -> list[OcrLine]:
    """The lines that may be a caption, in their order: a jersey or a poster in the picture has words on it too."""
    from rapidfuzz import fuzz, process

    def rank(line: OcrLine) -> tuple[float, float]:
        nearest = process.extractOne(plain(line.words), known, scorer=fuzz.ratio)
        return (nearest[1] if nearest else 0.0, line.certainty)

    ranked = sorted(range(len(lines)), key=lambda number: rank(lines[number]), reverse=True)
    return [lines[number] for number in sorted(ranked[: settings.most_lines])]


def _score(
    read: Sequence[OcrLine], known: Sequence[str], calibration: Calibration, settings: OcrSettings
) -> CaptionScore | None:
    """None where no known line was read at all."""
    lines = [plain(line) for line in known]
    found = match_lines(read, [line for line in lines if line], settings.lines)
    if not any(found.fields):
        return None
    certainty = sum(line.certainty for line in read) / len(read)
    fields = _named(lines, found.fields)
    features = {**_field_features(fields, found.stray > 0, settings.match), "certainty": certainty}
    similarity = max(0.0, 1 - found.edits / len("".join(lines)))
    probability = calibration.probability("reading", features)
    misfit = sum(field.misfit for field in found.fields if field)
    return CaptionScore(found.edits, found.letters, misfit, similarity, features, probability)


def _named(lines: Sequence[str], fields: Sequence[MatchedLine | None]) -> dict[str, MatchedLine | None]:
    """The fields that the record has, by what they are; further lines than there are names for count with the last."""
    found = iter(fields)
    named: dict[str, MatchedLine | None] = {}
    for number, line in enumerate(lines):
        if not line:
            continue
        name, field = FIELDS[min(number, len(FIELDS) - 1)], next(found)
        before = named.get(name)
        named[name] = before.joined(field) if before and field else field or before
    return named


def _field_features(
    named: Mapping[str, MatchedLine | None], stray: bool, settings: CaptionMatchSettings
) -> dict[str, float]:
    """What the calibration asks for: of name and club one wrong letter, two, how many more, letters cut off, how much
    better something else fits what was seen; nothing read, or something else in its place; and all of it exact.

    The issuer's line is small, and hardly ever what two records differ by: its errors tell how well the reader sees,
    and excuse a wrong letter elsewhere.
    """
    features: dict[str, float] = {}
    for name in TELLING:
        field = named.get(name)
        wrong, cut = (field.wrong, field.cut) if field else (0, 0)
        features[f"{name}_one"], features[f"{name}_two"] = float(wrong == 1), float(wrong == 2)
        features[f"{name}_more"] = 1 + math.log(wrong / 3) if wrong > 2 else 0.0
        features[f"{name}_cut"] = math.log1p(cut)
        misfit = min(field.misfit, settings.most_misfit) if field else 0.0
        features[f"{name}_misfit"], features[f"{name}_doubt"] = misfit, math.log1p(misfit)
        features[f"{name}_clear"] = float(misfit >= settings.clear_misfit)
        unread = name in named and field is None
        # A line that was read and is no known one may stand in the place of a known line, and only of such.
        features[f"{name}_unread"], features[f"{name}_replaced"] = float(unread and not stray), float(unread and stray)
    telling = [named[name] for name in TELLING if name in named]
    features["exact"] = float(bool(telling) and all(field and field.wrong == field.cut == 0 for field in telling))
    issuer = named.get("issuer")
    errors = (issuer.wrong + issuer.cut) / issuer.length if issuer else settings.usual_errors
    rate = min(errors, settings.most_errors) if issuer else errors
    features["issuer_errors"], features["issuer_unread"] = rate, float("issuer" in named and issuer is None)
    features["excused"] = rate * (features["name_one"] + features["name_two"])
    return features


def _in_words(reading: OcrReading, nearest: Sequence[str], letters: int) -> str:
    if not nearest:
        return f"{reading.words}: as near to one known caption as to another"
    name = next(line for line in nearest if plain(line))
    off = "" if not letters else f", {letters} letter{'' if letters == 1 else 's'} off"
    return f"{reading.words}: nearest to {name!r}{off}"
