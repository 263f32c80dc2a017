"""The addresses of the log: decisions listed, shown, and made.

Reading needs the scope read. Writing needs an Idempotency-Key (a repeated request gets the same decision) and If-Match
with the ETag of what was seen (nobody overwrites what they have not looked at).
"""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request, Response

from api.access import MayRead, allow
from api.curation import shapes
from api.curation.decision_requests import Wish, carry_out, scope_of
from api.curation.preconditions import (
    answered_with,
    asked_before,
    current_tag,
    hash_of,
    headers_given,
    own_key,
    unchanged_since,
)
from api.parameters import KeyHeader, MatchHeader, PathNumber
from api.problems import ACCESS, CLASHES, MISSING, STORAGE, WRITING, documented
from api.service import ServiceNow, Turn
from matcher.catalogue import Catalogue
from matcher.catalogue.finds import resolution
from matcher.catalogue.log.decisions import AskedBefore, DecisionRow, as_json, count

router = APIRouter(prefix="/v1")


@router.get("/decisions", operation_id="list_decisions", summary="List the log",
            responses=documented("validation", *ACCESS, *STORAGE))  # fmt: skip
def list_decisions(
    service: ServiceNow, _: MayRead, response: Response, query: Annotated[shapes.DecisionsQuery, Query()]
) -> shapes.DecisionPage:
    """Decisions, the newest first; the ETag is the log's."""
    response.headers["ETag"] = current_tag(service.catalogue, "log")
    rows = service.catalogue.decisions(
        about=None if query.about is None else _with_finds(service.catalogue, query.about), actor=query.actor,
        actions=[query.action] if query.action else (), limit=query.limit, offset=query.offset, newest_first=True,
    )  # fmt: skip
    with service.catalogue.reading() as connection:
        total = count(connection)
    return shapes.DecisionPage(total=total, items=[decision_shape(row) for row in rows])


@router.get("/decisions/{number}", operation_id="show_decision", summary="Show one decision with its changes",
            responses=documented("no_such_decision", "validation", *ACCESS, *STORAGE))  # fmt: skip
def show_decision(service: ServiceNow, _: MayRead, number: PathNumber) -> shapes.Decision:
    return decision_shape(service.catalogue.decision(number))


@router.post("/decisions", operation_id="decide", summary="Take a decision: accept, merge, split, edit, undo, ...",
             status_code=201,
             dependencies=[Turn],
             responses=documented("validation", "missing_value", "no_name", *MISSING, *CLASHES, "precondition_needed",
                                  "changed_since", "bad_request", "body_too_large", *WRITING))  # fmt: skip
def decide(
    request: Request, service: ServiceNow, wish: Wish, key: KeyHeader = None, if_match: MatchHeader = None
) -> shapes.Decision:
    """One decision by the person who asks. `action` says which; If-Match names the find or record, or the log."""
    who = allow(request, scope_of(wish), wish.by)
    key, if_match = headers_given(key, if_match)
    key, request_hash = own_key(request, key), hash_of(wish)
    earlier = asked_before(service.catalogue, key, request_hash)
    if earlier is not None:
        return decision_shape(earlier)
    given = {"idempotency": (key, request_hash), "check": unchanged_since(wish, if_match)}
    try:
        return decision_shape(carry_out(service.catalogue, wish, who, given))
    except AskedBefore as before:
        return decision_shape(answered_with(service.catalogue, before, request_hash))


def _with_finds(catalogue: Catalogue, about: str) -> list[str]:
    """What was decided about a record began with the finds that became it."""
    return [about, *(row.find_id for row in resolution.finds(catalogue, record_id=about))]


def decision_shape(row: DecisionRow) -> shapes.Decision:
    """An entry of the log as it is answered."""
    return shapes.Decision.model_validate({**as_json(row), "standing": row.standing, "brought_by": row.brought_by})
