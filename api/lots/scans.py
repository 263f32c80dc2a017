"""Lots of scans that lie on the service's own machine: which folders there are, and one of them taken as a lot.

Only what lies inside the folder that `serve --scans` names is shown and read, and never written to; folders are named
by where they lie in it, and only those that are listed can be asked for.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, Depends, Request
from starlette.concurrency import run_in_threadpool

from api.access import MayRead, allow
from api.lots import shapes
from api.lots.routes import lot_shape
from api.problems import ACCESS, STORAGE, Problem, documented
from api.service import ServiceNow
from matcher.jobs.lot import store
from matcher.jobs.lot.discovery import PICTURES
from matcher.jobs.lot.job_queue import receive_folder

MOST_FOLDERS = 1000

router = APIRouter(prefix="/v1")


def _root(request: Request) -> Path | None:
    root: Path | None = request.app.state.scans
    return root


Root = Annotated[Path | None, Depends(_root)]


def _only_json(request: Request) -> None:
    """Raises Problem not_json."""
    kind = request.headers.get("content-type", "").split(";")[0].strip().lower()
    if kind != "application/json" and not kind.endswith("+json"):
        raise Problem("not_json")


@router.get("/scans", operation_id="list_scans", summary="List folders of scans on the service's machine",
            responses=documented(*ACCESS, *STORAGE))  # fmt: skip
def list_scans(service: ServiceNow, _: MayRead, root: Root) -> shapes.ScanFolders:
    found = [] if root is None else list(_folders(root, service.catalogue.folder))
    return shapes.ScanFolders(items=[shapes.ScanFolder(folder=name, pictures=number) for name, number in found])


@router.post("/lots/folder", operation_id="take_folder", summary="Take a folder of scans as a lot", status_code=201,
             dependencies=[Depends(_only_json)],
             responses=documented("no_such_folder", "missing_file", "validation", "bad_request", "not_json",
                                  "body_too_large", "read_only", *ACCESS, *STORAGE))  # fmt: skip
async def take_folder(request: Request, service: ServiceNow, wish: shapes.FolderLot, root: Root) -> shapes.Lot:
    """Asked again for the same folder it is the same lot; files that are new there are added to it."""

    def taken() -> shapes.Lot:
        who = allow(request, "decide")
        catalogue = service.catalogue
        if root is None or wish.folder not in {name for name, _ in _folders(root, catalogue.folder)}:
            raise Problem("no_such_folder")
        folder = (root / wish.folder).resolve()
        options = store.options_of(wish.sides, wish.strip)
        name = wish.name or folder.name
        lot = store.make_lot(
            catalogue, store.key_of([folder], options), name, who.name, [str(folder)], options, served=True
        )
        receive_folder(catalogue, lot, folder, catalogue.settings)
        return lot_shape(catalogue, lot)

    answer = await run_in_threadpool(taken)
    service.lots.wake()
    return answer


def _folders(root: Path, leave: Path) -> Iterator[tuple[str, int]]:
    """Folders with pictures in them and how many, in order, at most MOST_FOLDERS; links are not followed.

    leave: the catalogue, whose own pictures are no scans.
    """
    given, leave = 0, leave.resolve()
    for place, folders, names in os.walk(root):
        folders[:] = sorted(name for name in folders if name[0] != "." and Path(place, name) != leave)
        number = sum(Path(name).suffix.casefold() in PICTURES and not name.startswith(".") for name in names)
        if number and given < MOST_FOLDERS:
            given += 1
            yield os.fsencode(os.path.relpath(place, root)).decode("utf-8", "replace"), number
