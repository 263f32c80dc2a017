"""Rows of `lettering` in; the measures of captions and marks out, as text: over all, by place, by lettering."""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any

import numpy as np

from matcher.core.ladder.words import ANOTHER_HAND
from matcher.lab.measures import expected_calibration_error
from matcher.lab.synthesis.type_cases import LETTERINGS
from matcher.lab.synthesis.wording import PLACES

Row = dict[str, Any]

FRESH = 0.5
"""Residual contrast from which words must be told."""


def as_text(rows: Sequence[Row]) -> str:
    """All measures, one a line, and then the same in columns by place and by lettering."""
    parts = [f"{len(rows)} photos\n", *(f"{name:62} {value}\n" for name, value in measures(rows))]
    for key, values in (("place", PLACES), ("lettering", LETTERINGS)):
        parts.append(f"\nby {key}: told, called known, known called new, undecided, mark told, ECE caption, mark\n")
        for value in values:
            some = [row for row in rows if row["truth"][key] == value]
            if some:
                parts.append(f"{value:16} {'  '.join(short(some))}\n")
    return "".join(parts)


def measures(rows: Sequence[Row]) -> Iterator[tuple[str, str]]:
    """Each measure of the issue: its name, and what was measured out of how many."""
    fresh = _where(rows, lambda r: r["truth"]["contrast"] >= FRESH)
    faint = _where(rows, lambda r: r["truth"]["contrast"] < FRESH)
    for change in ("club", "letter", "hand"):
        asked = _changed(fresh, change)
        yield f"new {change} told, contrast 50 % and more", _share(asked, lambda r: _outcome(r) == "new_caption")
    hands = _changed(fresh, "hand")
    yield "new hand told as the same words in another hand or type", _share(hands, _said_another_hand)
    others = _where(rows, lambda r: r["truth"]["change"] != "hand")
    yield "of other cards said to be another hand, all contrasts", _share(others, _said_another_hand)
    yield (
        "new words called known, all contrasts",
        _share(_new_words(rows), lambda r: _outcome(r) in ("known", "new_mark")),
    )
    yield "known words called new, all contrasts", _share(_same_words(rows), lambda r: _outcome(r) == "new_caption")
    yield "known cards called known, contrast 50 % and more", _share(_known(fresh), _right)
    told = _new_words(fresh) + _known(fresh)
    yield "undecided, contrast 50 % and more", _share(told, lambda r: _outcome(r) == "undecided")
    asked = _new_words(faint) + _known(faint)
    yield (
        "30 % contrast: right or undecided",
        _share(asked, lambda r: _right(r) or _outcome(r) in ("undecided", "none")),
    )
    yield "30 % contrast: right", _share(asked, _right)
    for name, kinds in (("type", ("book", "display")), ("hand", ("hand",))):
        some = [row for row in fresh if row["truth"]["lettering"] in kinds and _lines(row)]
        yield f"name read exactly where all was read, {name}, 50 % and more", _share(some, _read_exactly)
    for change in ("mark words", "mark form", "mark place", "mark added", "mark gone"):
        yield f"{change}: told, contrast 50 % and more", _share(_changed(fresh, change), _right)
    marks = _where(fresh, lambda r: r["truth"]["change"].startswith("mark"))
    yield "new mark told, contrast 50 % and more", _share(marks, _right)
    yield "known mark called new, all contrasts", _share(_known(rows), lambda r: _outcome(r) == "new_mark")
    for rung in ("caption", "mark"):
        yield f"expected calibration error of the {rung}", _calibration(rows, rung)
    clean = _where(rows, lambda r: r["truth"]["scene_words"] or r["truth"]["note"])
    yield (
        "jersey, backdrop or note: known called new caption",
        _share(_known(clean), lambda r: _outcome(r) == "new_caption"),
    )
    outcomes = [_outcome(row) for row in rows]
    yield (
        "not found, another pose or crop",
        _share(rows, lambda r: _outcome(r) in ("none", "new_pose", "new_crop", "unreadable")),
    )
    yield "right outcome", _share(rows, _right)
    yield "undecided", f"{100 * outcomes.count('undecided') / max(1, len(rows)):.1f} %"
    yield "time an identification, median", f"{1000 * float(np.median([row['seconds'] for row in rows])):.0f} ms"


