"""A request in, the files of its form out, most often one photo.

Nothing is decoded here, and neither name nor type is believed.
"""

from __future__ import annotations

import copy
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
from matcher.catalogue.tables.database import guarded

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


MOST_PHOTOS = 200
"""In one request; the limit of its size is reached first."""

MANY: dict[str, Any] = copy.deepcopy(OPENAPI)
_PHOTO = MANY["requestBody"]["content"]["multipart/form-data"]["schema"]["properties"]
_PHOTO["photo"] = {"type": "array", "minItems": 1, "maxItems": MOST_PHOTOS, "items": _PHOTO["photo"]}


@dataclass(frozen=True)
class Upload:
    """A photo as it came. name: what the client calls it, without folders."""

    name: str
    data: bytes


async def read_upload(request: Request) -> Upload:
    """The form's only part, the file `photo`. Raises Problem not_multipart, bad_form, validation."""
    async with files_of(request, ("photo",)) as files:
        return await as_upload(files["photo"])


@asynccontextmanager
async def files_of(
    request: Request, needed: Sequence[str], optional: Sequence[str] = ()
) -> AsyncIterator[dict[str, UploadFile]]:
    """The files of a form, by the names of their parts, to be read while the context lasts; large ones lie on disk.

    Raises Problem not_multipart, bad_form, validation, and CatalogueError disk_full.
    """
    async with form_of(request, len(needed) + len(optional)) as form:
        yield _checked(form, needed, optional)


async def read_uploads(request: Request) -> list[Upload]:
    """The form's parts, one or more files `photo`. Raises Problem not_multipart, bad_form, validation, no_pictures."""
    async with form_of(request, MOST_PHOTOS) as form:
        parts = form.multi_items()
        faults = [Fault("body", name, "is not expected: send only photo") for name, _ in parts if name != "photo"]
        files = [file for _, file in parts if isinstance(file, UploadFile)]
        if faults or len(files) < len(parts):
            no_file = Fault("body", "photo", "must be a file: give the part a file name")
            raise Problem("validation", faults=faults or [no_file])
        if not files:
            raise Problem("no_pictures")
        return [await as_upload(file) for file in files]


async def as_upload(file: UploadFile) -> Upload:
    """A file of a form that is still open, read whole."""
    return Upload(base_name(file.filename or ""), await file.read())


@asynccontextmanager
async def form_of(request: Request, most_files: int, **limits: int) -> AsyncIterator[FormData]:
    """The request's form while the context lasts; large files lie on disk. limits: as `Request.form` takes them.

    Raises Problem not_multipart, bad_form, and CatalogueError disk_full.
    """
    if request.headers.get("content-type", "").split(";")[0].strip().lower() != "multipart/form-data":
        raise Problem("not_multipart")
    try:
        with guarded(Path(tempfile.gettempdir())):
            form = await request.form(max_files=most_files, max_fields=1, **limits)
    except HTTPException as error:
        raise Problem("bad_form", error.detail) from None
    try:
        yield form
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
