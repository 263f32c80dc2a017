"""`platekin records ...`: look into the catalogue, find a name, put records right, join, part and remove them."""

from __future__ import annotations

from collections import Counter
from dataclasses import asdict
from typing import Annotated

import typer

from matcher.catalogue import Catalogue
from matcher.catalogue.records.corrections import EDITABLE, edit_record, merge_records, split_record
from matcher.catalogue.records.name_search import Found, NameSearch
from matcher.cli.options import CatalogueOption, DecisionOptions, FormatOption, SeriesOption, grouped
from matcher.cli.output import HarmlessConsole, print_rows, remark

app = typer.Typer(no_args_is_help=True, help="List, find and show records; put them right, merge, split, remove them.")

RecordArgument = Annotated[str, typer.Argument(help="The record's id.", metavar="RECORD")]


@app.command("list")
def list_records(
    catalogue: CatalogueOption,
    subject: Annotated[str | None, typer.Option(help="Only of this subject, in upper or lower case.")] = None,
    pose: Annotated[str | None, typer.Option(help="Only of this pose.")] = None,
    series: SeriesOption = None,
    format: FormatOption = "table",
) -> None:
    """List records with the number of their references."""
    with Catalogue.open(catalogue) as opened:
        records = [
            record for record in opened.records()
            if subject is None or record.subject.casefold() == subject.strip().casefold()
            if pose in (None, record.pose) and series in (None, record.series)
        ]  # fmt: skip
        counts = Counter(row.record_id for row in opened.references())
    print_rows(
        format, records, ("record", "subject", "pose", "crop", "caption", "club", "references"),
        lambda row: (row.record_id, row.subject, row.pose, row.crop, row.caption, row.club, counts[row.record_id]),
        lambda row: {**asdict(row), "references": counts[row.record_id]},
    )  # fmt: skip


@app.command("show")
def show(record: RecordArgument, catalogue: CatalogueOption) -> None:
    """Show one record and its references."""
    with Catalogue.open(catalogue) as opened:
        row, references = opened.record(record), opened.references(record)
        paths = [opened.image_path(reference) for reference in references]
    console = HarmlessConsole(highlight=False, soft_wrap=True)
    for name, value in asdict(row).items():
        if value:
            console.print(f"{name:10} {value}", markup=False)
    for reference, path in zip(references, paths, strict=True):
        contrast = reference.facts.get("residual_contrast")
        fade = "" if contrast is None else f", residual contrast {100 * float(contrast):.0f} %"
        copy = f", copy {reference.copy}" if reference.copy else ""
        console.print(f"reference  {reference.id}: {reference.name}{copy}{fade}\n           {path}", markup=False)


@app.command("remove")
@grouped
def remove(
    record: RecordArgument,
    decision: DecisionOptions,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
) -> None:
    """Remove one record with its references from the catalogue; your own picture files are not touched."""
    with decision.open() as opened:
        row, references = opened.record(record), opened.references(record)
    if not yes:
        typer.confirm(f"Remove {record} ({row.caption}) and its {len(references)} references?", abort=True, err=True)
    with decision.open() as opened:
        opened.remove_record(record, decision.actor, decision.note)
    undo = "platekin decisions undo brings them back"
    remark(f"removed {record} and {len(references)} references; {undo}", decision.quiet)


FieldsOption = Annotated[
    list[str] | None,
    typer.Option("--set", metavar="FIELD=TEXT", help=f"One of {', '.join(EDITABLE)}; may be repeated."),
]


@app.command("search")
def search(
    name: Annotated[str, typer.Argument(metavar="NAME", help="As you remember it; a few letters may be wrong.")],
    catalogue: CatalogueOption,
    limit: Annotated[int, typer.Option(min=1, max=500, help="At most so many records.")] = 10,
    format: FormatOption = "table",
) -> None:
    """Find records by a name, however it is spelt."""
    with Catalogue.open(catalogue) as opened:
        found = NameSearch.of(opened).find(name, limit)
    headings = ("like", "record", "subject", "pose", "crop", "caption")
    print_rows(format, found, headings, _found_line, lambda one: {"likeness": one.likeness, **asdict(one.record)})


def _found_line(found: Found) -> tuple[object, ...]:
    record = found.record
    return (found.likeness, record.record_id, record.subject, record.pose, record.crop, record.caption)


@app.command("edit")
@grouped
def edit(record: RecordArgument, decision: DecisionOptions, fields: FieldsOption = None) -> None:
    """Put right what a record says: --set caption="Wm. Tarrowick"."""
    with decision.open() as opened:
        decision.report(edit_record(opened, record, _fields(fields), decision.actor, note=decision.note))


@app.command("merge")
@grouped
def merge(
    gone: Annotated[str, typer.Argument(metavar="GONE", help="The record that goes.")],
    into: Annotated[str, typer.Argument(metavar="INTO", help="The record that stays.")],
    decision: DecisionOptions,
) -> None:
    """Say that two records are one; references, copies and sightings follow."""
    with decision.open() as opened:
        decision.report(merge_records(opened, gone, into, decision.actor, note=decision.note))


@app.command("split")
@grouped
def split(
    record: RecordArgument,
    new: Annotated[str, typer.Argument(metavar="NEW", help="Id of the new record.")],
    decision: DecisionOptions,
    reference: Annotated[list[int], typer.Option("--reference", help="A reference that goes to it; may be repeated.")],
    sighting: Annotated[list[int] | None, typer.Option("--sighting", help="A sighting that goes to it.")] = None,
    fields: FieldsOption = None,
) -> None:
    """Say that one record was two: some references become a new one, which says what --set says."""
    with decision.open() as opened:
        made = split_record(
            opened, record, reference, new, _fields(fields), decision.actor, sightings=sighting or (),
            note=decision.note,
        )  # fmt: skip
    decision.report(made)


def _fields(given: list[str] | None) -> dict[str, str]:
    """FIELD=TEXT options as a mapping."""
    wrong = [one for one in given or () if "=" not in one]
    if wrong:
        raise typer.BadParameter(f"{wrong[0]!r} is not FIELD=TEXT", param_hint="--set")
    pairs = [one.split("=", 1) for one in given or ()]
    return {name.strip(): text for name, text in pairs}
