"""What must hold before something is written: that it was not asked before, and has not changed since it was seen.

Idempotency-Key: a request that comes again is answered with the decision it led to. If-Match: the entity tags of finds,
records and the log, as their addresses answer them.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from typing import Any, Literal

from fastapi import Request
from sqlalchemy import select

from api.access import held
from api.curation.decision_requests import AboutFind, AboutRecord, Deciding
from api.problems import Problem
from matcher.catalogue import Catalogue
from matcher.catalogue.log.changes import Draft, canonical
from matcher.catalogue.log.decisions import AskedBefore, DecisionRow, last
from matcher.catalogue.tables.finds import Find
from matcher.catalogue.tables.models import Record, Reference
from matcher.catalogue.tables.service import RequestKey


def tag_from(value: Any) -> str:
    """An entity tag that is another one as soon as the value is."""
    return f'"{hashlib.sha256(canonical(value).encode()).hexdigest()[:32]}"'


def tag_of(draft: Draft, kind: Literal["find", "record", "log"], name: str = "") -> str:
    """The entity tag of a find, of a record with its references, or of the log: another as soon as they change."""
    if kind == "log":
        return tag_from(last(draft.connection))
    if kind == "find":
        return tag_from(draft.row(Find, name))
    return tag_from([draft.row(Record, name), draft.rows(Reference, record_id=name)])


def current_tag(catalogue: Catalogue, kind: Literal["find", "record", "log"], name: str = "") -> str:
    """`tag_of` the catalogue as it is now."""
    with catalogue.reading() as connection:
        return tag_of(Draft(connection), kind, name)


def tags_in(if_match: str) -> set[str]:
    """The entity tags that an If-Match header names; `*` for any (RFC 9110, 13.1.1).

    >>> sorted(tags_in('"a", "b"'))
    ['"a"', '"b"']
    """
    return {each.strip() for each in if_match.split(",")}


def unchanged_since(wish: Deciding | None, if_match: str) -> Callable[[Draft], None]:
    """What to check inside the transaction: that the client has seen the present state of what it decides on.

    wish: None where all of the catalogue is concerned; then it has to have seen the log's.
    """
    seen = tags_in(if_match)

    def check(draft: Draft) -> None:
        tags = {tag_of(draft, "log")}
        if isinstance(wish, AboutFind):
            tags.add(tag_of(draft, "find", wish.find_id))
        elif isinstance(wish, AboutRecord):
            tags.add(tag_of(draft, "record", wish.record_id))
        if seen != {"*"} and not tags & seen:
            raise Problem("changed_since")

    return check


def hash_of(wish: Deciding) -> str:
    """What is kept with an Idempotency-Key, to know the same request again."""
    return hashlib.sha256(canonical(wish.model_dump(mode="json")).encode()).hexdigest()


def headers_given(key: str | None, if_match: str | None) -> tuple[str, str]:
    """Both headers that a decision needs. Raises Problem key_needed, precondition_needed."""
    if key is None:
        raise Problem("key_needed")
    if if_match is None:
        raise Problem("precondition_needed")
    return key, if_match


def asked_before(catalogue: Catalogue, key: str, request: str) -> DecisionRow | None:
    """The decision that this key was answered with. request: hash of the request.

    Raises Problem bad_key where the key was for another request.
    """
    with catalogue.reading() as connection:
        row = connection.execute(
            select(RequestKey.request, RequestKey.decision).where(RequestKey.key == key)
        ).one_or_none()
    return None if row is None else answered_with(catalogue, AskedBefore(row.decision, row.request), request)


def answered_with(catalogue: Catalogue, before: AskedBefore, request: str) -> DecisionRow:
    """The decision that a request under the same key led to, at the same moment too. Raises Problem bad_key."""
    if before.request != request:
        raise Problem("bad_key")
    return catalogue.decision(before.number)


def own_key(request: Request, key: str) -> str:
    """The key as it is kept: two people may happen to use the same; at this machine nobody is told apart."""
    token = held(request)
    return key if token is None else f"{hashlib.sha256(token.name.encode()).hexdigest()[:16]}:{key}"
