"""The addresses of what goes out and comes in whole: exports and backups, bags, logs and tables; and the check of all.

All of it but tables and log as files needs the scope manage. A download is packed while it is sent. An import is
unpacked into a folder of its own, checked there, and only then brought in, all of it or nothing; of a table, each row
that can be used. An import wants If-Match with the log's ETag: sent twice, it is refused the second time instead of
being done twice.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack
from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any, TypeVar

from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import StreamingResponse
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile

from api import upload
from api.access import MayRead, allow
from api.curation.preconditions import current_tag, unchanged_since
from api.exchange import importing, shapes
from api.parameters import MatchHeader
from api.pictures import BINARY
from api.problems import ACCESS, CLASHES, REQUEST, STORAGE, WRITING, Problem, documented
from api.service import Service, ServiceNow
from matcher.catalogue.exchange import package
from matcher.catalogue.exchange.backup import backup_files
from matcher.catalogue.exchange.bag import bag_files, contents_of
from matcher.catalogue.exchange.bare import bare_files
from matcher.catalogue.exchange.check import check
from matcher.catalogue.exchange.zipped import zip_stream
from matcher.catalogue.records.scratch import scratch_folder

FOLDER = "platekin-catalogue"
"""What a download's zip holds; RFC 8493, section 4: a bag that is packed has one folder at its top."""

ZIP: dict[int | str, dict[str, Any]] = {
    200: {
        "description": f"A zip with the folder {FOLDER}.",
        "content": {"application/zip": BINARY},
    }
}
IMPORTING = (*REQUEST, *WRITING, "precondition_needed", "changed_since", "busy")
PACKED = ("bad_zip", "zip_too_large")
LOGS = ("bad_log", "another_catalogue", "does_not_fit")
TABLES = (
    "missing_column",
    "duplicate_column",
    "not_csv",
    "not_utf8",
    "not_a_table",
    "empty_table",
    "table_too_large",
    "bad_mapping",
)

FILES = {kind: {"schema": {"type": "string"}} for kind in ("text/csv", "application/jsonl")}

Done = TypeVar("Done")

router = APIRouter(prefix="/v1")


@router.get("/exports/catalogue.zip", operation_id="export_catalogue", summary="Export the whole catalogue as a bag",
            response_class=Response, responses={**ZIP, **documented("validation", *ACCESS, *STORAGE)})  # fmt: skip
def export_catalogue(
    request: Request, service: ServiceNow, query: Annotated[shapes.ExportQuery, Query()]
) -> StreamingResponse:
    """A BagIt bag with every picture as it was given, tables and log; the same catalogue gives the same bytes.

    With `strip` the table and its pictures, without what their files say of place, device and owner; it has no log, and
    is enrolled elsewhere.
    """
    allow(request, "manage")
    if query.strip:
        return _download("catalogue.zip", bare_files(service.catalogue))
    contents = contents_of(service.catalogue)
    return _download("catalogue.zip", bag_files(service.catalogue, contents))


@router.get("/backup.zip", operation_id="backup", summary="Back up the catalogue as a working copy",
            response_class=Response, responses={**ZIP, **documented(*ACCESS, *STORAGE)})  # fmt: skip
def backup(request: Request, service: ServiceNow) -> StreamingResponse:
    """The catalogue as it is at this moment, also while others write. Unpack it and give the folder as --catalogue."""
    allow(request, "manage")
    held = ExitStack()
    try:
        named = backup_files(service.catalogue, held.enter_context(scratch_folder(service.catalogue.folder)))
    except BaseException:
        held.close()
        raise

    def files() -> Iterator[tuple[str, Path]]:
        with held:
            yield from named.items()

    return _download("backup.zip", files())


@router.post("/imports/bag", operation_id="import_bag", summary="Import an export of platekin",
             openapi_extra=upload.described({"bag": "A zip as /v1/exports/catalogue.zip gives it."}),
             responses=documented("bad_bag", *PACKED, *LOGS, *IMPORTING))  # fmt: skip
async def import_bag(
    request: Request, response: Response, service: ServiceNow, if_match: MatchHeader = None
) -> shapes.Imported:
    """Into an empty catalogue, or one that the bag continues: all of it, or nothing."""

    def bring(files: dict[str, UploadFile], scratch: Path) -> shapes.Imported:
        check, who = unchanged_since(None, if_match or ""), allow(request, "manage")
        return importing.bring_bag(service.catalogue, files["bag"].file, scratch, service.unpacking, check, who)

    return await _import(request, response, service, if_match, ("bag",), (), bring)


@router.post("/imports/log", operation_id="import_log", summary="Import a log",
             openapi_extra=upload.described({"log": "JSON Lines as /v1/exports/decisions.jsonl gives them."}),
             responses=documented(*LOGS, *IMPORTING))  # fmt: skip
