"""`platekin subjects ...`: the names of sitters, and how else they are spelt."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

import typer

from matcher.catalogue import Catalogue
from matcher.catalogue.records import corrections
from matcher.catalogue.records.name_search import spellings_of
from matcher.cli.options import CatalogueOption, DecisionOptions, FormatOption, grouped
from matcher.cli.output import print_rows

app = typer.Typer(no_args_is_help=True, help="List sitters, merge names, note other spellings.")


@dataclass(frozen=True)
class SubjectLine:
    """One sitter; poses, records: how many."""

    subject: str
    spellings: list[str]
    poses: int
    records: int


@app.command("list")
def list_subjects(catalogue: CatalogueOption, format: FormatOption = "table") -> None:
    """List the sitters with their other spellings and the number of their poses and records."""
    with Catalogue.open(catalogue) as opened:
        records, spellings = opened.records(), spellings_of(opened)
    poses_of: dict[str, list[str]] = {}
    for record in records:
        poses_of.setdefault(record.subject, []).append(record.pose)
    rows = [
        SubjectLine(name, spellings.get(name, []), len(set(poses)), len(poses))
        for name, poses in sorted(poses_of.items())
    ]
    headings = ("subject", "also spelt", "poses", "records")
    print_rows(format, rows, headings, lambda row: (row.subject, ", ".join(row.spellings), row.poses, row.records))


@app.command("merge")
@grouped
def merge(
    gone: Annotated[str, typer.Argument(metavar="GONE", help="The name that becomes a spelling.")],
    into: Annotated[str, typer.Argument(metavar="INTO", help="The name that stays.")],
    decision: DecisionOptions,
) -> None:
    """Merge two names of one sitter; the first becomes a spelling of the second."""
    with decision.open() as opened:
        decision.report(corrections.merge_subjects(opened, gone, into, decision.actor, note=decision.note))


@app.command("spelling")
@grouped
def spelling(
    subject: Annotated[str, typer.Argument(metavar="NAME", help="A name that the catalogue knows the sitter by.")],
    other: Annotated[str, typer.Argument(metavar="SPELLING", help="Another spelling of it.")],
    decision: DecisionOptions,
) -> None:
    """Note another spelling of a name."""
    with decision.open() as opened:
        decision.report(corrections.add_spelling(opened, subject, other, decision.actor, note=decision.note))
