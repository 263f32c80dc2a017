"""Who may use the HTTP service: tokens made, checked and taken away. Only their SHA-256 is stored.

A token is 256 bits of chance, so that a plain hash is as good as a slow one: there is nothing to guess.
"""

from __future__ import annotations

import hashlib
import secrets
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Literal

from sqlalchemy import delete, insert, select

from matcher.catalogue.records.store import PATIENCE, Catalogue
from matcher.catalogue.tables.service import Token
from matcher.core.errors import CatalogueError

Scope = Literal["read", "decide", "manage"]
RANK: dict[str, int] = {"read": 0, "decide": 1, "manage": 2}
"""Each scope allows what those before it allow."""


@dataclass(frozen=True)
class TokenRow:
    """A right to use the service, under the name that the log will show."""

    name: str
    scope: Scope
    made_at: datetime


def make_token(catalogue: Catalogue, name: str, scope: Scope) -> str:
    """A new token, shown this once. Raises CatalogueError clash, no_name."""
    if not name.strip() or len(name) > 64 or not name.isprintable():
        raise CatalogueError("no_name", "a token needs the name of who uses it", "give up to 64 letters")
    token = f"pk_{secrets.token_urlsafe(32)}"
    with catalogue.writing(PATIENCE), catalogue.replaying() as connection:
        if connection.execute(select(Token.name).where(Token.name == name)).first():
            raise CatalogueError("clash", f"there is a token for {name} already", "revoke it first, or name another")
        connection.execute(
            insert(Token).values(name=name, scope=scope, digest=_digest(token), made_at=datetime.now(UTC))
        )
    return token


def revoke_token(catalogue: Catalogue, name: str) -> None:
    """Take a person's right away, at once. Raises CatalogueError no_such_token."""
    with catalogue.writing(PATIENCE), catalogue.replaying() as connection:
        if not connection.execute(delete(Token).where(Token.name == name)).rowcount:
            raise CatalogueError("no_such_token", f"no token for {name}", "list the tokens")


def tokens(catalogue: Catalogue) -> tuple[TokenRow, ...]:
    """Who may use the service, by name; the tokens themselves are kept nowhere."""
    with catalogue.reading() as connection:
        query = select(Token.name, Token.scope, Token.made_at).order_by(Token.name)
        return tuple(TokenRow(**row._mapping) for row in connection.execute(query))


def token_of(catalogue: Catalogue, given: str) -> TokenRow | None:
    """Whose token this is, looked up by its hash."""
    query = select(Token.name, Token.scope, Token.made_at).where(Token.digest == _digest(given))
    with catalogue.reading() as connection:
        row = connection.execute(query).one_or_none()
    return TokenRow(**row._mapping) if row else None


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()