async def import_log(
    request: Request, response: Response, service: ServiceNow, if_match: MatchHeader = None
) -> shapes.Imported:
    """Into an empty catalogue, or one that the log continues; the pictures that it names come with a bag."""

    def bring(files: dict[str, UploadFile], scratch: Path) -> shapes.Imported:
        check, who = unchanged_since(None, if_match or ""), allow(request, "manage")
        return importing.play_log(service.catalogue, files["log"].file, scratch, check, who)

    return await _import(request, response, service, if_match, ("log",), (), bring)


@router.post("/imports/table/preview", operation_id="preview_table", summary="Preview a table",
             openapi_extra=upload.described({"table": shapes.TABLE}),
             responses=documented(*TABLES, *REQUEST, *WRITING, "busy"))  # fmt: skip
async def preview_table(
    request: Request, response: Response, service: ServiceNow, query: Annotated[shapes.MappingQuery, Query()]
) -> shapes.TablePreview:
    """How its columns map to ours, and its first rows; nothing is stored."""

    def look(files: dict[str, UploadFile], scratch: Path) -> shapes.TablePreview:
        return importing.look_at_table(files["table"], scratch, query.column)

    return await _import(request, response, service, "*", ("table",), (), look)


@router.post("/imports/table", operation_id="import_table", summary="Enrol a table with its pictures",
             openapi_extra=upload.described(
                 {"table": shapes.TABLE}, {"pictures": "A zip of the pictures, by their paths in the table."}),
             responses=documented(*TABLES, *PACKED, *CLASHES, "no_name", *IMPORTING))  # fmt: skip
async def import_table(
    request: Request, response: Response, service: ServiceNow, query: Annotated[shapes.TableQuery, Query()],
    if_match: MatchHeader = None,
) -> shapes.ImportedTable:  # fmt: skip
    """Each row that can be used is enrolled; the others are listed with what is wrong and what to do."""

    def bring(files: dict[str, UploadFile], scratch: Path) -> shapes.ImportedTable:
        who = allow(request, "manage", query.by)
        check = unchanged_since(None, if_match or "")
        return importing.enrol_table(
            service.catalogue, files, scratch, query.column, who, service.unpacking, check, query.strip
        )

    return await _import(request, response, service, if_match, ("table",), ("pictures",), bring)


@router.get("/exports/{name}", operation_id="export", summary="Export the records or the log as a file",
            response_class=Response,
            responses={200: {"description": "The file.", "content": FILES},
                       **documented("validation", *ACCESS, *STORAGE)})  # fmt: skip
def export(service: ServiceNow, _: MayRead, name: shapes.ExportName) -> Response:
    with service.catalogue.reading() as connection:
        if name == "records.csv":
            return _file(package.records_csv(connection), name, "text/csv")
        if name == "records.jsonl":
            return _file(package.records_jsonl(connection), name, "application/jsonl")
        return _file(package.log_bytes(connection), name, "application/jsonl")


@router.get("/check", operation_id="check", summary="Check whether the catalogue is whole",
            responses=documented(*ACCESS, *STORAGE))  # fmt: skip
def checked(request: Request, service: ServiceNow) -> shapes.Checked:
    """Reads every image, which takes a while. Needs the scope manage."""
    allow(request, "manage")
    troubles = check(service.catalogue)
    folder = str(service.catalogue.folder)
    return shapes.Checked(
        troubles=[shapes.Trouble(**{**asdict(one), "what": one.what.replace(folder, "")}) for one in troubles]
    )


async def _import(
    request: Request, response: Response, service: Service, if_match: str | None, needed: tuple[str, ...],
    optional: tuple[str, ...], bring: Callable[[dict[str, UploadFile], Path], Done],
) -> Done:  # fmt: skip
    """Receive the files, have them brought in on a thread, and tell the log's new ETag."""
    await run_in_threadpool(allow, request, "manage")
    if if_match is None:
        raise Problem("precondition_needed")
    if not service.importing.acquire(blocking=False):
        raise Problem("busy", "Another import is under way.")
    try:
        async with upload.files_of(request, needed, optional) as files:
            done = await run_in_threadpool(importing.in_scratch, service.catalogue, bring, files)
    finally:
        service.importing.release()
    response.headers["ETag"] = await run_in_threadpool(current_tag, service.catalogue, "log")
    return done


def _download(name: str, files: Iterable[tuple[str, bytes | Path]]) -> StreamingResponse:
    packed = zip_stream((f"{FOLDER}/{file}", given) for file, given in files)
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return StreamingResponse(packed, headers=headers, media_type="application/zip")


def _file(data: bytes, name: str, media_type: str) -> Response:
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return Response(data, headers=headers, media_type=media_type)
