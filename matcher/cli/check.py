"""`platekin check`: is everything in order, the installation and the catalogue, and if not, what to do?"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Annotated

import cv2
import typer

from matcher.catalogue import Catalogue
from matcher.catalogue.calibration_store import InUse, confidence_in_use
from matcher.catalogue.exchange.check import BEHIND
from matcher.catalogue.exchange.check import check as check_catalogue
from matcher.cli.defaults import VARIABLE, remembered
from matcher.cli.options import FormatOption, QuietOption
from matcher.cli.output import HarmlessConsole, counted, print_json, progress
from matcher.core.calibration import Calibration
from matcher.core.describe import fingerprint
from matcher.core.errors import CatalogueError, PlatekinError
from matcher.core.nets import WEIGHTS, digest, sums
from matcher.core.search.reference_index import ReferenceIndex
from matcher.core.versions import versions
from matcher.jobs.doubts import doubts, each_merge_once
from matcher.jobs.listing.vocabulary import Vocabulary

TOLD = 10
PARTS = {"pi_heif": "HEIC photos of telephones", "pypdfium2": "PDFs", "rapidocr": "reading captions"}
EXTRAS = {"pi_heif": "heic", "pypdfium2": "pdf", "rapidocr": "reading"}


@dataclass(frozen=True)
class Check:
    """One line of the examination; `todo` is empty where all is well. doubted: nothing is broken."""

    subject: str
    found: str
    todo: str = ""
    doubted: bool = False


def check(
    catalogue: Annotated[
        Path | None,
        typer.Option(
            "--catalogue",
            "-c",
            metavar="DIR",
            envvar=VARIABLE,
            default_factory=remembered,
            show_default=False,
            help="The catalogue's folder; the installation alone is examined where none is known.",
        ),
    ],
    quick: Annotated[
        bool, typer.Option("--quick", help="Neither read every image nor compare references with each other.")
    ] = False,
    format: FormatOption = "table",
    quiet: QuietOption = False,
) -> None:
    """Check the installation and a catalogue, and say what to do; exit with 1 where something is wrong."""
    console = HarmlessConsole(highlight=False, soft_wrap=True)
    troubled = False
    with progress(quiet) as bar:
        task = bar.add_task("checking", total=None)

        def tell(done: int, total: int) -> None:
            bar.update(task, completed=done, total=total)

        for one in _checks(catalogue, quick, tell):
            troubled = troubled or bool(one.todo and not one.doubted)
            if format == "json":
                print_json(asdict(one))
                continue
            mark = "?" if one.doubted else "!!" if one.todo else "ok"
            console.print(f"{mark:2}  {one.subject:12} {one.found}", markup=False)
            if one.todo:
                console.print(f"    what to do:  {one.todo}", markup=False)
    if troubled:
        raise typer.Exit(1)


def _checks(folder: Path | None, quick: bool, tell: Callable[[int, int], None]) -> Iterator[Check]:
    yield Check("versions", ", ".join(f"{name} {value}" for name, value in versions().items()))
    yield Check("platform", f"{sys.platform}, {counted(cv2.getNumberOfCPUs(), 'processor')}")
    yield _parts()
    yield _weights()
    yield _confidence(folder)
    if folder is None:
        yield Check("catalogue", "none is named: add --catalogue DIR to check one")
        return
    try:
        with Catalogue.open(folder) as opened:
            yield from _catalogue_checks(opened, folder)
            yield from _whole(opened, quick, tell)
    except PlatekinError as error:
        yield Check("catalogue", error.message, error.remedy or "see the message")


def _parts() -> Check:
    """Which of the parts that need not be installed are there."""
    there = [words for name, words in PARTS.items() if find_spec(name)]
    lacking = [
        f"{words} (pip install 'platekin[{EXTRAS[name]}]')" for name, words in PARTS.items() if not find_spec(name)
    ]
    told = f"can read: {', '.join(there) or 'the usual picture files'}"
    return Check("extras", told + (f"; not installed: {', '.join(lacking)}" if lacking else ""))


def _whole(opened: Catalogue, quick: bool, tell: Callable[[int, int], None]) -> Iterator[Check]:
    """The vocabulary, and unless it shall be quick every file, the log, and the references among themselves."""
    try:
        Vocabulary.of(opened.folder, opened.records())
    except CatalogueError as error:
        yield Check("vocabulary", error.message, error.remedy)
    if quick:
        return
    troubles = check_catalogue(opened, tell)
    for trouble in troubles:
        yield Check(trouble.kind, trouble.what, trouble.todo)
    if not troubles:
        yield Check("contents", "images, tables and log are whole")
    found = each_merge_once(doubts(opened, progress=tell))
    for doubt in found[:TOLD]:
        yield Check("doubt", doubt.words, doubt.todo, doubted=True)
    if len(found) > TOLD:
        yield Check("doubt", f"and {counted(len(found) - TOLD, 'more doubt')}", "mend these first", doubted=True)
    if not found:
        yield Check("references", "each resembles the others of its pose")


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
    found = f"{len(sums()) - len(damaged)} of {counted(len(sums()), 'file')} are as shipped"
    return Check("networks", found, f"install platekin again: {', '.join(damaged)}" if damaged else "")


def _database(opened: Catalogue) -> Check:
    """SQLite's quick look at its own file; what else is stored is looked at one by one, unless it shall be quick."""
    with opened.reading() as connection:
        if connection.dialect.name != "sqlite":
            return Check("database", f"{connection.dialect.name}, it answers")
        told = [str(row[0]) for row in connection.exec_driver_sql("PRAGMA quick_check(5)")]
    if told == ["ok"]:
        return Check("database", "its file is whole")
    return Check("database", "; ".join(told), "restore the catalogue from a backup")


def _index(opened: Catalogue, folder: Path, wanted: set[int]) -> Check:
    """The stored index is a cache: a backup has none yet, a few newer references are added unnoticed at each start."""
    index = ReferenceIndex.open(folder / "index", fingerprint(size=opened.settings.face))
    stale = len(wanted ^ index.reference_ids())
    again = "enrol any table again, and it is stored anew"
    if index.damaged:
        return Check("index", "what is stored of it is damaged and left aside: each start takes longer", again)
    if stale > BEHIND:
        told = f"{counted(stale, 'reference')} came or went since it was stored: each start takes longer"
        return Check("index", told, again)
    return Check("index", f"{counted(len(wanted), 'reference')} can be searched")


def _catalogue_checks(opened: Catalogue, folder: Path) -> Iterator[Check]:
    counts = opened.counts()
    yield Check(
        "catalogue",
        f"{folder}: {counted(counts.records, 'record')}, {counted(counts.references, 'reference')}, "
        f"{counted(counts.poses, 'pose')}, {counted(counts.subjects, 'subject')}",
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
    yield _index(opened, folder, {reference.id for reference in references})
    yield _database(opened)
    old = sum(reference.fingerprint != fingerprint(size=opened.settings.face) for reference in references)
    yield Check(
        "descriptions",
        f"{len(references) - old} of {len(references)} made by this version",
        "enrol any table again to make them anew" if old else "",
    )
