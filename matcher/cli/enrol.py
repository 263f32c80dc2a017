"""`platekin enrol SOURCE`: a table of records with their pictures, or an export of another catalogue, brought in."""

from __future__ import annotations

import shlex
import tempfile
import zipfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, nullcontext
from functools import partial
from pathlib import Path
from typing import Annotated

import typer
from rich.progress import Progress

from matcher.catalogue import Catalogue
from matcher.catalogue.exchange.bag import import_bag
from matcher.catalogue.exchange.mapping import Preview, preview
from matcher.catalogue.exchange.zipped import unzip
from matcher.catalogue.records.cells import JSON_LINES
from matcher.catalogue.records.columns import parse_mapping
from matcher.catalogue.records.days import Order
from matcher.catalogue.records.enrol import enrol as enrol_table
from matcher.catalogue.records.enrol import removed_if_unused, renumbered
from matcher.catalogue.records.enrol_report import EnrolReport
from matcher.catalogue.records.prepare import LIMITS
from matcher.catalogue.records.table import Reading
from matcher.cli.options import ByOption, CatalogueOption, ClusterOption, QuietOption, StripOption, actor
from matcher.cli.output import counted, messages, print_table, progress, remark
from matcher.core.errors import BadTable, CatalogueError
from matcher.core.parallel.cluster import Cluster
from matcher.core.parallel.guarded import Guarded
from matcher.jobs.doubts import Doubt, doubts, each_merge_once

TABLES = (".csv", ".tsv", ".txt", ".xlsx", ".xls", ".ods", *JSON_LINES)
LOST_TOLD = 3
"""Rows that fail for one and the same reason are told one by one up to so many."""


def enrol(
    source: Annotated[
        Path,
        typer.Argument(
            metavar="SOURCE", help="A table (CSV, XLSX, ODS, JSON Lines), or an export: its folder, or a zip of it."
        ),
    ],
    catalogue: CatalogueOption,
    column: Annotated[
        list[str] | None,
        typer.Option("--map", metavar="YOURS=OURS", help="What a column of yours means; may be repeated."),
    ] = None,
    images: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Folder that image paths start from; the table's own if not given."),
    ] = None,
    encoding: Annotated[
        str, typer.Option(metavar="NAME", help="How a text file is encoded, like cp1250, where it is read wrongly.")
    ] = "",
    days: Annotated[Order | None, typer.Option(help="How 4/5/1987 is to be read.")] = None,
    renumber: Annotated[
        bool, typer.Option("--renumber", help="Give somebody else's records and poses free ids of this catalogue.")
    ] = False,
    doubt: Annotated[
        bool, typer.Option("--doubt/--no-doubt", help="Compare each new picture with the others of its pose.")
    ] = True,
    only_preview: Annotated[
        bool, typer.Option("--preview", help="Show what would come in, and every conflict; change nothing.")
    ] = False,
    workers: Annotated[int | None, typer.Option(min=0, help="Number of processes; 0 works in this one.")] = None,
    cluster: ClusterOption = None,
    by: ByOption = None,
    strip: StripOption = False,
    quiet: QuietOption = False,
) -> None:
    """Enrol records with their pictures from a table or an export. The same source again changes nothing.

    Of a picture with several cards the clearest is taken, unless a column `outline` tells where the record's card is:
    x and y of its four corners in pixels, clockwise from its upper left. Exports tell it where it was given.
    """
    reading = Reading(images, parse_mapping(column or ()), encoding, days)
    with _unpacked(source) as found:
        if found.is_dir():
            _enrol_export(found, catalogue, quiet)
        elif only_preview:
            _show(_previewed(found, reading, catalogue, renumber))
        else:
            with (
                Cluster.connect(cluster, found) if cluster else nullcontext() as machines, Guarded(LIMITS) as guard,
                progress(quiet) as bar,
            ):  # fmt: skip
                task = bar.add_task("enrolling", total=None)
                report = enrol_table(
                    found,
                    catalogue,
                    progress=lambda done, total: bar.update(task, completed=done, total=total),
                    workers=workers,
                    who=actor(by),
                    cluster=machines,
                    reading=reading,
                    new_ids=renumber,
                    strip=strip,
                    elsewhere=guard,
                )
                odd = _doubts(catalogue, report, bar) if doubt else ()
            print_report(report, quiet)
            tell_doubts(odd, quiet)
            if report.failed:
                raise typer.Exit(1)


@contextmanager
def _unpacked(source: Path) -> Iterator[Path]:
    """What is in a zip that is no spreadsheet: the export, or the one table that lies beside its pictures."""
    if not source.is_file() or not zipfile.is_zipfile(source) or source.suffix.lower() in TABLES:
        yield source
        return
    with tempfile.TemporaryDirectory() as scratch, source.open("rb") as stream:
        names = unzip(stream, Path(scratch))
        bag = next((name for name in sorted(names, key=len) if name.endswith("bagit.txt")), None)
        tables = [name for name in names if Path(name).suffix.lower() in TABLES]
        if bag is not None:
            yield (Path(scratch) / bag).parent
        elif len(tables) == 1:
            yield Path(scratch) / tables[0]
        else:
            found = f"{len(tables)} tables" if tables else "no table"
            raise BadTable(
                "bad_zip", f"{source}: {found} in the zip, and no export", "pack one table with its pictures"
            )


