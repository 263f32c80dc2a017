"""How far apart are two sights of one line? A `LinePair` in, plain numbers out, for the calibration of `line`.

Two cards of one printing are read with the same errors. So what counts is not how many letters were read otherwise than
the record has them, but how much less likely one text for both cards is than what was seen on each: the best such text
is sought among the record's words, what was read on either, and what both sights together say.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial

import numpy as np
from rapidfuzz.distance import Levenshtein

from matcher.core.calibration import Calibration
from matcher.core.ladder.candidate import Candidate
from matcher.core.ladder.caption_zone import bears_letters
from matcher.core.ladder.letters import compare_letters
from matcher.core.ladder.mark import mark_words
from matcher.core.ladder.picture_round import expected_ink, of_line
from matcher.core.ladder.words import LARGE, Wanting, WordLine, WordsFinding, judge_line, judge_words
from matcher.core.ladder.words_settings import MarkSettings
from matcher.core.ocr.added_line import AddedLine, added_line
from matcher.core.ocr.line_pairs import LinePair, Sight, WrittenLine, pair_lines
from matcher.core.ocr.looks import share_of_box
from matcher.core.ocr.reader import reader
from matcher.core.ocr.settings import LinePairSettings, OcrSettings
from matcher.core.ocr.spelling import LEAST_PROBABILITY, Frames, misfits, plain
from matcher.core.parallel.side_by_side import side_by_side
from matcher.core.reference_set import KnownRecord


def compare_words(
    sight: Sight,
    written: Sequence[WrittenLine],
    candidate: Candidate,
    settings: OcrSettings | None = None,
    calibration: Calibration | None = None,
) -> WordsFinding | None:
    """Whether the query bears a candidate's words; None where no line of them was found on its reference, and they may
    stand at the head or the foot, where the ink is compared."""
    record, ocr = candidate.record, settings or OcrSettings()
    pairs = pair_lines(sight, written, record, mark_words(record.mark), ocr)
    if not pairs:
        elsewhere = bool(plain(record.caption + record.club)) and not bears_letters(sight.reference)
        return WordsFinding(NOT_FOUND, ()) if elsewhere else None
    lines = tuple(side_by_side(partial(judged_line, sight=sight, settings=ocr.pairs), pairs))
    added = None if any(pair.part == "club" for pair in pairs) else added_line(sight, written, pairs, record, ocr)
    if added and record.mark and (added.line.framed or added.size < LARGE):
        added = None  # for the mark to judge, where the record tells of one or of none
    wanting = wanting_of(record, pairs, added)
    ink = candidate.caption_probability
    probability = judge_words([line.probability for line in lines], ink, wanting, calibration)
    if wanting == Wanting() and all(line.probability >= 0.5 for line in lines):
        probability = max(probability, LEFT_OPEN)  # of a halftone the ink differs everywhere, and says nothing of words
    unseen = tuple(filter(None, (record.caption * wanting.name, record.club * wanting.club)))
    probability = min(probability, UNSEEN if unseen else 1.0)
    torn = probability < LEFT_OPEN and sight.in_dots
    return WordsFinding(LEFT_OPEN if torn else probability, lines, added.line.words if added else "", torn, unseen)


READ_AS_KNOWN = 0.9
"""Least probability that a line says the same which was read on the query letter by letter as the record has it, and
otherwise on its reference: of 29 such lines on 640 cards used to fit, 28 said the same."""

NOT_FOUND = 0.5
"""Probability that words are the same which are found nowhere on the known card: head and foot are picture, and that
they agree says nothing of words. Our own choice."""

UNSEEN = 0.8
"""Most that words can be said to be the same of which a line was found nowhere on the known card: the cards that the
coefficients were fitted on had no such line. Our own choice."""

LEFT_OPEN = 0.4
"""Probability that words are the same where each line says so rather than not, whatever the ink of the strips does: not
new, and not known either. Our own choice."""


def judged_line(pair: LinePair, sight: Sight, settings: LinePairSettings | None = None) -> WordLine:
    """One line, judged by itself."""
    features = pair_features(pair, sight, settings)
    read, probability = pair.query, judge_line(features)
    told, known = plain(read.words), plain(pair.known)
    if told == known and told != plain(pair.written.look.words):
        probability = max(probability, READ_AS_KNOWN)  # the known card was not read rightly
    if left_by_scissors(told, known, *sight.beyond_edge(pair.written)):
        probability = max(probability, READ_AS_KNOWN)
    if not told and is_unseen(pair, sight, features["ink_fit"]):
        probability = min(probability, UNREAD)
    place = pair.written
    return WordLine(
        pair.part, pair.known, read.words, read.certainty, probability, features, place.line.box_mm, place.quarters
    )  # fmt: skip


UNREAD = 0.5
"""Probability that a line says the same where nothing is read on the query though it would show: it is not there, or
something lies over it. Our own choice."""

SHORT = 0.2
"""By how much the inks of a line, as they lie best, must agree less than those of one line would, for the query's not
to be that line; by hand."""


def is_unseen(pair: LinePair, sight: Sight, fit: float) -> bool:
    """Whether a line of the reference would show on the query, and no such ink is there. fit: of the two inks."""
    if fit == NO_INK["ink_fit"]:
        return False
    box, rules = pair.written.line.box_mm, MarkSettings()
    expected = of_line(expected_ink, sight.query, sight.reference, sight.transform, box, rules)
    return expected >= rules.least_expected and fit < expected - SHORT


def left_by_scissors(told: str, known: str, before: float, after: float) -> bool:
    """Whether what was read is what is left of the known letters where a card was trimmed.

    before, after: shares of the line that were cut off. Letters are of uneven width, and what is left of one that was
    cut through may be read as another.

    >>> [left_by_scissors(told, "jonasharlesk", 0.05, 0) for told in ("onasharlesk", "lnasharlesk", "onasharlest")]
    [True, True, False]
    >>> left_by_scissors("onasharlesk", "jonasharlesk", 0, 0)
    False
    """
    first, last = (math.ceil(share * len(known)) + 1 if share > LEAST_CUT else 0 for share in (before, after))
    if first + last >= len(known) / 2:
        return False
    left = {known[start : len(known) - end] for start in range(first + 1) for end in range(last + 1)} - {known}
    whole = slice(1 if first else 0, -1 if last else None)
    return any(len(told) == len(one) and told[whole] == one[whole] for one in left)


LEAST_CUT = 0.01
"""Share of a line from which some of it was cut off; by hand."""


def mark_in_place(sight: Sight, written: WrittenLine, mark: str, settings: OcrSettings | None = None) -> float:
    """Probability that the query says in a mark's place what the reference says there. mark: its words."""
    settings = settings or OcrSettings()
    library = reader(settings.reader)
    if library is None:
        return 0.5
    seen = sight.looks.at(library, sight.card, written.line.box_mm, written.quarters, settings.pairs)
    return judged_line(LinePair("name", mark, written, seen), sight, settings.pairs).probability


