"""Ids that end in a number, as V00017: every id that a row gets in, the next free one out.

The highest number of each beginning is kept, so that the next id costs the same however many records there are. It
never goes down: what an undone decision was called is not given to something else.
"""

from __future__ import annotations

import re

from sqlalchemy import Connection, case, insert, select, update

from matcher.catalogue.tables.log import IdPrefix

_NUMBERED = re.compile(r"(.*?)(\d{1,18})", re.DOTALL)
"""Longer numbers are nobody's counting, and no database's integers."""


def keep_id(connection: Connection, kind: str, name: str) -> None:
    """Take note of an id that is in use from now on. kind: 'record' or 'pose'."""
    match = _NUMBERED.fullmatch(name)
    if match is None:
        return
    prefix, written = match.groups()
    higher = IdPrefix.last < int(written)
    known = connection.execute(
        update(IdPrefix).where(IdPrefix.kind == kind, IdPrefix.prefix == prefix).values(
            times=IdPrefix.times + 1,
            digits=case((higher, len(written)), else_=IdPrefix.digits),
            last=case((higher, int(written)), else_=IdPrefix.last),
        )
    )  # fmt: skip
    if not known.rowcount:
        new = {"digits": len(written), "last": int(written), "times": 1}
        connection.execute(insert(IdPrefix).values(kind=kind, prefix=prefix, **new))


def next_id(connection: Connection, kind: str, first: str) -> str:
    """The id after the highest of the commonest beginning, or `first` where none ends in a number."""
    query = select(IdPrefix.prefix, IdPrefix.digits, IdPrefix.last).where(IdPrefix.kind == kind)
    row = connection.execute(query.order_by(IdPrefix.times.desc(), IdPrefix.prefix).limit(1)).first()
    return first if row is None else f"{row.prefix}{row.last + 1:0{row.digits}d}"