def _check_export(folder: Path) -> None:
    """Raises BadTable bad_bag for a folder that is no export: with what to enrol of it, or how."""
    if (folder / "bagit.txt").exists():
        return
    there = sorted(path.name for path in folder.iterdir() if path.suffix.lower() in TABLES)
    todo = "write a table beside the pictures, one row for each, and enrol that: platekin enrol --help"
    if there:
        todo = f"enrol the table in it: platekin enrol {shlex.quote(str(folder / there[0]))}"
    raise BadTable("bad_bag", f"{folder}: a folder, but not an export of platekin, which has a bagit.txt", todo)


def _enrol_export(folder: Path, catalogue: Path, quiet: bool) -> None:
    _check_export(folder)
    with removed_if_unused(catalogue), Catalogue.open(catalogue, create=True) as opened, progress(quiet) as bar:
        task = bar.add_task("checking", total=None)
        done = import_bag(opened, folder, lambda n, total: bar.update(task, completed=n, total=total))
    remark(f"{counted(done.decisions, 'decision')} brought in", quiet)


def _previewed(table: Path, reading: Reading, catalogue: Path, renumber: bool) -> Preview:
    """What would come in; into nothing where there is no catalogue yet."""
    try:
        with Catalogue.open(catalogue) as opened:
            new_ids = partial(renumbered, catalogue=opened) if renumber else None
            return preview(table, reading, opened.records(), new_ids)
    except CatalogueError as error:
        if error.code == "not_a_catalogue" and not catalogue.exists():
            return preview(table, reading)
        raise


def _doubts(catalogue: Path, report: EnrolReport, bar: Progress) -> tuple[Doubt, ...]:
    """What is odd about the pictures that have come in."""
    if not report.references_added:
        return ()
    task = bar.add_task("comparing with the other pictures of each pose", total=None)
    with Catalogue.open(catalogue) as opened:
        found = doubts(
            opened, report.references_added, progress=lambda done, total: bar.update(task, completed=done, total=total)
        )
    return each_merge_once(found)


def tell_doubts(found: Sequence[Doubt], quiet: bool) -> None:
    """Ask a person to look, on stderr; a doubt is no failure."""
    if quiet or not found:
        return
    messages.print(f"\n{counted(len(found), 'picture')} to look at; nothing was changed:", markup=False)
    for one in found:
        messages.print(f"  {one.words}?\n    what to do: {one.todo}", markup=False)


def print_report(report: EnrolReport, quiet: bool) -> None:
    """Say on stderr what became of a table."""
    lost = [row for row in report.failed if row.code == "missing_file"]
    alike = lost if len(lost) > LOST_TOLD else []
    for row in report.failed:
        if row in alike[LOST_TOLD:]:
            continue
        todo = f" ({row.remedy})" if row.remedy else ""
        where = "" if f"line {row.line}:" in row.message else f"line {row.line}: "
        messages.print(f"{where}{row.message}{todo}", markup=False)
    if alike:
        messages.print(
            f"{counted(len(lost), 'picture')} not found in all; if they lie elsewhere: --images DIR",
            markup=False,
        )
    if quiet:
        return
    for words in report.told:
        messages.print(words, markup=False)
    for note in report.notes:
        messages.print(f"line {note.line}: {note.note}", markup=False)
    messages.print(
        f"{report.added} added, {report.unchanged} unchanged, {len(report.failed)} failed; the catalogue holds "
        f"{counted(report.records, 'record')} with {counted(report.references, 'reference')}",
        markup=False,
    )


def _show(seen: Preview) -> None:
    """A preview; exits with 1 where something speaks against the table."""
    kept = ((theirs, ours or "kept under its own name") for theirs, ours in seen.columns)
    print_table(("your column", "read as"), kept)
    names = list(seen.rows[0]) if seen.rows else []
    print(f"\nthe first of {counted(seen.total, 'row')}:")
    print_table(names, ([row[name] for name in names] for row in seen.rows))
    for words in seen.notes:
        messages.print(words, markup=False)
    for conflict in seen.conflicts:
        messages.print(conflict, markup=False)
    if seen.lacking:
        hints = "; ".join(
            f"{theirs}: did you mean {ours}? --map {theirs}={ours}" for theirs, ours in seen.meant.items()
        )
        told = hints or f"say which column it is: --map YOURS={seen.lacking[0]}"
        messages.print(f"no column {', '.join(seen.lacking)}. {told}", markup=False)
    if seen.lacking or seen.conflicts:
        told = f"{counted(len(seen.conflicts), 'conflict')}; " if seen.conflicts else ""
        messages.print(f"{told}nothing was changed", markup=False)
        raise typer.Exit(1)
    messages.print(f"{counted(seen.total, 'row')} would be added, no conflicts; nothing was changed", markup=False)
