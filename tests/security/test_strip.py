"""Pictures kept without what their files say of place, device and owner; as given, byte for byte, where nobody asks."""

from __future__ import annotations

import hashlib
import io
import re
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from fastapi.testclient import TestClient
from PIL import Image, ImageCms, TiffImagePlugin
from typer.testing import CliRunner

from api.app import create_app
from api.exchange import importing
from api.settings import ServiceSettings
from matcher.catalogue import Catalogue
from matcher.catalogue.finds.resolution import finds
from matcher.catalogue.finds.sightings import sightings
from matcher.catalogue.log.decisions import person
from matcher.cli import app
from matcher.core.answer import PhotoAnswer
from matcher.core.errors import PlatekinError
from matcher.core.photo import read_photo
from matcher.core.settings import Settings
from matcher.core.strip import stripped
from matcher.core.versions import versions
from matcher.jobs.job import JobResult
from matcher.jobs.lot.review import propose
from matcher.jobs.lot.run import Done
from matcher.jobs.lot.run import run as run_lot
from tests.support import fake_work
from tests.support.cards import card
from tests.support.enrolling import row, run, whole_image, write_table
from tests.support.service import check_problem, phone_photo, picture
from tests.support.zips import unzipped, zipped


def jpeg(**options: object) -> bytes:
    out = io.BytesIO()
    picture(5, (300, 200)).save(out, "JPEG", **options)
    return out.getvalue()


def png(**options: object) -> bytes:
    out = io.BytesIO()
    picture(5, (300, 200)).save(out, "PNG", **options)
    return out.getvalue()


def notes(form: type = bytes) -> object:
    from PIL import PngImagePlugin

    told = PngImagePlugin.PngInfo()
    told.add_text("Author", "SECRET")
    return told


PROFILE = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()


@pytest.mark.parametrize(
    "data",
    [
        phone_photo(), jpeg(comment=b"SECRET"),
        jpeg(progressive=True, comment=b"SECRET", icc_profile=PROFILE, dpi=(300, 300)),
        jpeg(quality=95) + b"SECRET appended", png(pnginfo=notes(), dpi=(600, 600)), png(exif=b"Exif\0\0SECRET"),
    ],
)  # fmt: skip
def test_the_picture_stays_and_the_notes_go(data: bytes) -> None:
    bare = stripped(data)
    assert b"SECRET" not in bare
    with Image.open(io.BytesIO(bare)) as image:
        assert 0x8825 not in image.getexif()  # GPS (CIPA DC-008)
        assert set(image.getexif()) <= {0x0112}
    before, after = read_photo(data), read_photo(bare)
    assert (before.pixels == after.pixels).all()
    assert before.dpi == pytest.approx(after.dpi, abs=0.1) if before.dpi else after.dpi is None
    assert stripped(bare) == bare


def test_a_jpeg_is_not_compressed_again() -> None:
    """Its coded data is the same: what stands between SOS and EOI (ITU-T T.81)."""
    data = phone_photo()
    coded = data[data.rindex(b"\xff\xda") : data.rindex(b"\xff\xd9")]
    assert coded in stripped(data)


def test_other_formats_are_kept_as_png() -> None:
    out = io.BytesIO()
    Image.fromarray(np.arange(100 * 90 * 3, dtype=np.uint32).astype(np.uint8).reshape(100, 90, 3)).save(
        out, "TIFF", description="SECRET", dpi=(600, 600)
    )
    bare = stripped(out.getvalue())
    assert bare.startswith(b"\x89PNG")
    assert b"SECRET" not in bare
    assert read_photo(bare).dpi == pytest.approx(600, abs=0.1)


