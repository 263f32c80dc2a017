"""`platekin records ...`: look into the catalogue, find a name; correct records, merge, split and remove them."""

from __future__ import annotations

from collections import Counter
from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any

import typer

from matcher.catalogue import Catalogue, ReferenceRow
from matcher.catalogue.log.decisions import DecisionRow
from matcher.catalogue.records.corrections import EDITABLE, edit_record, merge_records, split_record
from matcher.catalogue.records.indexing import outlined_anew
from matcher.catalogue.records.name_search import Found, NameSearch, bears, plain
from matcher.catalogue.records.outlining import outline_reference
from matcher.cli.options import (
    CatalogueOption,
    CornersOption,
    DecisionOptions,
    FormatOption,
    SeriesOption,
    TurnOption,
    grouped,
)
from matcher.cli.output import HarmlessConsole, counted, messages, print_json, print_rows, remark
from matcher.cli.photos import corners_of, turned
from matcher.core.errors import CatalogueError
from matcher.core.ladder.mark import mark_words

app = typer.Typer(no_args_is_help=True, help="List, find and show records; correct, merge, split and remove them.")

LEAST_LIKE = 60.0
"""Of 100: below that a name is another name. By hand: on the demo set's names, two wrong letters in eight give 75."""

RecordArgument = Annotated[str, typer.Argument(help="The record's id.", metavar="RECORD")]


@app.command("list")
def list_records(
    catalogue: CatalogueOption,
    subject: Annotated[
        str | None, typer.Option(metavar="NAME", help="Only of this sitter, in upper or lower case.")
    ] = None,
    pose: Annotated[str | None, typer.Option(metavar="POSE", help="Only of this pose.")] = None,
    series: SeriesOption = None,
    mark: Annotated[
        str | None, typer.Option(help="Only with this issuer's mark; none: known to bear none; '': not said.")
    ] = None,
    format: FormatOption = "table",
) -> None:
    """List records with the number of their references."""
    with Catalogue.open(catalogue) as opened:
        records = [
            record for record in opened.records()
            if subject is None or record.subject.casefold() == subject.strip().casefold()
            if pose in (None, record.pose) and series in (None, record.series)
            if mark is None or bears(record.mark, mark)
        ]  # fmt: skip
        counts = Counter(row.record_id for row in opened.references())
        must_be_there(opened, subject, pose, series, mark)
    print_rows(
        format, records, ("record", "subject", "pose", "crop", "caption", "club", "mark", "references"),
        lambda row: (
            row.record_id, row.subject, row.pose, row.crop, row.caption, row.club, row.mark, counts[row.record_id],
        ),
        lambda row: {**asdict(row), "references": counts[row.record_id]},
    )  # fmt: skip


def must_be_there(
    opened: Catalogue,
    subject: str | None = None,
    pose: str | None = None,
    series: str | None = None,
    mark: str | None = None,
) -> None:
    """Refuse a name that no record knows: an empty list would look like an answer."""
    known = opened.records()
    held = {
        "sitter": (subject and subject.strip().casefold(), {record.subject.casefold() for record in known}),
        "pose": (pose, {record.pose for record in known}),
        "series": (series, {record.series for record in known}),
    }
    for what, (wanted, names) in held.items():
        if wanted and wanted not in names:
            raise CatalogueError("no_such_record", f"no record is of {what} {wanted!r}", "list all records, or search")
    if mark and not any(bears(record.mark, mark) for record in known):
        raise CatalogueError("no_such_record", f"no record is of mark {mark!r}", "list all records, or search")


@app.command("show")
def show(record: RecordArgument, catalogue: CatalogueOption, format: FormatOption = "table") -> None:
    """Show one record and its references."""
    with Catalogue.open(catalogue) as opened:
        row, references = opened.record(record), opened.references(record)
        paths = [opened.image_path(reference) for reference in references]
    if format == "json":
        shown = [_reference(one, path) for one, path in zip(references, paths, strict=True)]
        print_json({**asdict(row), "references": shown})
        return
    console = HarmlessConsole(highlight=False, soft_wrap=True)
    for name, value in asdict(row).items():
        if value:
            console.print(f"{name:10} {value}", markup=False)
    for reference, path in zip(references, paths, strict=True):
        contrast = reference.facts.get("residual_contrast")
        fade = "" if contrast is None else f", residual contrast {100 * float(contrast):.0f} %"
        told = [f"{name} {value}" for name in ("copy", "source", "note") if (value := getattr(reference, name))]
        told += [f"seen {reference.seen_on}"] if reference.seen_on else []
        about = "".join(f", {one}" for one in told)
        console.print(f"reference  {reference.id}: {reference.name}{about}{fade}\n           {path}", markup=False)


def _reference(row: ReferenceRow, path: Path) -> dict[str, Any]:
    named = ("id", "name", "copy", "source", "note", "seen_on", "sha256", "width", "height", "quad")
    return {**{name: getattr(row, name) for name in named}, "image": str(path), "facts": dict(row.facts)}


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
        typer.confirm(
            f"Remove {record} ({row.caption}) with {counted(len(references), 'reference')}?", abort=True, err=True
        )
    with decision.open() as opened:
        opened.remove_record(record, decision.actor, decision.note)
    undo = "platekin decisions undo brings them back"
    remark(f"removed {record} with {counted(len(references), 'reference')}; {undo}", decision.quiet)


