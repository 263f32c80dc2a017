"""Ids that end in a number, as V00017: every id that a row gets in, the next free one out.

The highest number of each beginning is kept, so that the next id costs the same however many records there are. It
never goes down: what an undone decision was called is not given to something else.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from sqlalchemy import Connection, case, insert, select, update

from matcher.catalogue.tables.bookkeeping import Naming

_NUMBERED = re.compile(r"(.*?)(\d{1,18})", re.DOTALL)
"""Longer numbers are nobody's counting, and no database's integers."""


def remember(connection: Connection, names: Iterable[tuple[str, str]]) -> None:
    """Take note of ids that are in use from now on: pairs of kind ('record' or 'pose') and id."""
    numbered: dict[tuple[str, str], list[str]] = {}
    for kind, name in names:
        if match := _NUMBERED.fullmatch(name):
            numbered.setdefault((kind, match[1]), []).append(match[2])
    for (kind, prefix), written in numbered.items():
        same = (Naming.kind == kind) & (Naming.prefix == prefix)
        highest = max(written, key=int)  # of equal ones the first
        higher = Naming.last < int(highest)
        known = connection.execute(
            update(Naming).where(same).values(
                times=Naming.times + len(written),
                digits=case((higher, len(highest)), else_=Naming.digits),
                last=case((higher, int(highest)), else_=Naming.last),
            )
        )  # fmt: skip
        if not known.rowcount:
            new = {"digits": len(highest), "last": int(highest), "times": len(written)}
            connection.execute(insert(Naming).values(kind=kind, prefix=prefix, **new))


def next_name(connection: Connection, kind: str, first: str) -> str:
    """The id after the highest of the commonest beginning, or `first` where none ends in a number."""
    query = select(Naming.prefix, Naming.digits, Naming.last).where(Naming.kind == kind)
    row = connection.execute(query.order_by(Naming.times.desc(), Naming.prefix).limit(1)).first()
    return first if row is None else f"{row.prefix}{row.last + 1:0{row.digits}d}"
