"""How the service listens: slow and idle clients are cut off, too many are turned away, its log has an end.

Review of security, finding 6. The whole: `scripts/mistreat hostile`.
"""

from __future__ import annotations

import asyncio
import logging
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from api import server
from api.app import create_app
from api.server import Brake, ImpatientProtocol, Listening
from api.settings import ServiceSettings
from tests.support import fake_work

FORM = b"Content-Type: multipart/form-data; boundary=x\r\n"
HEAD = b"POST /v1/identify HTTP/1.1\r\nHost: x\r\n" + FORM + b"Content-Length: 999999\r\n\r\n"


@pytest.fixture
def port(library: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    """A running server, more impatient than usual."""
    for name, value in {"HEADER_S": 1.0, "BODY_S": 1.0, "LOOK_S": 0.1, "READING_S": 1.0}.items():
        monkeypatch.setattr(server, name, value)
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        free = int(probe.getsockname()[1])
    settings = ServiceSettings(catalogue=library, workers=1)
    app = create_app(settings, work=fake_work.obey, **fake_work.QUICK)
    running = server.configured(app, Listening("127.0.0.1", free, quiet=True))
    monkeypatch.setattr(ImpatientProtocol, "most_connections", 20)
    thread = threading.Thread(target=asyncio.run, args=(running.serve(),), daemon=True)
    thread.start()
    while not running.started:
        time.sleep(0.01)
    yield free
    begun = time.monotonic()
    running.should_exit = True
    thread.join(30)
    assert not thread.is_alive()
    assert time.monotonic() - begun < 10 + server.STOP_S


def opened(port: int, first: bytes = b"") -> socket.socket:
    client = socket.create_connection(("127.0.0.1", port), timeout=20)
    client.sendall(first)
    return client


def cut_off(client: socket.socket, drip: bytes = b"") -> float:
    """Seconds until the other side has ended it, a byte sent now and then."""
    begun = time.monotonic()
    client.settimeout(0.1)
    while time.monotonic() - begun < 20:
        try:
            if drip:
                client.sendall(drip)
            if client.recv(1000) == b"":
                break
        except TimeoutError:
            continue
        except OSError:
            break
    client.close()
    return time.monotonic() - begun


def answers(port: int) -> bool:
    client = opened(port, b"GET /v1/health HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n")
    with client:
        return client.recv(1000).startswith(b"HTTP/1.1 200")


def test_who_says_nothing_or_too_slowly_is_cut_off(port: int) -> None:
    assert cut_off(opened(port)) < 10
    assert cut_off(opened(port, b"GET /v1/health HTTP/1.1\r\nX-A: "), b"a") < 10  # a header that never ends
    assert cut_off(opened(port, HEAD), b"a") < 10  # a body of ten bytes a second
    assert answers(port)


def test_a_body_that_comes_steadily_is_waited_for(port: int, monkeypatch: pytest.MonkeyPatch) -> None:
    body = (
        b'--x\r\nContent-Disposition: form-data; name="photo"; filename="a.jpg"\r\n\r\n'
        + b"y" * 60_000
        + b"\r\n--x--\r\n"
    )
    head = HEAD.replace(b"999999", str(len(body)).encode())
    client = opened(port, head)
    for start in range(0, len(body), 6000):
        client.sendall(body[start : start + 6000])
        time.sleep(0.3)  # three seconds in all: longer than a body that brings nothing is waited for
    with client:
        assert client.recv(1000).startswith(b"HTTP/1.1 200")


def test_too_many_connections_are_turned_away_and_room_comes_again(port: int) -> None:
    held = [opened(port) for _ in range(60)]
    time.sleep(0.3)
    alive = 0
    for client in held:
        client.settimeout(0.01)
        try:
            alive += client.recv(1) != b""
        except TimeoutError:
            alive += 1
        except OSError:
            pass
    assert alive <= 20
    assert answers(port)  # who asks something is heard: of the silent ones the oldest gives way
    time.sleep(2)  # and those that were let in say nothing
    assert answers(port)
    for client in held:
        client.close()


def test_the_log_has_an_end(caplog: pytest.LogCaptureFixture) -> None:
    """1,100 idle connections made it write 441 MB."""
    log = logging.getLogger("platekin.test.brake")
    log.addFilter(Brake())
    with caplog.at_level(logging.WARNING):
        for number in range(10_000):
            log.warning("out of %s", number)
        log.warning("something else")
    lines = [record.getMessage() for record in caplog.records if record.name == log.name]
    assert len(lines) == server.ALIKE_MOST + 1
    assert lines[-1] == "something else"
