"""What words mean: the shipped `vocabulary.json` and a catalogue's own in, terms with the phrases that say them out.

A catalogue may keep a `vocabulary.json` of its own in its folder; what it lists is added to what is shipped. Besides
the shipped sections it knows `poses` and `crops`, descriptions in words:

    {"poses": {"P0001": "standing; oar upright in the right hand"}, "crops": {"P0001": {"A": "full length"}},
     "pose": {"": {"with trident": ["trident", "fork in hand"]}}, "idle": ["freepost"]}

Descriptions may also come with the records, in the columns `pose_description` and `crop_description` of their table.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any

from matcher.catalogue import RecordRow
from matcher.catalogue.records.name_search import plain
from matcher.core.errors import BadTable, CatalogueError
from matcher.core.formats import parse_format

NAME = "vocabulary.json"
KINDS = ("pose", "crop", "condition", "unlisted", "series", "size")
PHRASE_LISTS = ("caption_leads", "issuer_leads", "negations", "hedges", "elsewhere", "promises", "rarities")
LISTS = (*PHRASE_LISTS, "idle", "literal", "fillers")
POSE_COLUMN, CROP_COLUMN = "pose_description", "crop_description"

Phrase = tuple[str, ...]


@dataclass(frozen=True)
class Term:
    """One thing that can be said. group: terms of one group exclude each other; "" is no group."""

    kind: str
    group: str
    value: str
    phrases: tuple[str, ...]


@dataclass(frozen=True)
class Vocabulary:
    """terms: by kind and value. lists: phrases by name of the list. poses, crops: descriptions, as they were written.

    crops: by (pose, crop); a pose of "*" stands for all.
    """

    terms: Mapping[tuple[str, str], Term]
    lists: Mapping[str, tuple[str, ...]]
    poses: Mapping[str, str] = field(default_factory=dict)
    crops: Mapping[tuple[str, str], str] = field(default_factory=dict)

    @classmethod
    def shipped(cls) -> Vocabulary:
        path = Path(__file__).with_name(NAME)
        return cls({}, dict.fromkeys(LISTS, ())).with_more(json.loads(path.read_text("utf-8")), path)

    @classmethod
    def of(cls, folder: Path, records: Iterable[RecordRow]) -> Vocabulary:
        """The shipped one, the folder's own, and what the records say. Raises CatalogueError bad_vocabulary."""
        return cls.shipped().described_by(records).with_file(folder / NAME)

    def with_file(self, path: Path) -> Vocabulary:
        """With what a file adds; the same where there is none. Raises CatalogueError bad_vocabulary."""
        try:
            given = json.loads(path.read_text("utf-8"))
        except FileNotFoundError:
            return self
        except (OSError, ValueError) as error:
            raise _bad(path, f"it cannot be read: {error}") from None
        return self.with_more(given, path)

    def described_by(self, records: Iterable[RecordRow]) -> Vocabulary:
        """With the records' own descriptions of poses and crops; several of one pose are joined."""
        poses, crops = dict(self.poses), dict(self.crops)
        for record in records:
            _join(poses, record.pose, record.extra.get(POSE_COLUMN, ""))
            _join(crops, (record.pose, record.crop), record.extra.get(CROP_COLUMN, ""))
        return replace(self, poses=poses, crops=crops)

    def with_more(self, given: Any, path: Path) -> Vocabulary:
        """With what a parsed file says. Raises CatalogueError bad_vocabulary, which names the place."""
        if not isinstance(given, dict):
            raise _bad(path, "it must hold one object")
        strange = sorted(set(given) - {*KINDS, *LISTS, "poses", "crops"})
        if strange:
            raise _bad(path, f"unknown section {strange[0]!r}")
        terms, lists = dict(self.terms), dict(self.lists)
        for term in _terms(given, path):
            before = terms.get((term.kind, term.value))
            said = (*before.phrases, *term.phrases) if before else term.phrases
            terms[term.kind, term.value] = replace(term, phrases=tuple(dict.fromkeys(said)))
        for name in LISTS:
            lists[name] = tuple(dict.fromkeys((*lists[name], *_texts(given.get(name, []), path, name))))
        poses, crops = dict(self.poses), dict(self.crops)
        for pose, text in _table(given.get("poses", {}), path, "poses").items():
            _join(poses, pose, _text(text, path, f"poses/{pose}"))
        for pose, known in _table(given.get("crops", {}), path, "crops").items():
            for crop, text in _table(known, path, f"crops/{pose}").items():
                _join(crops, (pose, crop), _text(text, path, f"crops/{pose}/{crop}"))
        return Vocabulary(terms, lists, poses, crops)

    @cached_property
    def fillers(self) -> frozenset[str]:
        return frozenset(self.lists["fillers"])

    @cached_property
    def idle(self) -> frozenset[str]:
        """Words that claim nothing."""
        return frozenset(word for text in (*self.lists["idle"], *self.lists["fillers"]) for word in plain(text).split())

    @cached_property
    def words(self) -> frozenset[str]:
        """Every word that has a meaning here: such a word is never taken for a misspelling of another."""
        said = (text for term in self.terms.values() for text in term.phrases)
        listed = (text for texts in self.lists.values() for text in texts)
        return frozenset(word for text in (*said, *listed) for word in plain(text).split())

    def content(self, text: str) -> Phrase:
        """The words of a phrase that carry meaning."""
        return tuple(word for word in plain(text).split() if word not in self.fillers)


def _terms(given: Mapping[str, Any], path: Path) -> Iterator[Term]:
    for kind in KINDS:
        for group, values in _table(given.get(kind, {}), path, kind).items():
            for value, said in _table(values, path, f"{kind}/{group}").items():
                if kind == "size":
                    _format(value, path, f"{kind}/{group}")
                yield Term(kind, group, value, (value, *_texts(said, path, f"{kind}/{group}/{value}")))


def _join(held: dict[Any, str], key: Any, text: str) -> None:
    parts = [part.strip() for part in (*held.get(key, "").split(";"), *text.split(";"))]
    joined = "; ".join(dict.fromkeys(part for part in parts if part))
    if joined:
        held[key] = joined


def _table(given: Any, path: Path, place: str) -> Mapping[str, Any]:
    if not isinstance(given, dict):
        raise _bad(path, f"{place} must be an object")
    return given


def _texts(given: Any, path: Path, place: str) -> tuple[str, ...]:
    if not isinstance(given, list):
        raise _bad(path, f"{place} must be a list of texts")
    return tuple(_text(each, path, place) for each in given)


def _format(given: str, path: Path, place: str) -> None:
    """Raises CatalogueError bad_vocabulary where a size is no format."""
    try:
        parse_format(given)
    except BadTable as error:
        raise _bad(path, f"{place}: {error.message}") from None


def _text(given: Any, path: Path, place: str) -> str:
    if not isinstance(given, str) or not given.strip():
        raise _bad(path, f"{place}: each entry must be a text that is not blank")
    return given


def _bad(path: Path, told: str) -> CatalogueError:
    return CatalogueError("bad_vocabulary", f"{path}: {told}", "correct it, or move the file away")