def pair_features(pair: LinePair, sight: Sight, settings: LinePairSettings | None = None) -> dict[str, float]:
    """What the calibration of `line` asks for, of reading and of the letters' ink."""
    place, rules = pair.written, settings or LinePairSettings()
    ink = compare_letters(sight.query, sight.reference, sight.transform, place.line.box_mm, place.quarters)
    if ink is None:
        return {**line_features(pair), **NO_INK}
    spans = read_otherwise(pair.query.frames, place.look.frames) or read_otherwise(pair.query.frames, plain(pair.known))
    return {
        **line_features(pair),
        **ink.features,
        "letters_there": ink.surest([share_of_box(one, place.line.box_mm, place.quarters, rules) for one in spans]),
    }


NO_INK = {"letters_2": -3.0, "letters_4": -3.0, "letters_8": -3.0, "letters_there": -3.0, "ink_fit": 0.5}
"""Of a line whose ink cannot be compared: about what an average line has."""


def read_otherwise(ours: Frames, theirs: Frames | str) -> list[tuple[float, float]]:
    """Where along a line, from one share of its frames to another, letters were read that are not as the other has
    them, or between which it has more; all of it where none was read."""
    told, other = ours.named, theirs if isinstance(theirs, str) else theirs.named
    if not told:
        return [(0.0, 1.0)] if other else []
    begins = [*ours.begins, len(ours.probabilities)]
    spans = []
    for one in Levenshtein.editops(told, other):
        first = begins[max(one.src_pos - (one.tag == "insert"), 0)]
        last = begins[min(one.src_pos + 1, len(told))]
        spans.append((first / len(ours.probabilities), last / len(ours.probabilities)))
    return spans


