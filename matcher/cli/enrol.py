"""`platekin enrol RECORDS.csv`: bring a table of records with their reference images into the catalogue."""

from __future__ import annotations

from contextlib import nullcontext
from pathlib import Path
from typing import Annotated

import typer

from matcher.catalogue.records.enrol import enrol as enrol_table
from matcher.catalogue.records.enrol_report import EnrolReport
from matcher.cli.options import ByOption, CatalogueOption, ClusterOption, QuietOption, StripOption, actor
from matcher.cli.output import messages, progress
from matcher.core.parallel.cluster import Cluster


def enrol(
    table: Annotated[Path, typer.Argument(metavar="RECORDS.csv", help="The table; image paths are relative to it.")],
    catalogue: CatalogueOption,
    workers: Annotated[int | None, typer.Option(min=0, help="Processes; 0 works in this one.")] = None,
    cluster: ClusterOption = None,
    by: ByOption = None,
    strip: StripOption = False,
    quiet: QuietOption = False,
) -> None:
    """Add records and references from a CSV. Enrolling the same file again changes nothing."""
    with Cluster.connect(cluster, table) if cluster else nullcontext() as machines, progress(quiet) as bar:
        task = bar.add_task("enrolling", total=None)
        report = enrol_table(
            table,
            catalogue,
            progress=lambda done, total: bar.update(task, completed=done, total=total),
            workers=workers,
            who=actor(by),
            cluster=machines,
            strip=strip,
        )
    print_report(report, quiet)
    if report.failed:
        raise typer.Exit(1)


def print_report(report: EnrolReport, quiet: bool) -> None:
    """Say on stderr what became of a table."""
    for row in report.failed:
        todo = f" ({row.remedy})" if row.remedy else ""
        where = "" if f"line {row.line}:" in row.message else f"line {row.line}: "
        messages.print(f"{where}{row.message}{todo}", markup=False)
    if quiet:
        return
    for note in report.notes:
        messages.print(f"line {note.line}: {note.note}", markup=False)
    messages.print(
        f"{report.added} added, {report.unchanged} unchanged, {len(report.failed)} failed; "
        f"the catalogue holds {report.records} records with {report.references} references"
    )
