"""The service for tests: a catalogue that nobody changes, a client on it, and what every test of it asks."""

from __future__ import annotations

import io
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from fastapi import FastAPI
from fastapi.testclient import TestClient
from PIL import Image

from api.app import create_app
from api.problems import ProblemDetails
from api.settings import ServiceSettings
from tests.support import fake_work
from tests.support.enrolling import row, run, write_table

OAKMERE = {"latitude": 52.25, "serial": "SECRET-SERIAL"}


def write_catalogue(images: Path) -> Path:
    """A catalogue of four records and five references; nobody changes it. V003 holds a phone's photo."""
    for number in range(4):
        picture(number).save(images / f"scan{number}.png")
    (images / "phone.jpg").write_bytes(phone_photo())
    rows = [
        row(0, "scan0.png", club="Oakmere", references="7", copy="first"),
        row(1, "scan1.png", note="stained"),
        row(0, "scan2.png"),
        row(2, "scan3.png", year="1888"),
        row(3, "phone.jpg", record_id="V003/b"),
    ]
    report = run(write_table(images / "RECORDS.csv", rows), images / "catalogue")
    assert not report.failed
    return images / "catalogue"


def picture(seed: int, size: tuple[int, int] = (276, 480)) -> Image.Image:
    """An invented picture: blurred noise."""
    noise = Image.frombytes("L", (9, 16), bytes((seed * 31 + 47 * i * i) % 256 for i in range(144)))
    return noise.resize(size, Image.Resampling.BICUBIC).convert("RGB")


def phone_photo() -> bytes:
    """A JPEG of 2,000 x 1,200 that lies on its side, with the place where it was taken and a serial number."""
    exif = Image.Exif()
    exif[0x0112] = 6  # CIPA DC-008: row 0 is the right side, so it is shown 1,200 x 2,000
    exif[0x013B] = OAKMERE["serial"]
    exif.get_ifd(0x8825).update({1: "N", 2: (52.0, 15.0, 0.0)})
    out = io.BytesIO()
    picture(9, (2000, 1200)).save(out, "JPEG", exif=exif, comment=b"SECRET-SERIAL")
    return out.getvalue()


MOST_S = 150.0
"""Until a test that waits gives up: a bound for a machine whose disk or cores stand still, never what is measured."""


@contextmanager
def service(folder: Path, make_pool: Any = fake_work.threads, **settings: Any) -> Iterator[TestClient]:
    with TestClient(application(folder, make_pool, **settings)) as client:
        yield client


def application(folder: Path, make_pool: Any = fake_work.threads, **settings: Any) -> FastAPI:
    chosen = ServiceSettings(catalogue=folder, **{"workers": 1, **settings})
    return create_app(chosen, work=fake_work.obey, make_pool=make_pool, make_pictures=fake_work.decoders)


def send(client: TestClient, data: bytes, name: str = "a.jpg", **more: Any) -> Any:
    return client.post("/v1/identify", files={"photo": (name, data, "text/html")}, **more)


def check_problem(response: Any, status: int, code: str) -> dict[str, Any]:
    assert response.headers["content-type"] == "application/problem+json"
    body: dict[str, Any] = response.json()
    assert (response.status_code, body["code"], body["status"]) == (status, code, status), body
    assert response.headers["cache-control"] == "no-store"
    ProblemDetails.model_validate(body)
    return body


def wait_until(holds: Callable[[], bool]) -> None:
    end = time.monotonic() + MOST_S
    while not holds():
        assert time.monotonic() < end, "it never came to pass"
        time.sleep(0.01)


def queue_of(client: TestClient) -> dict[str, Any]:
    queue: dict[str, Any] = client.get("/v1/health").json()["queue"]
    return queue
