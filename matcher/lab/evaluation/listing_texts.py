"""Listings that are written by the set: a picture's truth and the words in, texts with the truth of every claim out.

A third contradict the picture in one claim. Wordings, orders, capitals, misspellings and sentences about other things
come from the list of words; what is claimed comes from the picture, or, where it contradicts, from another record.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from matcher.lab.evaluation.listing_set import ListingSet
from matcher.lab.evaluation.plan import PlannedQuery, PlannedRecord

Truth = Literal["agrees", "contradicts", "cannot be told", "open"]
"""'open': neither is wrong, except to contradict."""

CONTRADICTED = 3
"""One listing in three contradicts its picture."""

WHAT: tuple[tuple[str, float], ...] = (
    ("pose", 0.8), ("crop", 0.55), ("club", 0.45), ("caption", 0.4), ("condition", 0.7), ("second condition", 0.35),
    ("year", 0.35), ("size", 0.2), ("count", 0.25), ("unlisted", 0.08), ("idle", 0.7),
)  # fmt: skip
"""How often a listing speaks of each; it always names the subject."""

_LETTERS = "abcdefghiklmnoprstuvwy"


@dataclass(frozen=True)
class Stated:
    """One claim that a text makes. value: as the reader should give it. denied: that it is not so."""

    kind: str
    value: str
    truth: Truth
    denied: bool = False


@dataclass(frozen=True)
class Text:
    """A listing of one picture. also: what may be read besides, without being asked for."""

    name: str
    query: PlannedQuery
    text: str
    stated: tuple[Stated, ...]
    also: tuple[tuple[str, str], ...] = ()


def texts_of(made: ListingSet, each: int, seed: int) -> Iterator[Text]:
    """`each` listings of every picture."""
    number = lies = 0
    for k in range(each):
        for query in made.plan.queries:
            rng = np.random.default_rng([seed, 81, number])
            # What is not enrolled cannot be contradicted: the others make up for it.
            wrong = query.kind not in ("near_pose", "unknown") and CONTRADICTED * lies <= number
            yield _Writer(made, query, rng).write(f"{query.query_id}-{k}", wrong)
            number, lies = number + 1, lies + wrong


class _Writer:
    """Writes one listing of one picture."""

    def __init__(self, made: ListingSet, query: PlannedQuery, rng: np.random.Generator) -> None:
        self._made, self._query, self._rng = made, query, rng
        self._shows = query.copy.shows
        self._strange = query.kind in ("near_pose", "unknown")
        self._records = {record.record_id: record for record in made.plan.records}
        self._like = self._described_record()
        self._stated: list[Stated] = []
        self._also: list[tuple[str, str]] = []

    def write(self, name: str, wrong: bool) -> Text:
        lie = self._choose_lie() if wrong else ""
        slots: dict[str, list[str]] = {"subject": [self._subject(lie == "subject")]}
        for what, share in WHAT:
            slot = "condition" if what == "second condition" else what
            if what == lie or self._rng.random() < share:
                said = self._say(slot, what == lie)
                if said:
                    slots.setdefault(slot, []).append(said)
        text = self._garbled(self._set(slots))
        return Text(name, self._query, text, tuple(self._stated), tuple(self._also))

    def _described_record(self) -> PlannedRecord:
        """The record whose words the seller would use: the one shown, or one of the same sitter, or any."""
        own = self._records.get(self._query.record_id)
        same = [r for r in self._records.values() if (r.shows.pose, r.shows.crop_name) == self._of_picture()]
        sitter = [r for r in self._records.values() if r.shows.negative.sitter == self._shows.negative.sitter]
        pool = same or [r for r in sitter if r.shows.pose == self._shows.pose] or sitter or list(self._records.values())
        return own or pool[int(self._rng.integers(len(pool)))]

    def _of_picture(self) -> tuple[str, str]:
        return self._shows.pose, self._shows.crop_name

    def _choose_lie(self) -> str:
        """Of what, pose and subject more often than the others."""
        may = ["subject", "subject"]
        may += ["pose", "pose", "pose"] if self._other_poses() else []
        may += ["crop", "crop"] if self._other_crops() else []
        may += ["caption", "caption"] if self._query.kind == "known" and self._other_captions() else []
        may += ["unlisted"] if self._query.kind == "known" else []
        return str(self._rng.choice(may))

    def _other_poses(self) -> list[str]:
        mine = self._made.poses[self._like.shows.pose]
        own = {r.shows.pose for r in self._records.values() if r.shows.negative.sitter == self._shows.negative.sitter}
        return sorted(p for p in own if p != self._shows.pose and _term(self._made.poses[p]) != _term(mine))

    def _other_crops(self) -> list[tuple[str, str]]:
        if self._query.kind == "new_crop":
            return []
        pose, crop = self._of_picture()
        return sorted(key for key in self._made.crops if key[0] == pose and key[1] != crop)

    def _other_captions(self) -> list[str]:
        own = self._shows.caption.name
        known = [r.shows.caption.name for r in self._records.values() if r.shows.pose == self._shows.pose]
        return sorted({name for name in known if name.casefold() != own.casefold()})

    def _subject(self, lie: bool) -> str:
        name = self._like.shows.negative.sitter
        if lie:
            others = sorted({r.shows.negative.sitter for r in self._records.values()} - {name})
            name = self._pick(others)
        # Another exposure shows the sitter too: who says so is right, though the negative is not known.
        strange: Truth = "open" if self._query.kind == "near_pose" else "cannot be told"
        self._state("subject", name, "contradicts" if lie else strange if self._strange else "agrees")
        return name

    def _say(self, slot: str, lie: bool) -> str:
        ways: dict[str, Callable[[bool], str]] = {
            "pose": self._pose, "crop": self._crop, "club": self._club, "caption": self._caption,
            "condition": self._condition, "year": self._year, "size": self._size, "count": self._count,
            "unlisted": self._unlisted, "idle": self._idle,
        }  # fmt: skip
        return ways[slot](lie)

    def _pose(self, lie: bool) -> str:
        pose = self._pick(self._other_poses()) if lie else self._like.shows.pose
        entry = self._made.poses[pose]
        truth: Truth = "contradicts" if lie else "cannot be told" if self._strange else "agrees"
        self._state("pose", _term(entry), truth)
        return ", ".join([self._pick(entry["say"]), *self._details(pose, lie)])

    def _details(self, pose: str, lie: bool) -> Iterator[str]:
        """What else is said of the pose that the seller means: what describes it, and what nobody has described."""
        if not self._made.details:
            return
        told, silent = self._made.details[pose]
        own = {entry["described"] for entry in self._made.details[self._like.shows.pose]}
        truth: Truth = "open" if told["described"] in own else "contradicts"
        truth = truth if lie else "cannot be told" if self._strange else "agrees"
        self._state("pose", told["described"], truth)
        yield self._pick(told["say"])
        if not lie:
            self._state("pose", silent["described"], "cannot be told")
            yield self._pick(silent["say"])

    def _crop(self, lie: bool) -> str:
        own = self._like.shows.pose, self._like.shows.crop_name
        others = self._other_crops()
        entry = self._made.crops[others[int(self._rng.integers(len(others)))] if lie else own]
        known = self._query.kind in ("known", "new_caption")
        self._state("crop", _term(entry), "contradicts" if lie else "agrees" if known else "cannot be told")
        return self._pick(entry["say"])

    def _club(self, lie: bool) -> str:
        club = self._like.shows.caption.club
        truth: Truth = "agrees" if self._query.kind == "known" else "cannot be told" if self._strange else "open"
        self._state("club", club, truth)
        return club

    def _caption(self, lie: bool) -> str:
        name = self._pick(self._other_captions()) if lie else self._shows.caption.name
        if self._strange:
            name = self._like.shows.caption.name
        known = self._query.kind == "known"
        self._state("caption", name, "contradicts" if lie else "agrees" if known else "cannot be told")
        self._also.append(("subject", self._like.shows.negative.sitter))
        return self._pick(self._words("captions")).replace("{}", name)

    def _condition(self, lie: bool) -> str:
        contrast = self._query.copy.age.residual_contrast
        said = {value for kind, value in ((s.kind, s.value) for s in self._stated) if kind == "condition"}
        may = [v for v in self._words("conditions") if v not in said]
        may = [v for v in may if (v != "faded" or contrast <= 0.3) and (v != "strong image" or contrast >= 0.8)]
        denied = [v for v in self._words("denied") if v not in said]
        if denied and self._rng.random() < 0.25:
            value = self._pick(denied)
            self._state("condition", value, "open" if value == "trimmed" else "cannot be told", True)
            return self._pick(self._words("denied")[value])
        value = self._pick(may)
        measured = value in ("faded", "strong image", "trimmed")
        self._state("condition", value, "open" if measured else "cannot be told")
        return self._pick(self._words("conditions")[value])

    def _year(self, lie: bool) -> str:
        year = self._made.years[self._like.record_id]
        truth: Truth = "agrees" if self._query.kind == "known" else "open"
        if self._made.details and self._rng.random() < 0.5:
            year, truth = year + int(self._rng.integers(1, 6)), "open"
        self._state("year", str(year), truth)
        return self._pick(self._words("years")).replace("{}", str(year))

    def _size(self, lie: bool) -> str:
        self._state("size", "36.5 x 63.5", "cannot be told")
        return self._pick(self._words("sizes"))

    def _count(self, lie: bool) -> str:
        self._state("count", "1", "agrees")
        return self._pick(self._words("counts")["1"])

    def _unlisted(self, lie: bool) -> str:
        known = self._query.kind == "known"
        if known and not lie:
            return ""
        self._state("unlisted", "unlisted variation", "contradicts" if lie else "open")
        return self._pick(self._words("unlisted"))

    def _idle(self, lie: bool) -> str:
        return self._pick(self._words("idle"))

    def _set(self, slots: dict[str, list[str]]) -> str:
        """The slots in the order of a template; parts without a slot's words are left out."""
        templates = self._words("templates")
        left, text = {slot: list(said) for slot, said in slots.items()}, ""
        for part in templates[int(self._rng.integers(len(templates)))]:
            slot = part[part.find("{") + 1 : part.find("}")] if "{" in part else ""
            if not slot:
                text += part
            elif left.get(slot):
                text += part.replace("{" + slot + "}", left[slot].pop(0))
        return text.lstrip(" .,;-–/*\n")

    def _garbled(self, text: str) -> str:
        draw = self._rng.random()
        for _ in range(2 if draw < 0.15 else 1 if draw < 0.5 else 0):
            text = _misspelt(text, self._rng)
        draw = self._rng.random()
        return text.upper() if draw < 0.12 else text.lower() if draw < 0.24 else text

    def _state(self, kind: str, value: str, truth: Truth, denied: bool = False) -> None:
        self._stated.append(Stated(kind, value, truth, denied))

    def _words(self, name: str) -> Any:
        return self._made.words.said[name]

    def _pick(self, some: Sequence[str] | dict[str, Any]) -> str:
        listed = list(some)
        return listed[int(self._rng.integers(len(listed)))]


