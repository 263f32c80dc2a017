"""How the service listens: uvicorn with limits on connections, on slow clients, on stopping, and on its own log.

uvicorn limits what is at work, the size of headers, the wait between two requests, and how long stopping may take. It
waits for ever for a request to begin, for the rest of a header, a body, or for a client that does not read: those ends
are set here, on its protocol.
"""

from __future__ import annotations

import logging
import resource
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import uvicorn
from fastapi import FastAPI
from uvicorn.protocols.http.h11_impl import H11Protocol

MOST_CONNECTIONS = 512
"""Held at once; for the next one the one that has been silent longest is closed. Own choice: some hundred browsers."""

FILES_LEFT = 256
"""File descriptors that connections may not take: for the database, pictures, uploads on disk."""

MOST_HEADER_BYTES = 32 * 1024

HEADER_S, KEEP_ALIVE_S, BODY_S, READING_S = 10.0, 5, 20.0, 60.0
"""Seconds for a whole header; between two requests; that a body may take whatever it brings; without reading on."""

LEAST_BYTES_PER_S = 8_000
"""A body has to bring that many on average after its first BODY_S; a slow telephone's upload brings ten times that."""

STOP_S = 5
"""Most that stopping waits for answers that are on their way."""

LOOK_S = 1.0
ALIKE_S = 10.0
ALIKE_MOST = 20
"""Of lines of one kind in the log, so many each ALIKE_S seconds; how many were left out is told."""


@dataclass(frozen=True)
class Listening:
    """Where and how. certificate, key: of TLS, PEM files; None: none. proxied: a proxy in front speaks TLS."""

    host: str
    port: int
    certificate: Path | None = None
    key: Path | None = None
    proxied: bool = False
    quiet: bool = False


class ImpatientProtocol(H11Protocol):
    """uvicorn's protocol, with an end to waiting for a client."""

    most_connections = MOST_CONNECTIONS

    def connection_made(self, transport: Any) -> None:
        super().connection_made(transport)
        self._since = time.monotonic()
        self._begun: Any = None
        self._received = 0
        self._looking: Any = None
        self._unread_since: float | None = None
        if len(self.connections) > self.most_connections:
            giving_way = self._silent_longest()
            giving_way.transport.abort()  # to answer would cost more than to be asked again
            if giving_way is self:
                return
        self._looking = self.loop.call_later(LOOK_S, self._look)

    def _silent_longest(self) -> ImpatientProtocol:
        """Of the connections that never asked anything the oldest, which costs nobody an answer; else this new one."""
        others = [one for one in self.connections if one is not self and isinstance(one, ImpatientProtocol)]
        silent = [one for one in others if one.cycle is None and not one.transport.is_closing()]
        return min(silent, key=lambda one: one._since, default=self)

    def connection_lost(self, exc: Exception | None) -> None:
        if self._looking is not None:
            self._looking.cancel()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        if self.cycle is not self._begun:  # a request has begun: its header is whole
            self._begun, self._since, self._received = self.cycle, time.monotonic(), 0
        self._received += len(data)

    def on_response_complete(self) -> None:
        self._since, self._received = time.monotonic(), 0
        super().on_response_complete()

    def _look(self) -> None:
        """Now and then: has the client had long enough?"""
        if self.transport.is_closing():
            return
        if self._keeps_waiting(time.monotonic()):
            self.transport.abort()
            return
        self._looking = self.loop.call_later(LOOK_S, self._look)

    def _keeps_waiting(self, now: float) -> bool:
        waited, cycle = now - self._since, self.cycle
        if cycle is None or cycle.response_complete:
            return waited > HEADER_S  # uvicorn itself ends the wait between two requests
        if cycle.more_body and not self.flow.read_paused:  # where it is paused, it is we who do not read
            return waited > BODY_S + self._received / LEAST_BYTES_PER_S
        if not self.flow.write_paused:
            self._unread_since = None
            return False
        self._unread_since = self._unread_since or now
        return now - self._unread_since > READING_S


class Brake(logging.Filter):
    """Lets through so many lines of one kind in a while: no client can fill the disk with what it makes us say."""

    def __init__(self) -> None:
        super().__init__()
        self._told: dict[tuple[str, str], tuple[float, int]] = {}

    def filter(self, record: logging.LogRecord) -> bool:
        kind, now = (record.name, str(record.msg)[:80]), time.monotonic()
        since, count = self._told.get(kind, (now, 0))
        if now - since > ALIKE_S:
            if count > ALIKE_MOST:
                record.msg = f"{record.msg} (and {count - ALIKE_MOST} more of the kind in {now - since:.0f} s)"
            since, count = now, 0
        if len(self._told) > 1000:
            self._told.clear()
        self._told[kind] = (since, count + 1)
        return count < ALIKE_MOST


def run(app: FastAPI, where: Listening) -> None:
    """Serve until told to stop (SIGINT, SIGTERM)."""
    configured(app, where).run()


def configured(app: FastAPI, where: Listening) -> uvicorn.Server:
    """The server, ready to run."""
    ImpatientProtocol.most_connections = _room_for_connections()
    config = uvicorn.Config(
        app,
        host=where.host,
        port=where.port,
        http=ImpatientProtocol,
        ws="none",
        log_level="warning" if where.quiet else "info",
        server_header=False,
        proxy_headers=where.proxied,
        ssl_certfile=where.certificate,
        ssl_keyfile=where.key,
        backlog=128,
        h11_max_incomplete_event_size=MOST_HEADER_BYTES,
        timeout_keep_alive=KEEP_ALIVE_S,
        timeout_graceful_shutdown=STOP_S,
    )
    brake = Brake()
    for name in ("uvicorn.error", "uvicorn.access", "asyncio", "platekin"):
        logging.getLogger(name).addFilter(brake)
    return uvicorn.Server(config)


def _room_for_connections() -> int:
    """As many as there are file descriptors for, once this process has taken all that it may."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    with suppress(ValueError, OSError):
        resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))
        soft = hard
    return min(MOST_CONNECTIONS, max(16, soft - FILES_LEFT)) if soft != resource.RLIM_INFINITY else MOST_CONNECTIONS
