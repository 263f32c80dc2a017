"""`platekin decisions ...`: the log of all that was decided; undo and redo; the log taken out, and played anew."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from matcher.catalogue import Catalogue, undo_redo
from matcher.catalogue.exchange.log_io import export_log, replay_log
from matcher.catalogue.log.decisions import DecisionRow, as_json
from matcher.catalogue.log.past_words import outcome_now
from matcher.cli.options import CatalogueOption, DecisionOptions, FormatOption, QuietOption, grouped
from matcher.cli.output import HarmlessConsole, print_rows, remark
from matcher.core.errors import CatalogueError

app = typer.Typer(no_args_is_help=True, help="The log: who decided what, when, on what evidence; undo and redo.")

NumberArgument = Annotated[
    int | None,
    typer.Argument(metavar="[NUMBER]", min=1, help="The decision's number; the newest that fits, if not given."),
]


@app.command("list")
def list_decisions(
    catalogue: CatalogueOption,
    about: Annotated[str | None, typer.Option(help="Only those about this find or record.")] = None,
    limit: Annotated[int, typer.Option(min=1, help="At most so many, the newest.")] = 50,
    format: FormatOption = "table",
) -> None:
    """List decisions, the newest last."""
    with Catalogue.open(catalogue) as opened:
        rows = opened.decisions(about=about, newest_first=True, limit=limit)[::-1]
    headings = ("number", "when", "who", "", "action", "about", "outcome", "stands")
    print_rows(format, rows, headings, _line, lambda row: {**as_json(row), "standing": row.standing})


def _line(row: DecisionRow) -> tuple[object, ...]:
    when = f"{row.at:%Y-%m-%d %H:%M}"
    return (
        row.number,
        when,
        row.actor,
        row.told_by,
        row.action,
        row.about,
        row.outcome,
        "" if row.standing else "undone",
    )


@app.command("show")
def show(
    number: Annotated[int, typer.Argument(metavar="NUMBER", min=1, help="The decision's number in the log.")],
    catalogue: CatalogueOption,
) -> None:
    """Show one decision with its evidence and the changes that it made."""
    with Catalogue.open(catalogue) as opened:
        row = opened.decision(number)
    console = HarmlessConsole(highlight=False, soft_wrap=True)
    for name, value in as_json(row).items():
        if name not in ("changes", "evidence") and value not in (None, ""):
            console.print(f"{name:9} {value}", markup=False)
    if not row.standing:
        console.print("standing  no: it was undone")
    for name, value in row.evidence.items():
        said = outcome_now(value) if name == "outcome" else value
        console.print(f"evidence  {name}: {said}", markup=False)
    for change in row.changes:
        kind = "new" if change.before is None else "gone" if change.after is None else "changed"
        keys = ", ".join(map(str, change.key))
        fields = "" if kind != "changed" else f": {dict(change.before or {})} -> {dict(change.after or {})}"
        console.print(f"change    {change.table} {keys} {kind}{fields}", markup=False)


@app.command("undo")
@grouped
def undo(
    decision: DecisionOptions,
    number: NumberArgument = None,
    batch: Annotated[bool, typer.Option("--batch", help="The whole run that it was part of.")] = False,
) -> None:
    """Undo a decision; the newest if no number is given."""
    with decision.open() as opened:
        chosen = number or undo_redo.undoable(opened)
        if chosen is None:
            raise CatalogueError("no_such_decision", "there is nothing to undo", "list the log")
        numbers = undo_redo.batch_of(opened, chosen) if batch else (chosen,)
        decision.report(*undo_redo.undo(opened, numbers, decision.actor, note=decision.note))


@app.command("redo")
@grouped
def redo(decision: DecisionOptions, number: NumberArgument = None) -> None:
    """Make an undone decision again; the one undone last if no number is given."""
    with decision.open() as opened:
        chosen = number or undo_redo.redoable(opened)
        if chosen is None:
            raise CatalogueError("no_such_decision", "there is nothing to redo", "list the log")
        decision.report(*undo_redo.redo(opened, (chosen,), decision.actor, note=decision.note))


@app.command("export")
def export(
    target: Annotated[Path, typer.Argument(metavar="LOG.jsonl", help="A file that is not there yet.")],
    catalogue: CatalogueOption,
    quiet: QuietOption = False,
) -> None:
    """Write the whole log as JSON Lines."""
    with Catalogue.open(catalogue) as opened:
        count = export_log(opened, target)
    remark(f"{count} decisions written to {target}", quiet)


@app.command("replay")
def replay(
    log: Annotated[Path, typer.Argument(metavar="LOG.jsonl", help="A log that was exported.")],
    catalogue: CatalogueOption,
    images: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Folder to take the pictures from, found by content.")
    ] = None,
    quiet: QuietOption = False,
) -> None:
    """Make a catalogue from a log: into an empty one, or one that the log continues. All of it, or nothing."""
    with Catalogue.open(catalogue, create=True) as opened:
        done = replay_log(opened, log, images)
    lacking = f"; {done.lacking} pictures are lacking: bring them with --images" if done.lacking else ""
    remark(f"{done.decisions} decisions replayed{lacking}", quiet)
