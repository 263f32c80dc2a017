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
from matcher.catalogue.tokens import RANK, Scope, TokenRow, signed_in, token_of

COOKIE = "platekin_session"
"""A browser's own secret, see `session`."""

CHALLENGE = {"WWW-Authenticate": 'Bearer realm="platekin"'}


def may_read(request: Request) -> None:
    """Raises Problem no_token, not_allowed."""
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


def _looked_up(request: Request) -> TokenRow | None:
    service = request.app.state.service
    given = request.headers.get("authorization", "")
    if not given and not service.tokens_needed:
        return None  # not even a browser's old cookie counts then
    catalogue = cast(Catalogue, service.catalogue)
    kind, _, token = given.partition(" ")
    if not given:
        found = signed_in(catalogue, request.cookies.get(COOKIE, ""))
    else:
        found = token_of(catalogue, token.strip()) if kind.lower() == "bearer" else None
    if found is None:
        raise Problem("no_token", headers=CHALLENGE)
    return found


MayRead = Annotated[None, Depends(may_read)]
