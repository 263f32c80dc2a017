"""Zips made and read in memory, for tests."""

from __future__ import annotations

import io
import zipfile


def zipped(files: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, data in files.items():
            packed.writestr(name, data)
    return out.getvalue()


def unzipped(data: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(data)) as packed:
        assert packed.testzip() is None
        return {name: packed.read(name) for name in packed.namelist()}
