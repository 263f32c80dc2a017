"""`platekin lot show|save|sheet|...`: what became of the lots of scans: results, and files to take away."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer

from matcher.catalogue import Catalogue
from matcher.cli.lot_run import app, summary
from matcher.cli.options import CatalogueOption, FormatOption, QuietOption, ReplaceOption
from matcher.cli.output import counted, messages, print_json, print_table, remark
from matcher.jobs.lot import store
from matcher.jobs.lot.cards import cards_of
from matcher.jobs.lot.cleaning import forget_lot
from matcher.jobs.lot.results import rows_of, write_faces, write_results
from matcher.jobs.lot.sidecar import Naming, write_sidecars
from matcher.jobs.lot.spreadsheet import write_sheet
from matcher.jobs.lot.store import LotRow

LotArgument = Annotated[str, typer.Argument(metavar="LOT", help="The lot's id, like L00001.")]


@contextmanager
def opened_lot(catalogue: Path, lot_id: str) -> Iterator[tuple[Catalogue, LotRow]]:
    """The catalogue while the context lasts, and the lot. Raises CatalogueError no_such_lot."""
    with Catalogue.open(catalogue) as opened:
        yield opened, store.lot(opened, lot_id)


@app.command("list")
def list_lots(catalogue: CatalogueOption, format: FormatOption = "table") -> None:
    """List the lots, with their items by state."""
    with Catalogue.open(catalogue) as opened:
        rows = [(row, store.counts(opened, row.lot_id)) for row in store.lots(opened)]
    if format == "json":
        for row, counts in rows:
            print_json({"lot_id": row.lot_id, "name": row.name, "who": row.who, "made_at": row.made_at,
                        "state": row.state, "items": counts})  # fmt: skip
        return
    headings = ("lot", "name", "made by", "begun", "state", "waiting", "done", "failed")
    lines = ((row.lot_id, row.name, row.who, f"{row.made_at:%Y-%m-%d %H:%M}", row.state) for row, _ in rows)
    print_table(headings, ((*line, *counts.values()) for line, (_, counts) in zip(lines, rows, strict=True)))


@app.command("show")
def show(lot: LotArgument, catalogue: CatalogueOption, format: FormatOption = "table") -> None:
    """Show one lot: its counts and every card."""
    with opened_lot(catalogue, lot) as (opened, row):
        rows, counts, cards = rows_of(opened, row), store.counts(opened, lot), cards_of(opened, row)
    if format == "json":
        for each in rows:
            print_json(each)
        return
    summary(lot, counts, cards)
    names = ("card", "file", "outcome", "tag", "subject", "caption", "club", "same_card", "decided")
    print_table(names, ([each[name] for name in names] for each in rows if each["card"]))
    for each in rows:
        if each["error"]:
            print(each["error"].partition(": ")[2])


@app.command("save")
def save(
    lot: LotArgument,
    target: Annotated[Path, typer.Argument(metavar="FILE.csv|.jsonl|.xlsx", help="The file to write.")],
    catalogue: CatalogueOption,
    replace: ReplaceOption = False,
    quiet: QuietOption = False,
) -> None:
    """Save the results as a table, one row per card; the file's ending says of which kind."""
    with opened_lot(catalogue, lot) as (opened, row):
        count = write_results(opened, row, target, replace)
    remark(f"{counted(count, 'row')} written to {target}", quiet)


@app.command("sheet")
def sheet(
    lot: LotArgument,
    target: Annotated[
        Path, typer.Argument(metavar="FILE.pdf|.png", help="The file to write; as .png one file per page.")
    ],
    catalogue: CatalogueOption,
    replace: ReplaceOption = False,
    quiet: QuietOption = False,
) -> None:
    """Draw a contact sheet: every card under its tag, the doubtful ones first."""
    with opened_lot(catalogue, lot) as (opened, row):
        pages = write_sheet(opened, row, target, replace)
    remark(f"{counted(pages, 'page')} written to {target}", quiet)


@app.command("faces")
def faces(
    lot: LotArgument,
    target: Annotated[Path, typer.Argument(metavar="DIR", help="Folder to write them into.")],
    catalogue: CatalogueOption,
    replace: ReplaceOption = False,
    quiet: QuietOption = False,
) -> None:
    """Save the front of every card, cut out and flattened, as a JPEG."""
    with opened_lot(catalogue, lot) as (opened, row):
        count = write_faces(opened, row, target, replace)
    remark(f"{counted(count, 'card')} written to {target}", quiet)


@app.command("sidecars")
def sidecars(
    lot: LotArgument,
    catalogue: CatalogueOption,
    naming: Annotated[Naming, typer.Option(help="full: photo.jpg.xmp; stem: photo.xmp.")] = "full",
    quiet: QuietOption = False,
) -> None:
    """Write an XMP file beside each scan, or add to the one that is there; the scans are not touched."""
    with opened_lot(catalogue, lot) as (opened, row):
        written, failed = write_sidecars(opened, row, naming)
    for error in failed:
        messages.print(str(error), markup=False)
    remark(f"{counted(len(written), 'sidecar')} written", quiet)
    if failed:
        raise typer.Exit(1)


@app.command("retry")
def retry(
    lot: LotArgument,
    catalogue: CatalogueOption,
    items: Annotated[
        list[int] | None,
        typer.Argument(metavar="[ITEM...]", help="Numbers of items; all that failed if none is given."),
    ] = None,
) -> None:
    """Queue failed items again; the next run of the lot does them."""
    with opened_lot(catalogue, lot) as (opened, _):
        count = store.requeue(opened, lot, items)
    print(f"{counted(count, 'item')} queued again")


@app.command("cancel")
def cancel(lot: LotArgument, catalogue: CatalogueOption) -> None:
    """Stop working on a lot; what was found stays."""
    with opened_lot(catalogue, lot) as (opened, _):
        store.change_lot(opened, lot, state="cancelled")
    print(f"lot {lot} is cancelled; what was found stays")


@app.command("forget")
def forget(lot: LotArgument, catalogue: CatalogueOption) -> None:
    """Remove a lot's results and pictures of cards; your scans, and what was decided, stay."""
    with opened_lot(catalogue, lot) as (opened, row):
        forget_lot(opened, row.lot_id)
    print(f"lot {lot} is removed; your scans and decisions stay")
