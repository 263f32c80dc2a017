"""Signing in from a browser: a token in, a cookie out that stands for it, and is another secret.

A page cannot send a header with every picture it shows; a cookie comes with all of them. It is HttpOnly (no script
reads it) and SameSite=Strict (no other site can use it). It ends with its token, and when one signs out.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

from fastapi import APIRouter, Depends, Request, Response
from pydantic import BaseModel, ConfigDict, Field, StringConstraints, model_validator

from api.access import CHALLENGE, COOKIE, allow, may_read, scope_held
from api.parameters import few_keys
from api.problems import ACCESS, STORAGE, Problem, documented
from api.service import ServiceNow
from matcher.catalogue import tokens
from matcher.catalogue.tokens import Scope, token_of

router = APIRouter(prefix="/v1")


class SignIn(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)
    few_keys = model_validator(mode="before")(few_keys)
    token: Annotated[str, StringConstraints(min_length=1, max_length=200, pattern=r"^[\x21-\x7e]+$")]


class Session(BaseModel):
    name: str = Field(description="The name under which decisions are noted.")
    scope: Scope
    tokens_needed: bool


@router.get("/session", operation_id="show_session", summary="Say who is asking",
            dependencies=[Depends(may_read)],
            responses=documented("no_name", *ACCESS, *STORAGE))  # fmt: skip
def show(request: Request, service: ServiceNow) -> Session:
    return Session(name=allow(request, "read").name, scope=scope_held(request), tokens_needed=service.tokens_needed)


@router.post("/session", operation_id="sign_in", summary="Sign in with a token", status_code=201,
             responses=documented("validation", "bad_request", "body_too_large", "no_token", *STORAGE))  # fmt: skip
def sign_in(request: Request, response: Response, service: ServiceNow, wish: SignIn) -> Session:
    """Sets a cookie that stands for the token until it ends, for at most two weeks."""
    held = token_of(service.catalogue, wish.token)
    if held is None:
        raise Problem("no_token", "This token is not known here, has ended, or was revoked.", headers=CHALLENGE)
    secret, until = tokens.sign_in(service.catalogue, held.name)
    secure = request.url.scheme == "https"
    longest = int((until - datetime.now(UTC)).total_seconds())
    response.set_cookie(COOKIE, secret, longest, httponly=True, samesite="strict", secure=secure, path="/")
    return Session(name=held.name, scope=held.scope, tokens_needed=service.tokens_needed)


@router.delete("/session", operation_id="sign_out", summary="Sign out", status_code=204,
               responses=documented(*STORAGE))  # fmt: skip
def sign_out(request: Request, response: Response, service: ServiceNow) -> None:
    secret = request.cookies.get(COOKIE)
    if secret:
        tokens.sign_out(service.catalogue, secret)
    response.delete_cookie(COOKIE, path="/", httponly=True, samesite="strict")
