"""Nothing of a log that came from outside becomes a path, or a text that hides something (OWASP ASVS 4.0, V12.3)."""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from matcher.catalogue import Catalogue
from matcher.catalogue.log.changes import canonical
from matcher.catalogue.log.decisions import digest_of, from_json
from matcher.catalogue.records.files import image_name, suffix_of
from matcher.catalogue.tables.content import SUFFIXES
from matcher.core.errors import CatalogueError
from tests.support.service import check_problem, service

SECRET = "../../../../../../../../etc/hostname"


def forged(log: bytes, change: Callable[[dict[str, Any]], None]) -> bytes:
    """The log with one more decision, chained as it should be: the chain has no key, so anybody can write one."""
    head, *lines = [json.loads(line) for line in log.splitlines()]
    inserted = next(c for line in lines for c in line["changes"] if c["table"] == "references")
    row = {**inserted["after"], "id": 900, "copy_id": None}
    new = {**lines[-1], "number": len(lines) + 1, "by": "Somebody Else", "batch": None}
    new["changes"] = [{"table": "references", "key": [900], "before": None, "after": row}]
    change(new)
    try:
        new["digest"] = digest_of(from_json(new), lines[-1]["digest"])
    except ValueError:  # refused by what reads it back: chained by hand, as an attacker would
        import hashlib

        content = {name: value for name, value in new.items() if name != "digest"}
        new["digest"] = hashlib.sha256(f"{lines[-1]['digest']}\n{canonical(content)}".encode()).hexdigest()
    head |= {"decisions": new["number"], "digest": new["digest"]}
    return "".join(canonical(line) + "\n" for line in (head, *lines, new)).encode()


def in_row(**values: Any) -> Callable[[dict[str, Any]], None]:
    return lambda entry: entry["changes"][0]["after"].update(values)


@pytest.mark.parametrize(
    "change",
    [
        in_row(sha256=SECRET, suffix=""),
        in_row(sha256=SECRET, suffix=".txt"),
        in_row(sha256="0" * 64, suffix="/../../x"),
        in_row(sha256="A" * 64),
        in_row(sha256="0" * 64 + "\n"),
        in_row(outline="../../../x"),
        in_row(quad=[[0, 0], [1, 0], [1, 1]]),
        in_row(quad=[["a", 0], [1, 0], [1, 1], [0, 1]]),
        in_row(quad=[[1e300, 0], [1, 0], [1, 1], [0, 1]]),
        in_row(name="scan\x1b]0;owned\x07.png"),
        in_row(note="a\x00b"),
        in_row(source="x" * 200_000),
        lambda entry: entry.update(by="Ada\x1b[31m"),
        lambda entry: entry.update(by=""),
        lambda entry: entry.update(note="\x00"),
    ],
)
def test_a_forged_entry_is_refused(library: Path, tmp_path: Path, change: Callable[[dict[str, Any]], None]) -> None:
    import shutil

    folder = Path(shutil.copytree(library, tmp_path / "copy"))
    with service(folder) as client:
        log = client.get("/v1/exports/decisions.jsonl").content
        seen = client.get("/v1/records").json()
        response = client.post(
            "/v1/imports/log", files={"log": ("log.jsonl", forged(log, change))}, headers={"If-Match": "*"}
        )
        body = check_problem(response, 422, "bad_log")
        assert "\x1b" not in body["detail"]
        assert client.get("/v1/records").json() == seen
        packed = zipfile.ZipFile(io.BytesIO(client.get("/v1/backup.zip").content))
        assert not [name for name in packed.namelist() if ".." in name]
    with Catalogue.open(folder) as catalogue:
        assert max(row.id for row in catalogue.references()) < 900


def test_a_stored_name_never_leads_out_of_the_folder() -> None:
    assert image_name("ab" * 32, ".jpg") == f"images/ab/{'ab' * 32}.jpg"
    for sha256, suffix in ((SECRET, ".jpg"), ("0" * 64, "/../x"), ("0" * 63, ".jpg"), ("0" * 64, ".txt")):
        with pytest.raises(CatalogueError) as caught:
            image_name(sha256, suffix)
        assert caught.value.code == "damaged"


def test_every_suffix_that_is_given_is_known() -> None:
    beginnings = (b"\xff\xd8\xff", b"\x89PNG", b"II*\x00", b"MM\x00+", b"GIF8", b"BM", b"RIFF....WEBP", b"%PDF", b"")
    assert {suffix_of(beginning) for beginning in beginnings} == SUFFIXES