def test_enrolling_and_exporting_without_place_and_device(tmp_path: Path) -> None:
    (tmp_path / "phone.jpg").write_bytes(phone_photo())
    table = write_table(tmp_path / "t.csv", [row(0, "phone.jpg")])
    run(table, tmp_path / "as-given")
    run(table, tmp_path / "bare", strip=True)
    for name, kept in (("as-given", True), ("bare", False)):
        with Catalogue.open(tmp_path / name) as catalogue:
            (reference,) = catalogue.references()
            stored = catalogue.image_path(reference).read_bytes()
        assert reference.name == "phone.jpg"
        assert (b"SECRET" in stored) == kept
        assert (stored == phone_photo()) == kept
    assert list((tmp_path / "bare" / "scratch").iterdir()) == []
    told = CliRunner().invoke(app, ["export", str(tmp_path / "out"), "--strip", "-c", str(tmp_path / "as-given")])
    assert told.exit_code == 0, told.output
    for path in (tmp_path / "out").rglob("*"):
        if path.is_file():
            assert b"SECRET" not in path.read_bytes(), path
            assert not re.search(rb"Oakmere.{0,20}GPS", path.read_bytes())
    again = run(tmp_path / "out" / "records.csv", tmp_path / "again")
    assert (again.added, again.failed) == (1, ())


def test_over_http_too(folder: Path) -> None:
    """Finds, sightings, imports and exports; the same photo byte for byte is another wish under the same key."""
    made_app = create_app(ServiceSettings(catalogue=folder, workers=1), work=two_cards, **fake_work.QUICK)
    photo = {"photo": ("phone.jpg", phone_photo())}
    bare = stripped(phone_photo())
    with TestClient(made_app) as client:
        for address in ("/v1/finds", "/v1/sightings"):
            key, wish = {"Idempotency-Key": address[4:]}, {"strip": "true"}
            made = client.post(address, params=wish, files=photo, headers=key)
            assert made.status_code == 201, made.text
            assert client.post(address, params=wish, files=photo, headers=key).json() == made.json()
            check_problem(client.post(address, files=photo, headers=key), 422, "bad_key")
        with Catalogue.open(folder) as catalogue:
            kept = [catalogue.image_path(one) for one in (*finds(catalogue), *sightings(catalogue))]
        assert [path.read_bytes() for path in kept] == [bare, bare]
        packed = unzipped(client.get("/v1/exports/catalogue.zip", params=wish).content)
        assert not any(b"SECRET" in data for data in packed.values())
        assert not any(name.endswith("decisions.jsonl") for name in packed)
        rows = packed["platekin-catalogue/records.csv"].decode().splitlines()
        assert len(rows) == 1 + len(catalogue_references(folder))


