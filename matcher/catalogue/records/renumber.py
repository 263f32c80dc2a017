"""Somebody else's ids in, free ids of this catalogue out: their V00017 and P0003 are not ours of the same name.

A record of which the catalogue holds a picture already keeps the id that it has here, and so does its pose; so the same
table may come again, and changes nothing.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

from matcher.catalogue.records.table import Table
from matcher.catalogue.tables.models import RecordRow


@dataclass(frozen=True)
class Renumbered:
    """The table under ids of this catalogue, and theirs -> ours for records and for poses."""

    table: Table
    records: Mapping[str, str]
    poses: Mapping[str, str]


def renumber(table: Table, records: Iterable[RecordRow], held: Mapping[int, str]) -> Renumbered:
    """held: by the line of a row whose picture is a reference already, the record that has it."""
    known = {record.record_id: record for record in records}
    ours: dict[str, str] = {}
    poses: dict[str, str] = {}
    for row in table.rows:
        here = held.get(row.line)
        if here in known:
            ours.setdefault(row.record_id, here)
            poses.setdefault(row.pose, known[here].pose)
    free_ids = _free("V00001", known)
    free_poses = _free("P0001", {record.pose for record in known.values()})
    for row in table.rows:
        if row.record_id not in ours:
            ours[row.record_id] = next(free_ids)
        if row.pose not in poses:
            poses[row.pose] = next(free_poses)
    rows = tuple(replace(row, record_id=ours[row.record_id], pose=poses[row.pose]) for row in table.rows)
    return Renumbered(replace(table, rows=rows), ours, poses)


def _free(first: str, taken: Collection[str]) -> Iterator[str]:
    """Ids after the highest of the commonest beginning; `first` and on where none ends in a number."""
    found = [match for name in taken if (match := re.fullmatch(r"(.*?)(\d{1,9})", name))]
    beginnings = [match[1] for match in found]
    prefix = max(sorted(set(beginnings)), key=beginnings.count, default=first.rstrip("0123456789"))
    own = [match[2] for match in found if match[1] == prefix]
    digits = max(map(len, own), default=len(first) - len(prefix))
    number = max(map(int, own), default=0)
    while True:
        number += 1
        yield f"{prefix}{number:0{digits}d}"


def moved(done: Renumbered) -> list[str]:
    """What was given another id, in words."""
    return [
        f"{what} {theirs} became {ours}"
        for what, mapping in (("record", done.records), ("pose", done.poses))
        for theirs, ours in mapping.items()
        if theirs != ours
    ]
