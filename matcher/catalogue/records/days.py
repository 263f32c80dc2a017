"""Days as people and spreadsheets write them in; ISO 8601 out, as precise as is known: 1987, 1987-05, 1987-05-23.

23.5.1987 is read day first, as wherever days are written with points. Of 5/23/1987 one number is more than 12; of a
column where one row tells its order so, the others follow it. Where nothing tells, the person is asked.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import date
from typing import Literal

Order = Literal["day-first", "month-first"]

_ISO = re.compile(r"(\d{4})(?:-(\d\d?)(?:-(\d\d?))?)?(?:[T ][\d:.]+)?")
_POINTED = re.compile(r"(\d\d?)\.\s?(\d\d?)\.\s?(\d{4})")
_SLASHED = re.compile(r"(\d\d?)[/-](\d\d?)[/-](\d{4})")
_MONTH = re.compile(r"(\d\d?)[/.](\d{4})")
_YEAR_FIRST = re.compile(r"(\d{4})[/.](\d\d?)(?:[/.](\d\d?))?")


def is_day(text: str) -> bool:
    """Whether this is "", or a year, month or day in ISO 8601.

    >>> [is_day(text) for text in ("", "1987", "1987-05", "1987-05-23", "23.5.1987", "1987-13")]
    [True, True, True, True, False, False]
    """
    return not text or (re.fullmatch(r"\d{4}(-\d\d(-\d\d)?)?", text) is not None and day_of(text) == text)


def day_of(text: str, order: Order | None = None) -> str | None:
    """The day in ISO 8601; None where it is no day, or where its order is not known.

    >>> day_of("23.5.1987"), day_of("5/23/1987"), day_of("4/5/1987"), day_of("4/5/1987", "day-first"), day_of("5/1987")
    ('1987-05-23', '1987-05-23', None, '1987-05-04', '1987-05')
    """
    text = text.strip()
    if found := _ISO.fullmatch(text) or _YEAR_FIRST.fullmatch(text):
        return _iso(*found.groups())
    if found := _MONTH.fullmatch(text):
        return _iso(found[2], found[1])
    if found := _POINTED.fullmatch(text):
        return _iso(found[3], found[2], found[1])
    if found := _SLASHED.fullmatch(text):
        told = _told(int(found[1]), int(found[2])) or order
        first, second, year = found.groups()
        return _iso(year, second, first) if told == "day-first" else _iso(year, first, second) if told else None
    return None


def order_of(texts: Iterable[str]) -> Order | None:
    """What one column's days tell of their order; None where none of them tells, or where they disagree."""
    told = {
        _told(int(found[1]), int(found[2])) for text in texts if (found := _SLASHED.fullmatch(text.strip()))
    } - {None}  # fmt: skip
    return told.pop() if len(told) == 1 else None


def needs_order(text: str) -> bool:
    """Whether it would be a day if the order of day and month were known."""
    return day_of(text) is None and day_of(text, "day-first") is not None


def _told(first: int, second: int) -> Order | None:
    if first > 12 >= second or first == second:
        return "day-first"
    return "month-first" if second > 12 >= first else None


def _iso(year: str, month: str | None = None, day: str | None = None) -> str | None:
    try:
        date(int(year), int(month or 1), int(day or 1))
    except ValueError:
        return None
    return "-".join([year, *(f"{int(part):02}" for part in (month, day) if part)])
