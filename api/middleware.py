"""What holds for every request and every answer, as plain ASGI around the application.

From the outside in: `Headers` (all answers, errors too), `LastResort` (a mistake of ours tells nothing of the
inside), `SlowRefusals` beyond this machine, `KnownHost`, `SameSite`, `TokenFirst`, `BodyLimit`, `KnownMethod`,
`UploadRoom`: before anything is parsed.
"""

from __future__ import annotations

import asyncio
import logging
import re
from collections import Counter
from collections.abc import Awaitable, Callable, Collection, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

from starlette.datastructures import MutableHeaders
from starlette.requests import ClientDisconnect, Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.problems import Problem, respond
from api.work_queue import asking
from matcher.core.errors import PlatekinError

log = logging.getLogger("platekin")

IMPORTS = "/v1/imports/"

UPLOADS = re.compile(r"/v1/(identify|comparisons|finds|sightings|listings|lots|lots/[^/]+/photos|imports/.+)")
"""Where files may be sent: bodies of all other addresses are small."""

AT_ONCE = ("/v1/health",)
"""Answered without waiting for a thread, or for the database."""

TOKENS_AT_ONCE = 8
"""Looked up in the database."""

REFUSALS = (400, 401, 403, 405, 411, 413, 415, 421, 422, 429)
REFUSED_S, REFUSED_MOST, REFUSED_WAIT_S = 2.0, 20, 1.0
"""In so many seconds so many refusals at once, to one token or machine; each further one after a wait. Own choice."""

OPEN = ("/v1/session",)
"""Where one signs in and out: nobody has a token before."""

_HOST = re.compile(r"(?P<name>\[[0-9a-f:.]+\]|[^:\[\]]+)(:[0-9]+)?")
"""RFC 9110, 7.2: a name, an IPv4 address or a bracketed IPv6 address, then a port."""

CLOSE = {"Connection": "close"}

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
        named = _HOST.fullmatch(host)
        return named is not None and named["name"].strip("[]") in self.hosts


@dataclass
class SameSite:
    """Refuses what another site's page has a browser send; the page itself may be linked to from everywhere.

    A page could not read what it asks for, but asking alone makes work: a backup, the check of a whole catalogue.
    """

    app: ASGIApp

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        reads = scope["type"] == "http" and scope["method"] in ("GET", "HEAD", "OPTIONS")
        page = reads and not scope["path"].startswith("/v1/")
        if scope["type"] == "http" and not page and _foreign(Request(scope)):
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
class TokenFirst:
    """Asks for the token before a byte of the body is read; `access` then asks what it allows.

    held: who holds the request's token; raises Problem no_token. at_once: the same for addresses of AT_ONCE.
    """

    app: ASGIApp
    held: Callable[[Request], object]
    at_once: Callable[[Request], Awaitable[object]]

    def __post_init__(self) -> None:
        # Threads of its own: whoever has no token is told so while all others are taken.
        self._threads = ThreadPoolExecutor(TOKENS_AT_ONCE, "tokens")

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http" and scope["path"].startswith("/v1/") and scope["path"] not in OPEN:
            try:
                if scope["path"] in AT_ONCE:
                    await self.at_once(Request(scope))
                else:
                    loop = asyncio.get_running_loop()
                    await loop.run_in_executor(self._threads, self.held, Request(scope))
                asking.set(whose_request(scope))
            except Problem as problem:
                await respond(problem)(scope, receive, send)
                return
            except PlatekinError as error:
                await respond(Problem(error.code))(scope, receive, send)
                return
        await self.app(scope, receive, send)


@dataclass
class SlowRefusals:
    """Lets whoever is refused again and again wait for each further refusal, so that a flood cannot keep the loop busy.

    Only a connection waits. Who asks rightly is not concerned: of a machine's or a token's requests the refused alone
    are counted.
    """

    app: ASGIApp

    def __post_init__(self) -> None:
        self._told: dict[str, tuple[float, int]] = {}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        async def weighing(message: Message) -> None:
            refused = message["type"] == "http.response.start" and message["status"] in REFUSALS
            if refused and self._too_often(whose_request(scope)):
                await asyncio.sleep(REFUSED_WAIT_S)
            await send(message)

        await self.app(scope, receive, weighing if scope["type"] == "http" else send)

    def _too_often(self, whose: str) -> bool:
        now = asyncio.get_running_loop().time()
        since, count = self._told.get(whose, (now, 0))
        if now - since > REFUSED_S:
            since, count = now, 0
        if len(self._told) > 1000:
            self._told.clear()
        self._told[whose] = since, count + 1
        return count >= REFUSED_MOST


