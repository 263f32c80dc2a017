"""A request in, the one photo in it out. Nothing is decoded here, and neither name nor type is believed."""

from __future__ import annotations

import copy
from dataclasses import dataclass
from pathlib import PureWindowsPath
from typing import Any

from fastapi import Request
from starlette.datastructures import FormData, UploadFile
from starlette.exceptions import HTTPException

from api.problems import Fault, Problem

LONGEST_NAME = 255

OPENAPI: dict[str, Any] = {
    "requestBody": {
        "required": True,
        "content": {
            "multipart/form-data": {
                "schema": {
                    "type": "object",
                    "required": ["photo"],
                    "additionalProperties": False,
                    "properties": {
                        "photo": {
                            "type": "string",
                            "format": "binary",
                            "contentMediaType": "application/octet-stream",
                            "description": "JPEG, PNG, TIFF, WebP, BMP or GIF (not animated); its content decides.",
                        }
                    },
                }
            }
        },
    }
}


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
    if request.headers.get("content-type", "").split(";")[0].strip().lower() != "multipart/form-data":
        raise Problem("not_multipart")
    try:
        async with request.form(max_files=1, max_fields=1) as form:
            file = _only_file(form)
            return Upload(base_name(file.filename or ""), await file.read())
    except HTTPException as error:
        raise Problem("bad_form", error.detail) from None


async def read_uploads(request: Request) -> list[Upload]:
    """The form's parts, one or more files `photo`. Raises Problem not_multipart, bad_form, validation, no_pictures."""
    if request.headers.get("content-type", "").split(";")[0].strip().lower() != "multipart/form-data":
        raise Problem("not_multipart")
    try:
        async with request.form(max_files=MOST_PHOTOS, max_fields=1) as form:
            parts = form.multi_items()
            faults = [Fault("body", name, "is not expected: send only photo") for name, _ in parts if name != "photo"]
            files = [file for _, file in parts if isinstance(file, UploadFile)]
            if faults or len(files) < len(parts):
                told = faults or [Fault("body", "photo", "must be a file: give the part a file name")]
                raise Problem("validation", faults=told)
            if not files:
                raise Problem("no_pictures")
            return [Upload(base_name(file.filename or ""), await file.read()) for file in files]
    except HTTPException as error:
        raise Problem("bad_form", error.detail) from None


def base_name(name: str) -> str:
    r"""A client's file name without its folders and without what cannot be shown.

    >>> base_name("C:\\scans\\a.jpg"), base_name("../../b.jpg"), base_name("")
    ('a.jpg', 'b.jpg', 'photo')
    """
    shown = "".join(character for character in PureWindowsPath(name).name if character.isprintable())
    shown = shown[:LONGEST_NAME].strip()
    return "photo" if shown in ("", ".", "..") else shown


def _only_file(form: FormData) -> UploadFile:
    parts = form.multi_items()
    strange = [name for name, _ in parts if name != "photo"]
    if strange:
        raise Problem(
            "validation", faults=[Fault("body", name, "is not expected: send only photo") for name in strange]
        )
    if not parts:
        raise Problem("validation", faults=[Fault("body", "photo", "is missing: send one file of this name")])
    if len(parts) > 1 or not isinstance(parts[0][1], UploadFile):
        raise Problem("validation", faults=[Fault("body", "photo", "must be one file: give the part a file name")])
    return parts[0][1]