def short(rows: Sequence[Row]) -> Iterator[str]:
    """The same in few words, for one place or lettering."""
    fresh = _where(rows, lambda r: r["truth"]["contrast"] >= FRESH)
    yield _share(_new_words(fresh), lambda r: _outcome(r) == "new_caption")
    yield _share(_new_words(rows), lambda r: _outcome(r) in ("known", "new_mark"))
    yield _share(_same_words(rows), lambda r: _outcome(r) == "new_caption")
    yield _share(_new_words(fresh) + _known(fresh), lambda r: _outcome(r) == "undecided")
    yield _share(_where(fresh, lambda r: r["truth"]["change"].startswith("mark")), _right)
    yield _calibration(rows, "caption")
    yield _calibration(rows, "mark")


def _where(rows: Iterable[Row], holds: Callable[[Row], bool]) -> list[Row]:
    return [row for row in rows if holds(row)]


def _outcome(row: Row) -> str:
    return str(row["answer"]["outcome"]) if row["answer"] else "none"


def _right(row: Row) -> bool:
    truth = row["truth"]
    if _outcome(row) != truth["outcome"]:
        return False
    return bool(truth["outcome"] != "known" or row["answer"]["record_id"] == truth["record_id"])


def _said_another_hand(row: Row) -> bool:
    """Whether a new caption is told as the closest record's words, only written or set otherwise."""
    told = row["answer"]["candidates"][0]["evidence"]["words"] if _outcome(row) == "new_caption" else ()
    return any(words.startswith(ANOTHER_HAND) for words in told)


def _changed(rows: Iterable[Row], change: str) -> list[Row]:
    return _where(rows, lambda r: r["truth"]["change"] == change)


def _new_words(rows: Iterable[Row]) -> list[Row]:
    return _where(rows, lambda r: r["truth"]["outcome"] == "new_caption")


def _same_words(rows: Iterable[Row]) -> list[Row]:
    return _where(rows, lambda r: r["truth"]["outcome"] != "new_caption")


def _known(rows: Iterable[Row]) -> list[Row]:
    return _where(rows, lambda r: r["truth"]["outcome"] == "known")


def _lines(row: Row) -> list[str]:
    """What was read along the card's edges; nothing where there was no reason to read it."""
    return [line["words"] for line in (row["answer"] or {}).get("lines", ())]


def _read_exactly(row: Row) -> bool:
    """Whether the name stands among the lines, letter by letter; what is read from a side is one line with the club."""
    wanted = _letters(row["truth"]["name"])
    return any(wanted in _letters(line) for line in _lines(row))


def _letters(words: str) -> str:
    """Letters and digits, compatible forms made one, capitals small: some types have no small letters."""
    folded = unicodedata.normalize("NFKC", words).casefold()
    return "".join(letter for letter in folded if letter.isalnum())


def _calibration(rows: Sequence[Row], rung: str) -> str:
    """Of the probability that the rung states of the closest record."""
    stated = [(row["answer"]["confidence"].get(rung), row) for row in rows if row["answer"]]
    told = [(value, row) for value, row in stated if value is not None]
    if not told:
        return "-"
    values = np.array([value for value, _ in told], np.float64)
    right = np.array([not _changes(row, rung) for _, row in told])
    return f"{expected_calibration_error(values, right):.3f} ({len(told)})"


def _changes(row: Row, rung: str) -> bool:
    change = str(row["truth"]["change"])
    return change.startswith("mark") if rung == "mark" else change in ("letter", "club", "hand", "name")


def _share(rows: Sequence[Row], holds: Callable[[Row], bool]) -> str:
    if not rows:
        return "-"
    hits = sum(map(holds, rows))
    return f"{100 * hits / len(rows):.1f} % ({hits}/{len(rows)})"