def _term(entry: dict[str, Any]) -> str:
    """What the reader should make of a description."""
    return str(entry.get("term", entry["described"]))


def _misspelt(text: str, rng: np.random.Generator) -> str:
    """One word of five letters or more with a letter dropped, doubled, replaced, or two swapped; never in quotes."""
    places = [(s, e) for s, e in _words_outside_quotes(text) if e - s >= 5]
    if not places:
        return text
    start, end = places[int(rng.integers(len(places)))]
    at = int(rng.integers(start + 1, end - 1))
    letter = str(rng.choice(list(_LETTERS)))
    edits = (
        text[:at] + text[at + 1 :],
        text[:at] + text[at] + text[at:],
        text[:at] + letter + text[at + 1 :],
        text[:at] + text[at + 1] + text[at] + text[at + 2 :],
    )
    return edits[int(rng.integers(len(edits)))]


def _words_outside_quotes(text: str) -> Iterator[tuple[int, int]]:
    start, quoted = -1, False
    for at, character in enumerate(f"{text} "):
        if character in "'\"" and not (
            character == "'" and at and text[at - 1].isalpha() and text[at + 1 : at + 2].isalpha()
        ):
            quoted = not quoted
        inside = character.isascii() and character.isalpha() and not quoted
        if inside and start < 0:
            start = at
        elif not inside and start >= 0:
            if "://" not in text[start : start + 12]:
                yield start, at
            start = -1
