"""`platekin doctor`: is everything in order, and if not, what to do?"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import cv2
import typer

from matcher.catalogue import Catalogue
from matcher.catalogue.calibration_store import InUse, confidence_in_use
from matcher.cli.output import HarmlessConsole
from matcher.core.calibration import Calibration
from matcher.core.describe import fingerprint
from matcher.core.errors import CatalogueError, PlatekinError
from matcher.core.nets import WEIGHTS, digest, sums
from matcher.core.search.reference_index import ReferenceIndex
from matcher.core.versions import versions

LATE = 500
"""References that the stored index may be behind: adding them at each opening takes well under a second."""


@dataclass(frozen=True)
class Check:
    """One line of the examination; `todo` is empty where all is well."""

    subject: str
    found: str
    todo: str = ""


def doctor(
    catalogue: Annotated[Path | None, typer.Option("--catalogue", "-c", help="Examine this catalogue too.")] = None,
) -> None:
    """Show versions, examine the installation and a catalogue, and say what to do."""
    console = HarmlessConsole(highlight=False, soft_wrap=True)
    troubled = False
    for check in _checks(catalogue):
        troubled = troubled or bool(check.todo)
        console.print(f"{'!!' if check.todo else 'ok'}  {check.subject:12} {check.found}", markup=False)
        if check.todo:
            console.print(f"    what to do:  {check.todo}", markup=False)
    if troubled:
        raise typer.Exit(1)


def _checks(folder: Path | None) -> Iterator[Check]:
    yield Check("versions", ", ".join(f"{name} {value}" for name, value in versions().items()))
    yield Check("platform", f"{sys.platform}, {cv2.getNumberOfCPUs()} processors")
    yield _weights()
    yield _confidence(folder)
    if folder is None:
        yield Check("catalogue", "none given: add --catalogue DIR to examine one")
        return
    try:
        with Catalogue.open(folder) as opened:
            yield from _catalogue_checks(opened, folder)
    except PlatekinError as error:
        yield Check("catalogue", error.message, error.remedy or "see the message")


def _confidence(folder: Path | None) -> Check:
    """Which calibration is in use: the catalogue's own or the shipped one."""
    try:
        used = confidence_in_use(folder) if folder else InUse(Calibration.load(), False)
    except CatalogueError as error:
        return Check("confidence", error.message, error.remedy)
    about = used.calibration.provenance
    fit = f"fitted on {about.get('pairs', '?')} rehearsed pairs ({about.get('made', '?')})"
    if used.own:
        return Check("confidence", f"the catalogue's own, {fit}: {about.get('pictures', '?')}")
    if used.outdated:
        again = f"fit it again: platekin rehearse --catalogue {folder}"
        return Check("confidence", f"shipped, {fit}; the catalogue's own is of another version", again)
    return Check("confidence", f"shipped, {fit}")


def _weights() -> Check:
    """Whether the networks and coefficients are what was shipped."""
    damaged = [name for name, told in sums().items() if digest(WEIGHTS / name) != told]
    found = f"{len(sums()) - len(damaged)} of {len(sums())} files are as shipped"
    return Check("networks", found, f"install platekin again: {', '.join(damaged)}" if damaged else "")


def _database(opened: Catalogue) -> Check:
    """SQLite's quick look at its own file; what else is stored, `platekin check` looks at."""
    with opened.reading() as connection:
        if connection.dialect.name != "sqlite":
            return Check("database", f"{connection.dialect.name}, it answers")
        told = [str(row[0]) for row in connection.exec_driver_sql("PRAGMA quick_check(5)")]
    if told == ["ok"]:
        return Check("database", "whole; platekin check looks at every picture too")
    return Check("database", "; ".join(told), "restore the catalogue from a backup")


def _catalogue_checks(opened: Catalogue, folder: Path) -> Iterator[Check]:
    counts = opened.counts()
    yield Check(
        "catalogue",
        f"{folder}: {counts.records} records, {counts.references} references, {counts.poses} poses, "
        f"{counts.subjects} subjects",
        "" if counts.references else f"enrol a table: platekin enrol RECORDS.csv --catalogue {folder}",
    )
    references = opened.references()
    lost = [reference for reference in references if not opened.image_path(reference).is_file()]
    names = ", ".join(f"{reference.record_id} ({reference.name})" for reference in lost[:5])
    yield Check(
        "images",
        f"{len(references) - len(lost)} of {len(references)} reference images are there",
        f"enrol these again from your own files: {names}" if lost else "",
    )
    index = ReferenceIndex.open(folder / "index", fingerprint(size=opened.settings.face))
    wanted = {reference.id for reference in references}
    stale = len(wanted ^ index.reference_ids())
    yield Check(
        "index",
        f"{len(index)} references, {index.kind}"
        + (f", {stale} since decided are added when it is opened" if stale else "")
        + ("; what is stored is damaged and left aside" if index.damaged else ""),
        "enrol any table again, and it is brought up to date" if stale > LATE or index.damaged else "",
    )
    yield _database(opened)
    old = sum(reference.fingerprint != fingerprint(size=opened.settings.face) for reference in references)
    yield Check(
        "descriptions",
        f"{len(references) - old} of {len(references)} made by this version",
        "enrol any table again, and they are made anew" if old else "",
    )
