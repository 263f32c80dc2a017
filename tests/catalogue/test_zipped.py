"""Zips from anywhere: what may not be unpacked is refused, and leaves everything as it was."""

from __future__ import annotations

import io
import stat
import zipfile
from pathlib import Path

import pytest

from matcher.catalogue.exchange.zipped import Limits, unzip
from matcher.core.errors import BadTable
from tests.support.zips import zipped


def link() -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as packed:
        info = zipfile.ZipInfo("data/link")
        info.external_attr = (stat.S_IFLNK | 0o777) << 16
        packed.writestr(info, "/etc/passwd")
    return out.getvalue()


def twice() -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as packed:
        packed.writestr("a", "1")
        packed.writestr("b", "2")
    return out.getvalue().replace(b"b", b"a")  # both entries, and both in the list of contents


def locked() -> bytes:
    data = bytearray(zipped({"a": b"1"}))
    for mark, place in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):  # the flag of encryption (APPNOTE.TXT, 4.4.4)
        data[data.index(mark) + place] |= 1
    return bytes(data)


@pytest.mark.parametrize(
    ("data", "code", "says"),
    [
        (b"no zip at all", "bad_zip", "cannot be read"),
        (b"", "bad_zip", "cannot be read"),
        (zipped({"a": b"1" * 1000})[:-30], "bad_zip", "cannot be read"),
        (zipped({"../outside": b"1"}), "bad_zip", "'../outside' points outside"),
        (zipped({"/etc/outside": b"1"}), "bad_zip", "points outside"),
        (zipped({"C:\\outside": b"1"}), "bad_zip", "points outside"),
        (zipped({"a/./b": b"1"}), "bad_zip", "points outside"),
        (zipped({"a": b"1", "a/b": b"1"}), "bad_zip", "is a file and a folder"),
        (zipped({"x" * 300: b"1"}), "bad_zip", "too long a name"),
        (link(), "bad_zip", "is a link"),
        (twice(), "bad_zip", "is there twice"),
        (locked(), "bad_zip", "needs a password"),
        (zipped({"bomb": b"0" * 2_000_000}), "zip_too_large", "2 MB in all"),
        (zipped({str(i): b"" for i in range(30)}), "zip_too_large", "30 files"),
        (zipped({f"{i:0200}": b"" for i in range(100)}), "zip_too_large", "list of contents"),
    ],
    # Named, since a zip holds the time of its making and each worker process makes its own.
    ids=(
        *("no zip", "empty", "cut short", "above", "absolute", "drive", "dot", "file and folder", "long name"),
        *("link", "twice", "locked", "bomb", "many files", "long list"),
    ),
)
def test_a_zip_that_may_not_be_unpacked(tmp_path: Path, data: bytes, code: str, says: str) -> None:
    folder = tmp_path / "in"
    folder.mkdir()
    with pytest.raises(BadTable, match=says) as caught:
        unzip(io.BytesIO(data), folder, Limits(most_bytes=1_000_000, most_files=20))
    assert caught.value.code == code
    assert caught.value.remedy
    assert list(tmp_path.rglob("*")) == [folder]  # nothing was written, here or outside


def test_a_zip_that_lies_about_a_size_writes_no_more_than_it_said(tmp_path: Path) -> None:
    data = zipped({"bomb": b"0" * 5_000_000}).replace((5_000_000).to_bytes(4, "little"), (10).to_bytes(4, "little"))
    with pytest.raises(BadTable, match="cannot be read"):
        unzip(io.BytesIO(data), tmp_path, Limits(most_bytes=1000))
    assert sum(path.stat().st_size for path in tmp_path.iterdir()) <= 10