def test_a_table_over_http_too(folder: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(importing, "enrol", partial(importing.enrol, prepare=whole_image))
    table = write_table(tmp_path / "t.csv", [row(8, "phone.jpg")]).read_bytes()
    made_app = create_app(ServiceSettings(catalogue=folder, workers=1), work=two_cards, **fake_work.QUICK)
    with TestClient(made_app) as client:
        files = {"table": ("t.csv", table), "pictures": ("p.zip", zipped({"phone.jpg": phone_photo()}))}
        done = client.post("/v1/imports/table", params={"strip": "true"}, files=files, headers={"If-Match": "*"})
    assert (done.status_code, done.json()["added"]) == (200, 1), done.text
    stored = {path.read_bytes() for path in (folder / "images").rglob("*.jpg")}
    assert stripped(phone_photo()) in stored
    assert phone_photo() not in stored


def test_a_lots_scans_stay_and_what_is_kept_of_them_is_bare(catalogue: Catalogue, tmp_path: Path) -> None:
    scan = tmp_path / "box" / "phone.jpg"
    scan.parent.mkdir()
    scan.write_bytes(phone_photo())

    def identified(jobs: Any, folder: Path, settings: Settings, workers: Any) -> Any:
        context: Any = SimpleNamespace(settings=settings, references=SimpleNamespace(catalogue=catalogue))
        for job in jobs:
            photo = read_photo(job.source, settings.photo, job.name, job.page)
            photo = job.preparation(photo, context) if job.preparation else photo
            cards = (card("new_crop", 276, 480, pose="P000"),)
            yield JobResult(PhotoAnswer(job.name, photo.sha256, 1200, 2000, None, cards, versions()))

    def tagged(strip: bool) -> Done:
        who = person("Ada Quill")
        return run_lot(catalogue, [scan], who, Settings(), strip=strip, identify=identified, compare=False)

    done = tagged(True)
    assert (done.counts["done"], tagged(True).asked) == (1, 0)
    propose(catalogue, done.lot)
    (find,) = finds(catalogue)
    assert catalogue.image_path(find).read_bytes() == stripped(phone_photo())
    assert scan.read_bytes() == phone_photo()
    kept = [path.read_bytes() for path in catalogue.folder.rglob("*") if path.is_file()]
    assert not any(b"SECRET" in data for data in kept)
    scan.unlink()  # what was kept of it is enough to decide
    (again,) = propose(catalogue, done.lot) or (find.find_id,)
    assert again == find.find_id
    scan.write_bytes(phone_photo())
    assert tagged(False).lot.lot_id != done.lot.lot_id


def test_a_lot_that_is_sent_is_bare_from_the_first_moment(folder: Path) -> None:
    """Every page of a file is stripped, and one that cannot be read is told, and not kept."""
    pages, tags = io.BytesIO(), TiffImagePlugin.ImageFileDirectory_v2()
    tags[315] = "SECRET"  # Artist (TIFF 6.0)
    picture(1).save(pages, "TIFF", save_all=True, append_images=[picture(2)], tiffinfo=tags)
    assert b"SECRET" in pages.getvalue()
    sent = [("phone.jpg", phone_photo()), ("box.tif", pages.getvalue()), ("odd.jpg", phone_photo()[:300])]
    made_app = create_app(ServiceSettings(catalogue=folder, workers=1), work=two_cards, **fake_work.QUICK)
    with TestClient(made_app) as client:
        files = [("photo", one) for one in sent]
        made = client.post("/v1/lots?strip=true", files=files, headers={"Idempotency-Key": "a"})
        assert made.status_code == 201, made.text
        items = client.get(f"/v1/lots/{made.json()['lot_id']}/items").json()["items"]
        again = client.post("/v1/lots?strip=true", files=files, headers={"Idempotency-Key": "a"}).json()
    kept = {path.read_bytes() for path in (folder / "lots").rglob("photos/*")}
    assert [one["name"] for one in items] == ["phone.jpg", "box.tif, page 1", "box.tif, page 2", "odd.jpg"]
    assert [one["code"] for one in items if one["state"] == "failed"] == ["not_an_image"]
    assert stripped(phone_photo()) in kept
    assert len(kept) == 3
    assert not any(b"SECRET" in data for data in kept)
    assert sum(again["items"].values()) == len(items)


def test_what_cannot_be_stripped_is_not_kept_as_it_is(tmp_path: Path) -> None:
    (tmp_path / "phone.jpg").write_bytes(phone_photo())
    table = write_table(tmp_path / "t.csv", [row(0, "phone.jpg")])

    def late(work: Any, *args: Any) -> Any:
        if work is stripped:
            raise PlatekinError("timeout", "the picture was not read in time", "save it smaller, as a JPEG")
        return work(*args)

    report = run(table, tmp_path / "catalogue", strip=True, elsewhere=late)
    assert report.added == 0
    assert [row.code for row in report.failed] == ["timeout"]
    assert list((tmp_path / "catalogue").rglob("images/**/*.jpg")) == []


def two_cards(job: Any) -> JobResult:
    """A worker that takes every photo for a card of a new crop beside a known one."""
    data = job.source if isinstance(job.source, bytes) else job.source.read_bytes()
    digest = hashlib.sha256(data).hexdigest()
    new = card("new_crop", 276, 480, pose="P000")
    known = card("known", 276, 480, pose="P000", crop="A", record_id="V000", confidence={"crop": 0.9})
    return JobResult(PhotoAnswer(job.name, digest, 1200, 2000, None, (new, known), versions()))


def catalogue_references(folder: Path) -> tuple[Any, ...]:
    with Catalogue.open(folder) as catalogue:
        return catalogue.references()
