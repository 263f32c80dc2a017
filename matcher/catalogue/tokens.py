"""Who may use the HTTP service: tokens made, checked, renewed and taken away; browsers signed in with them.

Only SHA-256 hashes are stored. A token is 256 bits of chance, so that a plain hash is as good as a slow one: there is
nothing to guess. A browser gets a secret of its own, so that its cookie is no token.
"""

from __future__ import annotations

import hashlib
import secrets
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Literal

from sqlalchemy import delete, insert, select, update

from matcher.catalogue.records.store import PATIENCE, Catalogue
from matcher.catalogue.tables.service import SignedIn, Token
from matcher.core.errors import CatalogueError

Scope = Literal["read", "decide", "manage"]
RANK: dict[str, int] = {"read": 0, "decide": 1, "manage": 2}
"""Each scope allows what those before it allow."""

SESSION = timedelta(days=14)
"""How long a browser stays signed in, if its token holds as long; own choice."""

USE_NOTED = timedelta(hours=1)
"""The last use is noted no more often: it is a write."""

_ROW = (Token.name, Token.scope, Token.made_at, Token.expires_at, Token.used_at)


@dataclass(frozen=True)
class TokenRow:
    """A right to use the service, under the name that the log will show; see `tables.service.Token`."""

    name: str
    scope: Scope
    made_at: datetime
    expires_at: datetime | None = None
    used_at: datetime | None = None

    def ended(self, now: datetime) -> bool:
        return self.expires_at is not None and self.expires_at <= now


def make_token(catalogue: Catalogue, name: str, scope: Scope, days: int | None = None) -> str:
    """A new token, shown this once. days: how long it holds. Raises CatalogueError clash, no_name."""
    if not name.strip() or len(name) > 64 or not name.isprintable():
        raise CatalogueError("no_name", "a token needs the name of who uses it", "give up to 64 letters")
    token, now = _secret("pk"), datetime.now(UTC)
    with catalogue.writing(PATIENCE), catalogue.replaying() as connection:
        if connection.execute(select(Token.name).where(Token.name == name)).first():
            raise CatalogueError("clash", f"there is a token for {name} already", "renew or revoke it, or name another")
        values = {"name": name, "scope": scope, "digest": _digest(token), "made_at": now, "expires_at": _end(now, days)}
        connection.execute(insert(Token).values(**values))
    return token


def renew_token(catalogue: Catalogue, name: str, days: int | None = None) -> str:
    """Another token in place of a person's present one, which stops working at once, in browsers too.

    Raises CatalogueError no_such_token.
    """
    token, now = _secret("pk"), datetime.now(UTC)
    values = {"digest": _digest(token), "made_at": now, "expires_at": _end(now, days), "used_at": None}
    with catalogue.writing(PATIENCE), catalogue.replaying() as connection:
        connection.execute(delete(SignedIn).where(SignedIn.token == name))
        if not connection.execute(update(Token).where(Token.name == name).values(**values)).rowcount:
            raise _no_such_token(name)
    return token


def revoke_token(catalogue: Catalogue, name: str) -> None:
    """Take a person's right away, at once, in browsers too. Raises CatalogueError no_such_token."""
    with catalogue.writing(PATIENCE), catalogue.replaying() as connection:
        connection.execute(delete(SignedIn).where(SignedIn.token == name))
        if not connection.execute(delete(Token).where(Token.name == name)).rowcount:
            raise _no_such_token(name)


def tokens(catalogue: Catalogue) -> tuple[TokenRow, ...]:
    """Who may use the service, by name; the tokens themselves are kept nowhere."""
    with catalogue.reading() as connection:
        return tuple(TokenRow(**row._mapping) for row in connection.execute(select(*_ROW).order_by(Token.name)))


def token_of(catalogue: Catalogue, given: str) -> TokenRow | None:
    """Whose token this is, looked up by its hash; None for one that is not known, or has ended."""
    return _held(catalogue, select(*_ROW).where(Token.digest == _digest(given)))


def sign_in(catalogue: Catalogue, name: str) -> tuple[str, datetime]:
    """A secret for a browser of the one who holds this token, and when it ends."""
    secret, now = _secret("ps"), datetime.now(UTC)
    with catalogue.noting() as connection:
        connection.execute(delete(SignedIn).where(SignedIn.expires_at <= now))
        ends = connection.execute(select(Token.expires_at).where(Token.name == name)).scalar_one()
        until = min(now + SESSION, ends) if ends else now + SESSION
        connection.execute(insert(SignedIn).values(digest=_digest(secret), token=name, expires_at=until))
    return secret, until


def sign_out(catalogue: Catalogue, secret: str) -> None:
    """The secret is worth nothing any more."""
    with catalogue.noting() as connection:
        connection.execute(delete(SignedIn).where(SignedIn.digest == _digest(secret)))


def signed_in(catalogue: Catalogue, secret: str) -> TokenRow | None:
    """Whose browser holds this secret; None for one that is not known, or has ended."""
    query = select(*_ROW).join(SignedIn, SignedIn.token == Token.name)
    return _held(catalogue, query.where(SignedIn.digest == _digest(secret), SignedIn.expires_at > datetime.now(UTC)))


def _held(catalogue: Catalogue, query: Any) -> TokenRow | None:
    now = datetime.now(UTC)
    with catalogue.reading() as connection:
        row = connection.execute(query).one_or_none()
    if row is None or (held := TokenRow(**row._mapping)).ended(now):
        return None
    if held.used_at is None or abs(now - held.used_at) > USE_NOTED:
        with suppress(CatalogueError), catalogue.noting() as connection:  # a catalogue that may only be read serves too
            connection.execute(update(Token).where(Token.name == held.name).values(used_at=now))
    return held


def _end(now: datetime, days: int | None) -> datetime | None:
    return None if days is None else now + timedelta(days=days)


def _secret(kind: str) -> str:
    return f"{kind}_{secrets.token_urlsafe(32)}"


def _no_such_token(name: str) -> CatalogueError:
    return CatalogueError("no_such_token", f"no token for {name}", "list them: platekin tokens list")


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()
