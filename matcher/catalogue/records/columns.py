"""The columns of a table of records: ours, somebody's own mapped to ours, and what a misspelt one was meant to be."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from pathlib import Path

from matcher.catalogue.records.cells import Known, names_known, plain_name
from matcher.core.errors import BadTable

REQUIRED = ("record_id", "subject", "pose", "crop", "caption", "image")
OPTIONAL = (
    "club", "issuer", "year", "copy", "source", "note", "seen_on", "series", "mark", "caption_place",
    "format", "outline",
)  # fmt: skip
OURS = (*REQUIRED, *OPTIONAL)

ONCE_CALLED = {"issuer_mark": "mark"}
"""Columns as tables of earlier versions call them -> as they are called now."""

MEANT = {
    "record_id": ("id", "record", "no", "nr", "number", "catalogue_no", "card", "variation"),
    "subject": ("sitter", "name", "person", "who", "sitters"),
    "pose": ("negative", "plate", "exposure"),
    "crop": ("cut", "window", "cropping"),
    "caption": ("words", "text", "inscription", "printed", "title", "lettering"),
    "image": ("file", "filename", "picture", "photo", "scan", "path", "images"),
    "club": ("team", "society"),
    "issuer": ("publisher", "maker", "studio"),
    "year": ("date", "issued"),
    "note": ("notes", "remark", "remarks", "comment"),
    "seen_on": ("seen", "day"),
    "format": ("size", "card_size"),
}
"""What people call our columns: only ever suggested, since the same word may mean another thing elsewhere."""


def parse_mapping(given: Sequence[str]) -> dict[str, str]:
    """Texts like sitter=subject as a mapping of their columns to ours. Raises BadTable bad_mapping.

    >>> parse_mapping(["Sitter=subject"])
    {'Sitter': 'subject'}
    """
    mapping: dict[str, str] = {}
    for one in given:
        theirs, equals, ours = (part.strip() for part in one.rpartition("="))
        if not equals or not theirs:
            raise _wrong(f"{one!r} names no two columns", "write your column, =, and ours: --map sitter=subject")
        if theirs in mapping:
            raise _wrong(f"the column {theirs!r} is mapped twice", "map it once")
        if ours not in OURS:
            raise _wrong(f"there is no column {ours!r} to map to", f"map to one of {', '.join(OURS)}")
        mapping[theirs] = ours
    return mapping


def known_under(mapping: Mapping[str, str]) -> Known:
    """Which of our columns a cell of a header names, under a mapping."""
    ours = names_known(OURS)
    once = {plain_name(before): now for before, now in ONCE_CALLED.items()}
    mapped = once | {plain_name(theirs): name for theirs, name in mapping.items()}
    return lambda cell: mapped.get(plain_name(cell)) or ours(cell)


def columns_of(path: Path, line: int, header: Sequence[str], mapping: Mapping[str, str]) -> list[str]:
    """The header in our names; a column that is none of ours keeps its own. Raises BadTable bad_mapping."""
    there = {plain_name(theirs) for theirs in header}
    missing = [theirs for theirs in mapping if plain_name(theirs) not in there]
    if missing:
        found = ", ".join(filter(None, header))
        raise _wrong(f"{path}: no column {missing[0]!r}; found: {found}", "write it as in the table")
    known = known_under(mapping)
    columns = [known(theirs) or theirs for theirs in header]
    twice = sorted({name for name in columns if name and columns.count(name) > 1})
    if twice and twice[0] in mapping.values():
        raise _wrong(f"{path}: two columns would be {twice[0]!r}", "map one of them to another, or rename it")
    if twice:
        why = f"{path} line {line}: two columns are called {twice[0]}"
        raise BadTable("duplicate_column", why, "rename one of them")
    return columns


def lacking(columns: Sequence[str]) -> list[str]:
    """Needed columns that are not there."""
    return [name for name in REQUIRED if name not in columns]


def missing_columns(path: Path, line: int, columns: Sequence[str]) -> BadTable:
    """The error for a table that lacks columns: with what each was probably meant to be."""
    missing, hints = lacking(columns), suggestions(columns)
    why = f"{path} line {line}: no column {', '.join(missing)}; found: {', '.join(filter(None, columns)) or 'nothing'}"
    if not hints:
        return BadTable("missing_column", why, "add what is missing, or say what a column means: --map sitter=subject")
    asked = "; ".join(f"{theirs}: did you mean {ours}?" for theirs, ours in hints.items())
    options = " ".join(f"--map {_quoted(f'{theirs}={ours}')}" for theirs, ours in hints.items())
    rest = [name for name in missing if name not in hints.values()]
    more = f"; and add {', '.join(rest)}" if rest else ""
    return BadTable("missing_column", f"{why}. {asked}", f"rename the columns, or enrol with {options}{more}")


def suggestions(columns: Sequence[str]) -> dict[str, str]:
    """Their column -> the one of ours that is missing and that it was probably meant to be.

    >>> suggestions(["record_id", "sitter", "captoin", "shelf"])
    {'captoin': 'caption', 'sitter': 'subject'}
    """
    strange = [name for name in columns if name and name not in OURS]
    return nearest(strange, lacking(columns), MEANT)


def nearest(strange: Sequence[str], missing: Sequence[str], meant: Mapping[str, Sequence[str]]) -> dict[str, str]:
    """Columns that are not known -> the missing one that each was probably meant to be, by its spelling or by what
    people call it. meant: what they call the missing ones.

    >>> nearest(["foto", "price"], ["image"], {"image": ["photo", "picture"]})
    {'foto': 'image'}
    """
    found = dict[str, str]()
    for ours in reversed(missing):
        spelt = _spelt_like(strange, ours, OWN_SPELLING)
        named = [theirs for word in meant.get(ours, ()) for theirs in _spelt_like(strange, word, OTHER_SPELLING)]
        best = next((theirs for theirs in (*spelt, *named) if theirs not in found), "")
        if best:
            found[best] = ours
    return found


OWN_SPELLING, OTHER_SPELLING = 0.75, 0.85
"""How alike two spellings are, 0 to 1 (difflib's ratio), for one to be taken for a slip in the other: in a column's own
name, and in another word for it, where 'price' must not pass for 'picture'. Own choice."""


def _spelt_like(strange: Sequence[str], word: str, least: float) -> list[str]:
    """The column whose spelling is nearest to a word, if any is near enough; 'foto' sounds as 'photo' does."""
    heard = {theirs: plain_name(theirs).replace("ph", "f") for theirs in strange}
    near = get_close_matches(word.replace("ph", "f"), heard.values(), 1, least)
    return [theirs for theirs in strange if heard[theirs] in near]


def _quoted(text: str) -> str:
    return f"'{text}'" if " " in text else text


def _wrong(why: str, remedy: str) -> BadTable:
    return BadTable("bad_mapping", why, remedy)
