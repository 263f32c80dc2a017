"""What holds for every request and every answer, as plain ASGI around the application.

From the outside in: `Headers` (all answers, errors too), `LastResort` (a mistake of ours tells nothing of the
inside), `KnownHost`, `SameSite`, `BodyLimit` (before anything is parsed or decoded).
"""

from __future__ import annotations

import logging
from collections.abc import Collection
from dataclasses import dataclass

from starlette.datastructures import MutableHeaders
from starlette.requests import ClientDisconnect, Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.problems import Problem, respond

log = logging.getLogger("platekin")

IMPORTS = "/v1/imports/"

_ALWAYS = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Content-Security-Policy": "default-src 'none'; frame-ancestors 'none'",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}
"""Headers of every answer that does not set them itself."""


@dataclass
class Headers:
    """Adds the security headers to every answer."""

    app: ASGIApp

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _ALWAYS.items():
                    headers.setdefault(name, value)
            await send(message)

        await self.app(scope, receive, send_with_headers if scope["type"] == "http" else send)


@dataclass
class LastResort:
    """Turns an exception nobody expected into a problem; what it was goes to the log."""

    app: ASGIApp

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        started = False

        async def noting(message: Message) -> None:
            nonlocal started
            started = started or message["type"] == "http.response.start"
            await send(message)

        try:
            await self.app(scope, receive, noting)
        except ClientDisconnect:
            return  # nobody is left to be told
        except Exception:
            if scope["type"] != "http" or started:
                raise
            log.exception("%s %s failed", scope["method"], scope["path"])
            await respond(Problem("unexpected"))(scope, receive, send)


@dataclass
class KnownHost:
    """Answers only requests whose Host header is one of ours; an empty list allows any."""

    # Starlette's TrustedHostMiddleware answers 400 in plain text, which no setting changes: not the problem details
    # that clients get from everything else.
    app: ASGIApp
    hosts: Collection[str]

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http" and self.hosts and not self._knows(Request(scope)):
            await respond(Problem("unknown_host"))(scope, receive, send)
            return
        await self.app(scope, receive, send)

    def _knows(self, request: Request) -> bool:
        host = request.headers.get("host", "").lower()
        name = host.split("]")[0].removeprefix("[") if host.startswith("[") else host.split(":")[0]
        return name in self.hosts


@dataclass
class SameSite:
    """Refuses what another site's page has a browser send, unless it only reads (which it then cannot see)."""

    app: ASGIApp

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http" and scope["method"] not in ("GET", "HEAD", "OPTIONS") and _foreign(Request(scope)):
            await respond(Problem("cross_site"))(scope, receive, send)
            return
        await self.app(scope, receive, send)


def _foreign(request: Request) -> bool:
    """By what browsers always say of themselves (Fetch standard: Origin, Sec-Fetch-Site); programs say neither."""
    if request.headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
        return True
    origin = request.headers.get("origin")
    return origin is not None and origin.split("://")[-1].lower() != request.headers.get("host", "").lower()


@dataclass
class BodyLimit:
    """Refuses a body that is, or while it arrives turns out to be, longer than `most` bytes.

    imports: the limit below IMPORTS instead, where whole catalogues come.
    """

    app: ASGIApp
    most: int
    imports: int = 0

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        most = max(self.most, self.imports) if scope.get("path", "").startswith(IMPORTS) else self.most
        stated = Request(scope).headers.get("content-length", "0")
        if not (stated.isascii() and stated.isdigit()):
            await respond(Problem("bad_request", "Content-Length is not a number."))(scope, receive, send)
        elif len(stated) > 18 or int(stated) > most:  # Python refuses to read endless digits
            await respond(_too_large(most))(scope, receive, send)
        else:
            await self.app(scope, _counting(receive, most), send)


def _counting(receive: Receive, most: int) -> Receive:
    arrived = 0

    async def counting() -> Message:
        nonlocal arrived
        message = await receive()
        arrived += len(message.get("body", b""))
        if arrived > most:
            raise _too_large(most)
        return message

    return counting


def _too_large(most: int) -> Problem:
    # The rest is not read: the connection cannot be used for another request.
    return Problem("body_too_large", f"The limit is {most / 1e6:g} MB.", headers={"Connection": "close"})
