"""Bytes of somebody's text file in, its text out, whatever program on whatever system saved it; a guess is said.

UTF-8 and UTF-16 can be told for sure. The one-byte encodings cannot: the one in which the accented letters stand where
accented letters stand in names is taken, and the person is told which, and how to say another.
"""

from __future__ import annotations

import codecs
from collections.abc import Iterator
from dataclasses import dataclass

LIKELY = {
    "cp1252": "Western Windows",
    "mac_roman": "old Macintosh",
    "cp850": "DOS",
    "cp1250": "Central European Windows",
}
"""One-byte encodings that are tried, the commonest first, with what people may know them by."""

_BOMS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_COMMON = frozenset("àáâãäåæçèéêëìíîïñòóôõöøùúûüýßœÀÁÂÄÅÆÇÈÉÊËÍÎÏÑÓÔÖØÚÛÜŒ")
_PUNCTUATION = frozenset("’“”„«»–—…£€§°½¼¾©®·´\u00a0")


@dataclass(frozen=True)
class Decoded:
    """text: of the file. guess: the one-byte encoding that it was taken for, "" where there was nothing to guess."""

    text: str
    guess: str = ""

    @property
    def words(self) -> str:
        """What to tell the person, or ""."""
        if not self.guess:
            return ""
        known = LIKELY.get(self.guess, self.guess)
        return f"read as {known} text ({self.guess}); if accented letters look wrong, name another with --encoding"


def decode(data: bytes, encoding: str = "") -> Decoded:
    """encoding: as the person says; "" to find out. Raises ValueError where the bytes are no text of that encoding.

    >>> decode("Zoë".encode("utf-16")).text, decode("Zoë Müller".encode("mac_roman")).guess
    ('Zoë', 'mac_roman')
    """
    try:
        return _decoded(data, encoding)
    except UnicodeDecodeError as error:
        place = f"byte {error.start + 1:,} cannot be read"
        raise ValueError(f"it breaks off, or is no text in {error.encoding}: {place}") from None


def _decoded(data: bytes, encoding: str) -> Decoded:
    if encoding:
        try:
            return Decoded(data.decode(encoding).removeprefix("\ufeff"))
        except LookupError:
            raise ValueError(f"no encoding is called {encoding!r}") from None
    for mark, name in _BOMS:
        if data.startswith(mark):
            return Decoded(data.decode(name))
    if b"\0" in data[:2000]:
        return Decoded(data.decode(_utf16_without_mark(data)))
    try:
        return Decoded(data.decode("utf-8"))
    except UnicodeDecodeError:
        return _guessed(data)


def _utf16_without_mark(data: bytes) -> str:
    """Of Latin text every second byte is zero: the second of a pair where the low byte comes first."""
    even, odd = data[:2000:2].count(0), data[1:2000:2].count(0)
    if max(even, odd) < 0.2 * len(data[:2000:2]):
        raise ValueError("it holds zero bytes: this is no text file")
    return "utf-16-le" if odd > even else "utf-16-be"


def _guessed(data: bytes) -> Decoded:
    best: tuple[float, str, str] | None = None
    for name in LIKELY:
        try:
            text = data.decode(name)
        except UnicodeDecodeError:
            continue
        fit = sum(_fits(text))
        if best is None or fit > best[0]:
            best = fit, name, text
    if best is None:
        raise ValueError("it is no text in any encoding that is known here")
    return Decoded(best[2], best[1])


def _fits(text: str) -> Iterator[float]:
    """For each character beyond ASCII how well it stands where it stands: from 1 down to -3."""
    for place, mark in enumerate(text):
        if mark < "\x80":
            continue
        before, after = text[place - 1 : place], text[place + 1 : place + 2]
        if mark.isalpha():
            shouted = mark.isupper() and (before.islower() or (after.islower() and before.isalpha()))
            yield -1.0 if shouted else 1.0 if mark in _COMMON else 0.4
        elif mark in _PUNCTUATION:
            inside = before.isalpha() and after.isalpha()
            yield 0.5 if mark == "’" or not inside else -1.0
        else:
            yield -3.0 if not mark.isprintable() else -1.0