@dataclass
class KnownMethod:
    """Answers a method that an address has not with 405 and all those that it has (RFC 9110, 15.5.6).

    Starlette's router stops at the first pattern that fits: `/v1/lots/folder` was then a lot of that name, and Allow
    told the methods of one of several routes of an address. described: gives OpenAPI's paths, once they are made.
    """

    app: ASGIApp
    described: Callable[[], Mapping[str, Mapping[str, Any]]]

    def __post_init__(self) -> None:
        self._known: list[tuple[re.Pattern[str], set[str]]] = []

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        methods = self._methods(scope["path"]) if scope["type"] == "http" else set()
        if methods and scope["method"] not in methods:
            allow = {"Allow": ", ".join(sorted(methods))}
            await respond(Problem("method_not_allowed", headers=allow))(scope, receive, send)
            return
        await self.app(scope, receive, send)

    def _methods(self, path: str) -> set[str]:
        """Of the address that fits best: one without a variable part before one with; none where none fits."""
        if not self._known:
            paths = sorted(self.described().items(), key=lambda one: one[0].count("{"))
            self._known = [(_pattern(one), {name.upper() for name in methods}) for one, methods in paths]
        return next((methods for pattern, methods in self._known if pattern.fullmatch(path)), set())


def _pattern(path: str) -> re.Pattern[str]:
    return re.compile(re.sub(r"\\{\w+\\}", "[^/]+", re.escape(path)))


@dataclass
class BodyLimit:
    """Refuses a body that is, or while it arrives turns out to be, longer than its address may be sent.

    most: bytes where files are sent, imports: below IMPORTS, where whole catalogues come; small: everywhere else.
    """

    app: ASGIApp
    most: int
    imports: int = 0
    small: int = 256 * 1024

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        most = self._most(scope["path"])
        stated = Request(scope).headers.get("content-length", "0")
        if not (stated.isascii() and stated.isdigit()):
            await respond(Problem("bad_request", "Content-Length is not a number."))(scope, receive, send)
        elif len(stated) > 18 or int(stated) > most:  # Python refuses to read endless digits
            await respond(_too_large(most))(scope, receive, send)
        else:
            await self.app(scope, _counting(receive, most), send)

    def _most(self, path: str) -> int:
        if path.startswith(IMPORTS):
            return max(self.most, self.imports)
        return self.most if UPLOADS.fullmatch(path) else min(self.small, self.most)


@dataclass
class UploadRoom:
    """Holds the bodies of so many uploads at once, and of one person or machine at most `apiece` of them."""

    app: ASGIApp
    most: int
    apiece: int

    def __post_init__(self) -> None:
        self._taken: Counter[str] = Counter()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or scope["method"] != "POST" or not UPLOADS.fullmatch(scope["path"]):
            await self.app(scope, receive, send)
            return
        whose = whose_request(scope)
        if self._taken.total() >= self.most or self._taken[whose] >= self.apiece:
            await respond(Problem("busy", "Too many files are being sent at once.", headers=CLOSE))(
                scope, receive, send
            )
            return
        self._taken[whose] += 1
        left = False

        def leave() -> None:
            nonlocal left
            if not left:
                left = True
                self._taken -= Counter({whose: 1})

        async def arriving() -> Message:
            message = await receive()
            if not message.get("more_body", False):
                leave()  # it is whole: what is done with it now is limited elsewhere
            return message

        try:
            await self.app(scope, arriving, send)
        finally:
            leave()


def whose_request(scope: Scope) -> str:
    """Who a request is reckoned to: the token's name, or the machine that it comes from."""
    held = scope.get("state", {}).get("held")
    client = scope.get("client") or ("",)
    return f"token {held.name}" if held is not None else f"machine {client[0]}"


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
    return Problem("body_too_large", f"The limit is {most / 1e6:g} MB.", headers=CLOSE)
