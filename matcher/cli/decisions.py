"""`platekin decisions ...`: the log of all that was decided; undo and redo; the log exported and replayed."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from matcher.catalogue import Catalogue, undo_redo
from matcher.catalogue.exchange.log_io import export_log, replay_log
from matcher.catalogue.log.decisions import DecisionRow, as_json
from matcher.catalogue.log.past_words import outcome_now
from matcher.catalogue.log.telling import changes_told, takes_back
from matcher.catalogue.records.enrol import removed_if_unused
from matcher.catalogue.records.indexing import outlined_anew
from matcher.cli.options import CatalogueOption, DecisionOptions, FormatOption, QuietOption, grouped
from matcher.cli.output import HarmlessConsole, counted, messages, print_json, print_rows, remark
from matcher.core.errors import CatalogueError

app = typer.Typer(no_args_is_help=True, help="Show the log: who decided what, when, on what evidence; undo and redo.")

NumberArgument = Annotated[
    int | None,
    typer.Argument(metavar="[NUMBER]", min=1, help="The decision's number; the newest that fits, if not given."),
]


@app.command("list")
def list_decisions(
    catalogue: CatalogueOption,
    about: Annotated[str | None, typer.Option(metavar="ID", help="Only those about this find or record.")] = None,
    limit: Annotated[int, typer.Option(min=1, help="At most so many, the newest.")] = 50,
    format: FormatOption = "table",
) -> None:
    """List decisions, the newest last."""
    with Catalogue.open(catalogue) as opened:
        rows = opened.decisions(about=about, newest_first=True, limit=limit)[::-1]
    headings = ("number", "when", "by", "action", "about", "outcome", "state")
    print_rows(format, rows, headings, _line, lambda row: {**as_json(row), "standing": row.standing})


def _line(row: DecisionRow) -> tuple[object, ...]:
    when = f"{row.at:%Y-%m-%d %H:%M}"
    by = row.told_by if row.actor == "person" else f"{row.told_by} (program)"
    return (row.number, when, by, row.action, row.about, row.outcome, "" if row.standing else "undone")


@app.command("show")
def show(
    number: Annotated[int, typer.Argument(metavar="NUMBER", min=1, help="The decision's number in the log.")],
    catalogue: CatalogueOption,
    format: FormatOption = "table",
) -> None:
    """Show one decision with its evidence and the changes that it made."""
    with Catalogue.open(catalogue) as opened:
        row = opened.decision(number)
    if format == "json":
        print_json({**as_json(row), "standing": row.standing})
        return
    console = HarmlessConsole(highlight=False, soft_wrap=True)
    for name, value in as_json(row).items():
        if name not in ("changes", "evidence") and value not in (None, ""):
            console.print(f"{name:9} {value}", markup=False)
    if not row.standing:
        console.print("standing  no: it was undone")
    for name, value in row.evidence.items():
        said = outcome_now(value) if name == "outcome" else value
        console.print(f"evidence  {name}: {said}", markup=False)
    for words in changes_told(row.changes):
        console.print(f"change    {words}", markup=False)


@app.command("undo")
@grouped
def undo(
    decision: DecisionOptions,
    number: NumberArgument = None,
    batch: Annotated[bool, typer.Option("--batch", help="Undo the whole run that it was part of.")] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
) -> None:
    """Undo a decision: the newest if no number is given. What it takes back is shown; it asks if the last one was not
    yours."""
    with decision.open() as opened:
        chosen = number or undo_redo.undoable(opened)
        if chosen is None:
            raise CatalogueError("no_such_decision", "there is nothing to undo", "see: platekin decisions list")
        rows = [opened.decision(one) for one in (undo_redo.batch_of(opened, chosen) if batch else (chosen,))]
        others = {row.by for row in rows if (row.actor, row.by) != (decision.actor.kind, decision.actor.name)}
        if number is None and others and not yes:
            for words in takes_back(rows):
                messages.print(words, markup=False)
            who = ", ".join(sorted(others))
            typer.confirm(f"That was decided by {who}. Undo it?", abort=True, err=True)
        turned = undo_redo.undo(opened, [row.number for row in rows], decision.actor, note=decision.note)
        outlined_anew(opened, *turned)
        decision.report(*turned[-1:])
        for words in takes_back(rows):
            remark(f"  {words}", decision.quiet)


@app.command("redo")
@grouped
def redo(decision: DecisionOptions, number: NumberArgument = None) -> None:
    """Redo a decision that was undone: the one undone last if no number is given."""
    with decision.open() as opened:
        chosen = number or undo_redo.redoable(opened)
        if chosen is None:
            raise CatalogueError("no_such_decision", "there is nothing to redo", "see: platekin decisions list")
        turned = undo_redo.redo(opened, (chosen,), decision.actor, note=decision.note)
        outlined_anew(opened, *turned)
        decision.report(*turned)


@app.command("export")
def export(
    target: Annotated[Path, typer.Argument(metavar="LOG.jsonl", help="A file that is not there yet.")],
    catalogue: CatalogueOption,
    quiet: QuietOption = False,
) -> None:
    """Export the whole log as JSON Lines."""
    with Catalogue.open(catalogue) as opened:
        count = export_log(opened, target)
    remark(f"{counted(count, 'decision')} written to {target}", quiet)


@app.command("replay")
def replay(
    log: Annotated[Path, typer.Argument(metavar="LOG.jsonl", help="A log that was exported.")],
    catalogue: CatalogueOption,
    images: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Folder to take the pictures from, found by content.")
    ] = None,
    quiet: QuietOption = False,
) -> None:
    """Replay a log into an empty catalogue, or into one that it continues: all of it, or nothing."""
    with removed_if_unused(catalogue), Catalogue.open(catalogue, create=True) as opened:
        done = replay_log(opened, log, images)
    lacking = f"; {counted(done.lacking, 'picture')} missing: name their folder with --images" if done.lacking else ""
    remark(f"{counted(done.decisions, 'decision')} replayed{lacking}", quiet)
