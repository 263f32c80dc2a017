"""Pictures kept without what their files say of place, device and owner; as given, byte for byte, where nobody asks."""

from __future__ import annotations

import io
import re
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageCms
from typer.testing import CliRunner

from matcher.catalogue import Catalogue
from matcher.cli import app
from matcher.core.photo import read_photo
from matcher.core.strip import stripped
from tests.support.enrolling import row, run, write_table
from tests.support.service import phone_photo, picture


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
