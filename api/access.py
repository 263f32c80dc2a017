"""Who asks, and what they may: a bearer token in, the person whose name the log will show out.

A service for this machine only asks for no token; whoever is at this machine decides under the name they give. As
soon as the service listens beyond loopback every address needs a token, and its scope must allow what is asked.
"""

from __future__ import annotations

from typing import Annotated, cast

from fastapi import Depends, Request

from api.problems import Problem
from matcher.catalogue import Catalogue
from matcher.catalogue.log.decisions import Actor, person, whoever_runs_this
from matcher.catalogue.tokens import RANK, Scope, TokenRow, token_of

COOKIE = "platekin_token"
"""A browser's token, see `session`."""

CHALLENGE = {"WWW-Authenticate": 'Bearer realm="platekin"'}


def may_read(request: Request) -> None:
    """Raises Problem no_token, not_allowed."""
    allow(request, "read")


def allow(request: Request, scope: Scope, by: str | None = None) -> Actor:
    """Who asks, if they may. by: the name that a person at this machine gives; a token's own name goes before it.

    Raises Problem no_token, not_allowed, and CatalogueError no_name.
    """
    held = _held(request)
    if held is None:
        return person(by) if by is not None else whoever_runs_this()
    if RANK[held.scope] < RANK[scope]:
        raise Problem("not_allowed", f"The token of {held.name} allows to {held.scope}; this needs {scope}.")
    return person(held.name)


def scope_held(request: Request) -> Scope:
    """What the one who asks may do; whoever is at this machine may do everything. Raises Problem no_token."""
    held = _held(request)
    return held.scope if held is not None else "manage"


def _held(request: Request) -> TokenRow | None:
    """The token that came with the request; None where none came and none is needed. Raises Problem no_token."""
    service = request.app.state.service
    given = request.headers.get("authorization", "")
    if not given and not service.tokens_needed:
        return None  # not even a browser's old cookie counts then
    kind, _, token = given.partition(" ") if given else ("bearer", "", request.cookies.get(COOKIE, ""))
    held = token_of(cast(Catalogue, service.catalogue), token.strip()) if kind.lower() == "bearer" else None
    if held is None:
        raise Problem("no_token", headers=CHALLENGE)
    return held


MayRead = Annotated[None, Depends(may_read)]
