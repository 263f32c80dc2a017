"""The service decodes no picture that somebody gave in its own process: what a file does, it does in another one.

Review of security, finding 2, for pictures that are shown and kept; identifying has its own processes.
"""

from __future__ import annotations

import hashlib
import io
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient
from PIL import Image
from typer.testing import CliRunner

from api.app import create_app
from api.settings import ServiceSettings
from matcher.catalogue import Catalogue
from matcher.cli import app, lot_run
from matcher.core import image_files
from matcher.core.answer import PhotoAnswer
from matcher.core.parallel.elsewhere import Apart
from matcher.core.parallel.limits import WorkLimits
from matcher.core.parallel.supervised import TookTooLong
from matcher.core.photo import read_photo
from matcher.core.shared_settings import PhotoLimits
from matcher.core.versions import versions
from matcher.jobs.job import JobResult
from matcher.jobs.lot import run
from matcher.jobs.lot.discovery import read_content
from matcher.jobs.workers import picture_pool
from tests.support import fake_work
from tests.support.cards import card
from tests.support.enrolling import draw, row, write_table
from tests.support.lots import draw_scan
from tests.support.service import check_problem, picture
from tests.support.zips import zipped


@pytest.fixture
def nowhere(monkeypatch: pytest.MonkeyPatch) -> None:
    """In this process no picture can be decoded."""

    def decoded_here(*_: Any) -> None:
        raise AssertionError("a picture was decoded in the service's own process")

    monkeypatch.setattr(image_files, "_open", decoded_here)


def seeing(job: Any) -> JobResult:
    """A worker that takes every photo for one card of a new crop."""
    data = job.source if isinstance(job.source, bytes) else job.source.read_bytes()
    digest = hashlib.sha256(data).hexdigest()
    shown = card("new_crop", 276, 480, pose="P000")
    return JobResult(PhotoAnswer(job.name, digest, 276, 480, None, (shown,), versions()))


@pytest.fixture
def client(folder: Path, scans: Path) -> Iterator[TestClient]:
    settings = ServiceSettings(catalogue=folder, workers=1)
    app = create_app(settings, work=seeing, make_pool=fake_work.threads, make_pictures=picture_pool)
    with TestClient(app) as client:
        yield client


def test_what_is_shown_and_kept_is_decoded_elsewhere(
    client: TestClient, folder: Path, scans: Path, nowhere: None
) -> None:
    path = scans / draw(scans / "photo70.png", 70)
    made = client.post("/v1/finds", files={"photo": ("a.png", path.read_bytes())}, headers={"Idempotency-Key": "k1"})
    assert made.status_code == 201, made.text
    (find,) = made.json()["items"]
    shown = client.get(f"/v1/finds/{find['find_id']}/image")
    assert shown.headers["content-type"] == "image/jpeg"
    assert Image.open(io.BytesIO(shown.content)).size == (276, 480)
    assert client.get("/v1/references/1/image").status_code == 200
    for face in folder.rglob("faces/**/*.jpg"):
        face.unlink()  # only a cache: made anew
    assert client.get("/v1/thumbnail", params={"reference": 1}).status_code == 200
    assert client.get("/v1/thumbnail", params={"find": find["find_id"]}).status_code == 200


def test_a_table_over_http_is_enrolled_elsewhere(client: TestClient, scans: Path, nowhere: None) -> None:
    out, scan = io.BytesIO(), Image.new("RGB", (1200, 900), (90, 70, 50))
    scan.paste(picture(3, (365, 635)), (300, 120))
    scan.save(out, "PNG")
    table = write_table(scans / "new.csv", [row(8, "new.png")]).read_bytes()
    files = {"table": ("t.csv", table), "pictures": ("p.zip", zipped({"new.png": out.getvalue()}))}
    done = client.post("/v1/imports/table", files=files, headers={"If-Match": "*"})
    assert done.status_code == 200, done.text
    assert (done.json()["added"], done.json()["failed"]) == (1, [])


def test_pages_of_a_lot_are_counted_elsewhere(client: TestClient, nowhere: None) -> None:
    out = io.BytesIO()
    picture(1).save(out, "TIFF", save_all=True, append_images=[picture(2), picture(3)])
    sent = client.post("/v1/lots", files={"photo": ("a.tif", out.getvalue())}, headers={"Idempotency-Key": "a"})
    assert sent.status_code == 201, sent.text
    assert client.get(f"/v1/lots/{sent.json()['lot_id']}/items").json()["total"] == 3


class Late(ThreadPoolExecutor):
    """A pool whose every job is too late."""

    def submit(self, work: Any, /, *args: Any, **named: Any) -> Any:
        return super().submit(too_late)


def too_late() -> None:
    raise TookTooLong("1 s")


def test_pages_that_cannot_be_counted_in_time_are_one_page(tmp_path: Path) -> None:
    """What is wrong with it is told when it is identified, which has an end too."""
    picture(1).save(tmp_path / "a.tif", save_all=True, append_images=[picture(2)])
    assert read_content(tmp_path / "a.tif", PhotoLimits()).pages == 2
    with Late(1) as pool:
        assert read_content(tmp_path / "a.tif", PhotoLimits(), Apart(pool)).pages == 1


def test_a_picture_that_ends_its_process_costs_its_own_answer(folder: Path) -> None:
    """Shown with so little memory that it cannot be decoded; the service goes on, and says why."""
    big = io.BytesIO()
    Image.new("RGB", (10_000, 10_000)).save(big, "PNG", compress_level=1)
    with Catalogue.open(folder) as catalogue:
        reference, other = catalogue.references()[:2]
        catalogue.image_path(reference).write_bytes(big.getvalue())
    settings = ServiceSettings(catalogue=folder, workers=1, worker_memory_bytes=350_000_000)
    with TestClient(create_app(settings, work=seeing, make_pool=fake_work.threads)) as client:
        refused = client.get(f"/v1/references/{reference.id}/image")
        check_problem(refused, 413, "too_much_memory")
        shown = client.get(f"/v1/references/{other.id}/image")
        assert shown.status_code == 200, shown.text
        assert client.get("/v1/health").status_code == 200


def test_a_lots_check_ends_whatever_a_scan_does(folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It decodes each scan to tell what is damaged: within limits, and the next one is looked at all the same."""
    for seed, name in enumerate(("a.png", "slow.png", "z.png")):
        draw_scan(tmp_path / "box" / name, seed)
    (tmp_path / "box" / "broken.jpg").write_bytes(b"\xff\xd8\xff\xe0 no picture")

    def looked_at(path: Path, *_: Any) -> Any:
        while path.name == "slow.png":
            pass
        return read_photo(path, *_)

    monkeypatch.setattr(run, "read_photo", looked_at)
    monkeypatch.setattr(lot_run, "PATIENT", WorkLimits(job_s=0.5))
    told = CliRunner().invoke(app, ["lot", str(tmp_path / "box"), "--check", "--catalogue", str(folder)])
    assert told.exit_code == 0, told.output
    assert "slow.png: no answer within 0.5 s (save it as a plain JPEG, or divide it)" in told.stdout
    assert "2 would be identified" in told.stdout
    assert "2 are damaged, or cannot be read" in told.stdout