def wanting_of(record: KnownRecord, pairs: Sequence[LinePair], added: AddedLine | None) -> Wanting:
    """What of a record's words could not be looked at."""
    parts = {pair.part for pair in pairs}
    whole = any(bears_all(pair, record) for pair in pairs)
    lacking = {part for part, words in (("name", record.caption), ("club", record.club)) if words} - parts
    told, size = (added.line.certainty, added.size) if added else (0.0, 0.0)
    return Wanting("name" in lacking and not whole, "club" in lacking and not whole, told, size)


ALL_WORDS = 0.75
"""Share of a record's letters from which a line along a side holds all its words; by hand."""


def bears_all(pair: LinePair, record: KnownRecord) -> bool:
    """Whether name and club stand in one line, along a side; of such a line a piece alone may have been found."""
    letters = len(plain(pair.written.look.words))
    return bool(pair.written.quarters) and letters >= ALL_WORDS * len(plain(record.caption + record.club))


MOST = 60.0
"""Nats beyond which two texts are simply others; by hand."""

CLEAR = -math.log(LEAST_PROBABILITY)
"""Nats by which one letter that was seen otherwise beyond doubt misfits."""


def line_features(pair: LinePair) -> dict[str, float]:
    """What the calibration asks of reading; nats are compressed, since they scatter by factors."""
    ours, theirs = pair.query.frames, pair.written.look.frames
    read, told, known = plain(pair.query.words), plain(pair.written.look.words), plain(pair.known)
    on_query, on_reference = misfit(ours, told), misfit(theirs, read)
    fits = misfit(ours, known), misfit(theirs, known)
    together = said_by_both(ours, theirs)
    apart = min(on_query, on_reference, sum(fits), misfit(ours, together) + misfit(theirs, together))
    letters = len(told)
    doubt = math.log1p((unsure(ours) + unsure(theirs)) / (letters + 3))
    wrong = Levenshtein.distance(read, told)
    return {
        "apart": min(apart, CLEAR),
        "far_apart": min(max(apart - CLEAR, 0.0), 20.0),
        "apart_log": math.log1p(apart),
        "least": math.log1p(min(on_query, on_reference)),
        "both": math.log1p(on_query + on_reference),
        "doubt": doubt,
        "apart_doubted": min(apart, CLEAR) * doubt,
        "apart_log_doubted": math.log1p(apart) * doubt,
        "known": math.log1p(fits[1]),
        "apart_unknown": math.log1p(apart) * math.log1p(fits[1]),
        "less_known": max(0.0, math.log1p(fits[0]) - math.log1p(fits[1])),
        "as_known": float(fits[0] < 2.0),
        "exact": float(wrong == 0 and fits[1] < 1.0),
        "wrong": math.log1p(wrong),
        "letters": math.log1p(letters),
        "club": float(pair.part == "club"),
    }


def misfit(frames: Frames, words: str) -> float:
    """By how much less likely plain words are than what was seen; nats, at most `MOST`; 0 for no words."""
    return min(MOST, misfits(frames, [words])[0]) if words else 0.0


def said_by_both(one: Frames, other: Frames) -> str:
    """The likeliest letters where both sights of a line count alike, frame by frame."""
    signs = one.signs + "".join(sign for sign in other.signs if sign not in one.signs)
    count = min(len(one.probabilities), len(other.probabilities))
    logs = [np.log(np.maximum(frames.spread(signs)[:count], LEAST_PROBABILITY)) for frames in (one, other)]
    likeliest = (logs[0] + logs[1]).argmax(axis=1)
    begins = np.flatnonzero((likeliest > 0) & (likeliest != np.append(-1, likeliest[:-1])))
    return "".join(signs[int(likeliest[frame]) - 1] for frame in begins)


def unsure(frames: Frames) -> float:
    """How much is left to other signs over all frames, nats."""
    return float(-np.log(np.maximum(frames.probabilities.max(axis=1, initial=0.0), LEAST_PROBABILITY)).sum())
