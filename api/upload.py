"""A request in, the files of its form out, most often one photo.

Nothing is decoded here, and neither name nor type is believed.
"""

from __future__ import annotations

import tempfile
from collections.abc import AsyncIterator, Mapping, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path, PureWindowsPath
from typing import Any

from fastapi import Request
from starlette.datastructures import FormData, UploadFile
from starlette.exceptions import HTTPException

from api.problems import Fault, Problem
from matcher.catalogue.database import guarded

LONGEST_NAME = 255

FORMATS = "JPEG, PNG, TIFF, WebP, BMP or GIF (not animated); its content decides."


def described(needed: Mapping[str, str], optional: Mapping[str, str] | None = None) -> dict[str, Any]:
    """OpenAPI's words for a form of files: name -> what it is."""
    parts = {**needed, **(optional or {})}
    files = {
        name: {
            "type": "string",
            "format": "binary",
            "contentMediaType": "application/octet-stream",
            "description": what,
        }
        for name, what in parts.items()
    }
    schema = {"type": "object", "required": [*needed], "additionalProperties": False, "properties": files}
    return {"requestBody": {"required": True, "content": {"multipart/form-data": {"schema": schema}}}}


OPENAPI = described({"photo": FORMATS})


@dataclass(frozen=True)
class Upload:
    """A photo as it came. name: what the client calls it, without folders."""

    name: str
    data: bytes


async def read_upload(request: Request) -> Upload:
    """The form's only part, the file `photo`. Raises Problem not_multipart, bad_form, validation."""
    async with files_of(request, ("photo",)) as files:
        return Upload(base_name(files["photo"].filename or ""), await files["photo"].read())


@asynccontextmanager
async def files_of(
    request: Request, needed: Sequence[str], optional: Sequence[str] = ()
) -> AsyncIterator[dict[str, UploadFile]]:
    """The files of a form, by the names of their parts, to be read while the context lasts; large ones lie on disk.

    Raises Problem not_multipart, bad_form, validation, and CatalogueError disk_full.
    """
    if request.headers.get("content-type", "").split(";")[0].strip().lower() != "multipart/form-data":
        raise Problem("not_multipart")
    try:
        with guarded(Path(tempfile.gettempdir())):
            form = await request.form(max_files=len(needed) + len(optional), max_fields=1)
    except HTTPException as error:
        raise Problem("bad_form", error.detail) from None
    try:
        yield _checked(form, needed, optional)
    finally:
        await form.close()


def base_name(name: str) -> str:
    r"""A client's file name without its folders and without what cannot be shown.

    >>> base_name("C:\\scans\\a.jpg"), base_name("../../b.jpg"), base_name("")
    ('a.jpg', 'b.jpg', 'photo')
    """
    shown = "".join(character for character in PureWindowsPath(name).name if character.isprintable())
    shown = shown[:LONGEST_NAME].strip()
    return "photo" if shown in ("", ".", "..") else shown


def _checked(form: FormData, needed: Sequence[str], optional: Sequence[str]) -> dict[str, UploadFile]:
    parts, known = form.multi_items(), (*needed, *optional)
    strange = [name for name, _ in parts if name not in known]
    faults = [Fault("body", name, f"is not expected: send only {', '.join(known)}") for name in strange]
    sent = [name for name, _ in parts]
    faults += [Fault("body", name, "is missing: send one file of this name") for name in needed if name not in sent]
    files = {name: part for name, part in parts if isinstance(part, UploadFile)}
    wrong = [name for name in known if name in sent and (sent.count(name) > 1 or name not in files)]
    faults += [Fault("body", name, "must be one file: give the part a file name") for name in wrong]
    if faults:
        raise Problem("validation", faults=faults)
    return files
