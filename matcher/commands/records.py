"""`platekin records list|show|remove`: look into the catalogue, and take a record out."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import Annotated, Literal

import typer
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from matcher.catalogue import Catalogue
from matcher.catalogue.enrol import update_index
from matcher.commands.shared import CatalogueOption, QuietOption, messages

app = typer.Typer(no_args_is_help=True, help="List records, show one, remove one.")

RecordArgument = Annotated[str, typer.Argument(help="The record's id.", metavar="RECORD")]


@app.command("list")
def list_records(
    catalogue: CatalogueOption,
    format: Annotated[Literal["table", "json"], typer.Option(help="json: one object a line.")] = "table",
) -> None:
    """List all records with the number of their references."""
    with Catalogue.open(catalogue) as opened:
        records = opened.records()
        held = [row.record_id for row in opened.references()]
    counts = {record_id: held.count(record_id) for record_id in set(held)}
    if format == "json":
        for record in records:
            print(json.dumps({**asdict(record), "references": counts.get(record.record_id, 0)}, ensure_ascii=False))
        return
    table = Table(show_edge=False, pad_edge=False)
    for heading in ("record", "subject", "pose", "crop", "caption", "club", "references"):
        table.add_column(heading)
    for record in records:
        known = (record.record_id, record.subject, record.pose, record.crop, record.caption, record.club)
        table.add_row(*map(escape, known), str(counts.get(record.record_id, 0)))
    Console(highlight=False).print(table)


@app.command("show")
def show(record: RecordArgument, catalogue: CatalogueOption) -> None:
    """Show one record and its references."""
    with Catalogue.open(catalogue) as opened:
        row, references = opened.record(record), opened.references(record)
        paths = [opened.image_path(reference) for reference in references]
    console = Console(highlight=False, soft_wrap=True)
    for name, value in asdict(row).items():
        if value:
            console.print(f"{name:10} {value}", markup=False)
    for reference, path in zip(references, paths, strict=True):
        contrast = reference.facts.get("residual_contrast")
        fade = "" if contrast is None else f", residual contrast {100 * float(contrast):.0f} %"
        copy = f", copy {reference.copy}" if reference.copy else ""
        console.print(f"reference  {reference.id}: {reference.name}{copy}{fade}\n           {path}", markup=False)


@app.command("remove")
def remove(
    record: RecordArgument,
    catalogue: CatalogueOption,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
    quiet: QuietOption = False,
) -> None:
    """Remove one record with its references from the catalogue; your own picture files are not touched."""
    with Catalogue.open(catalogue) as opened:
        row, references = opened.record(record), opened.references(record)
    if not yes:
        typer.confirm(f"Remove {record} ({row.caption}) and its {len(references)} references?", abort=True, err=True)
    with Catalogue.open(catalogue) as opened:
        opened.remove_record(record)
        with opened.writing():
            update_index(opened)
    if not quiet:
        messages.print(f"removed {record} and {len(references)} references", markup=False)
