"""Who asks, and what they may: a bearer token in, the person whose name the log will show out.

A service for this machine only asks for no token; whoever is at this machine decides under the name they give. As
soon as the service listens beyond loopback every address needs a token, and its scope must allow what is asked.
"""

from __future__ import annotations

from typing import Annotated, cast

from fastapi import Depends, Request

from api.board import Given
from api.problems import Problem
from matcher.catalogue import Catalogue
from matcher.catalogue.log.decisions import Actor, person, whoever_runs_this
from matcher.catalogue.tokens import RANK, Scope, TokenRow, signed_in, token_of

COOKIE = "platekin_session"
"""A browser's own secret, see `session`."""

CHALLENGE = {"WWW-Authenticate": 'Bearer realm="platekin"'}


async def may_read(request: Request) -> None:
    """On the loop: who asks was looked up before (`middleware.TokenFirst`). Raises Problem no_token, not_allowed."""
    allow(request, "read")


def allow(request: Request, scope: Scope, by: str | None = None) -> Actor:
    """Who asks, if they may. by: the name that a person at this machine gives; a token's own name goes before it.

    Raises Problem no_token, not_allowed, and CatalogueError no_name.
    """
    token = held(request)
    if token is None:
        return person(by) if by is not None else whoever_runs_this()
    if RANK[token.scope] < RANK[scope]:
        raise Problem("not_allowed", f"The token of {token.name} allows to {token.scope}; this needs {scope}.")
    return person(token.name)


def scope_held(request: Request) -> Scope:
    """What the one who asks may do; whoever is at this machine may do everything. Raises Problem no_token."""
    token = held(request)
    return token.scope if token is not None else "manage"


def held(request: Request) -> TokenRow | None:
    """The right that came with the request; None where none came and none is needed. Raises Problem no_token.

    Looked up once a request, before its body is read, and kept with it.
    """
    state = request.scope.setdefault("state", {})
    if "held" not in state:
        state["held"] = _looked_up(request)
    return cast(TokenRow | None, state["held"])


async def held_at_once(request: Request) -> TokenRow | None:
    """As `held`, without waiting for a thread that others use: for an address that is to be answered at once."""
    state = request.scope.setdefault("state", {})
    if "held" not in state:
        given = _given(request)
        state["held"] = None if given is None else await request.app.state.service.board.caller(given)
    return cast(TokenRow | None, state["held"])


def look_up(catalogue: Catalogue, given: Given) -> TokenRow:
    """Whose token, or browser's cookie, this is. Raises Problem no_token."""
    kind, _, token = given.header.partition(" ")
    if not given.header:
        found = signed_in(catalogue, given.cookie)
    else:
        found = token_of(catalogue, token.strip()) if kind.lower() == "bearer" else None
    if found is None:
        raise Problem("no_token", headers=CHALLENGE)
    return found


def _looked_up(request: Request) -> TokenRow | None:
    given = _given(request)
    return None if given is None else look_up(request.app.state.service.catalogue, given)


def _given(request: Request) -> Given | None:
    """None where nothing was given, and none is needed."""
    header = request.headers.get("authorization", "")
    if not header and not request.app.state.service.tokens_needed:
        return None  # not even a browser's old cookie counts then
    return Given(header, request.cookies.get(COOKIE, ""))


MayRead = Annotated[None, Depends(may_read)]