FieldsOption = Annotated[
    list[str] | None,
    typer.Option("--set", metavar="FIELD=TEXT", help=f"One of {', '.join(EDITABLE)}; may be repeated."),
]


@app.command("search")
def search(
    name: Annotated[
        str, typer.Argument(metavar="NAME", help="As you remember it, or as it is printed; a few letters may be wrong.")
    ],
    catalogue: CatalogueOption,
    limit: Annotated[int, typer.Option(min=1, max=500, help="At most so many records.")] = 10,
    format: FormatOption = "table",
) -> None:
    """Find records by a sitter, caption, club or mark, however it is spelt."""
    with Catalogue.open(catalogue) as opened:
        found = [one for one in NameSearch.of(opened).find(name, limit) if one.likeness >= LEAST_LIKE]
        rows = found or _beginning_like(opened, name, limit)
    headings = ("alike %", "record", "subject", "pose", "crop", "caption", "club", "mark")
    if not rows:
        raise CatalogueError(
            "no_such_record", f"no name, club or mark is like {name!r}", "try fewer letters, or list all"
        )
    print_rows(format, rows, headings, _found_line, lambda one: {"likeness": one.likeness, **asdict(one.record)})
    if len(rows) == limit and format == "table":
        messages.print(f"these {limit} are the likest; for more: --limit", markup=False)


def _found_line(found: Found) -> tuple[object, ...]:
    record = found.record
    return (
        f"{found.likeness:.0f}", record.record_id, record.subject, record.pose, record.crop, record.caption,
        record.club, record.mark,
    )  # fmt: skip


def _beginning_like(opened: Catalogue, name: str, limit: int) -> list[Found]:
    """Records whose club or mark has a word that begins like what is looked for."""
    wanted = plain(name)
    held = [
        record
        for record in opened.records()
        if any(word.startswith(wanted) for word in plain(f"{record.club} {mark_words(record.mark)}").split())
    ]
    return [Found(record, 100.0) for record in held[:limit]] if wanted else []


@app.command("edit")
@grouped
def edit(
    records: Annotated[
        list[str], typer.Argument(metavar="RECORD...", help="One record's id, or several that get the same.")
    ],
    decision: DecisionOptions,
    fields: FieldsOption = None,
    new_pose: Annotated[
        bool, typer.Option("--new-pose", help="The pose that --set names is new, and no slip of the pen.")
    ] = False,
) -> None:
    """Correct what records say: --set caption="Wm. Tarrowick"."""
    given = _fields(fields)
    with decision.open() as opened:
        pose = given.get("pose")
        if pose and not new_pose and pose not in {record.pose for record in opened.records()}:
            why = f"no record is of pose {pose} yet"
            raise CatalogueError("no_such_record", why, "check the spelling, or add --new-pose if it is a new negative")
        made: list[DecisionRow] = []
        for record in records:
            batch = made[0].number if made else 0 if len(records) > 1 else None
            made.append(edit_record(opened, record, given, decision.actor, note=decision.note, batch=batch))
            decision.report(made[-1])


@app.command("outline")
@grouped
def outline(
    record: RecordArgument,
    decision: DecisionOptions,
    reference: Annotated[
        int | None, typer.Option(metavar="NUMBER", help="Which of its references; needed where it has several.")
    ] = None,
    corners: CornersOption = None,
    turn: TurnOption = 0,
) -> None:
    """Correct the outline of a reference that takes in the table, cuts into the card, or stands on its head."""
    if corners is None and not turn:
        raise typer.BadParameter("say where the card is: --corners, --turn, or both", param_hint="--corners")
    with decision.open() as opened:
        held = [one for one in opened.references(record) if reference in (None, one.id)]
        opened.record(record)
        if len(held) != 1:
            numbers = ", ".join(str(one.id) for one in opened.references(record))
            raise CatalogueError(
                "no_such_reference",
                f"record {record} has the references {numbers}",
                "say which one: --reference NUMBER",
            )
        quad = turned(corners_of(corners) or held[0].quad, turn)
        done = outline_reference(opened, held[0].id, quad, decision.actor, note=decision.note)
        outlined_anew(opened, done)
        decision.report(done)


@app.command("merge")
@grouped
def merge(
    gone: Annotated[str, typer.Argument(metavar="GONE", help="The record that goes.")],
    into: Annotated[str, typer.Argument(metavar="INTO", help="The record that stays.")],
    decision: DecisionOptions,
) -> None:
    """Merge two records that are one; references, copies and sightings follow."""
    with decision.open() as opened:
        decision.report(merge_records(opened, gone, into, decision.actor, note=decision.note))


@app.command("split")
@grouped
def split(
    record: RecordArgument,
    new: Annotated[str, typer.Argument(metavar="NEW", help="Id of the new record.")],
    decision: DecisionOptions,
    reference: Annotated[
        list[int], typer.Option("--reference", metavar="NUMBER", help="A reference that goes to it; may be repeated.")
    ],
    sighting: Annotated[
        list[int] | None, typer.Option("--sighting", metavar="NUMBER", help="A sighting that goes to it.")
    ] = None,
    fields: FieldsOption = None,
) -> None:
    """Split a record that was two: some references become a new record, corrected by --set."""
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
        raise typer.BadParameter(f"{wrong[0]!r} has no =; write FIELD=TEXT", param_hint="--set")
    pairs = [one.split("=", 1) for one in given or ()]
    return {name.strip(): text for name, text in pairs}
