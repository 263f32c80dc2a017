"""Decisions in words: what one changed, and what undoing it takes back."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from matcher.catalogue.log.changes import Change
from matcher.catalogue.log.decisions import DecisionRow

TOLD = 8
NAMES = {
    "records": "record", "references": "reference", "copies": "copy", "finds": "find", "sightings": "sighting",
    "spellings": "spelling", "series": "series", "pose_frames": "pose", "crop_windows": "crop",
}  # fmt: skip
"""Tables as people call what they hold."""

UNTOLD = ("evidence", "facts", "quad", "outline", "sha256", "suffix", "extra")
"""Fields that say nothing to a reader."""


def changes_told(changes: Iterable[Change]) -> Iterator[str]:
    """Each change on a line: 'record V00003 new', 'record V00003: caption 'A' became 'B''."""
    for change in changes:
        name = f"{NAMES.get(change.table, change.table)} {' '.join(map(str, change.key))}"
        if change.before is None:
            yield f"{name} is new"
        elif change.after is None:
            yield f"{name} is gone"
        else:
            yield f"{name}: {_fields(change.before, change.after)}"


def takes_back(rows: Sequence[DecisionRow]) -> list[str]:
    """What undoing these decisions takes back, in at most some lines."""
    lines = []
    for row in rows:
        lines.append(f"decision {row.number} of {row.at:%Y-%m-%d %H:%M} by {row.by}: {row.action} {row.about}".rstrip())
        changes = [change.inverse() for change in reversed(row.changes)]
        lines += [f"  {words}" for words in changes_told(changes)]
    return lines if len(lines) <= TOLD else [*lines[:TOLD], f"and {len(lines) - TOLD} lines more"]


def _fields(before: Mapping[str, Any], after: Mapping[str, Any]) -> str:
    told = [
        f"{name} {_shown(before.get(name))} became {_shown(after.get(name))}"
        for name in after
        if name not in UNTOLD and before.get(name) != after.get(name)
    ]
    return ", ".join(told) or "what was measured on it changed"


def _shown(value: Any) -> str:
    return "nothing" if value in (None, "") else repr(value) if isinstance(value, str) else str(value)
