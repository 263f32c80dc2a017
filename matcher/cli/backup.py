"""`platekin check` and `platekin backup`: is the catalogue whole; a consistent copy of it."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from matcher.catalogue import Catalogue
from matcher.catalogue.exchange.backup import backup as copy_catalogue
from matcher.catalogue.exchange.check import check as check_catalogue
from matcher.cli.shared import CatalogueOption, FormatOption, QuietOption, messages, print_json, progress


def check(catalogue: CatalogueOption, format: FormatOption = "table", quiet: QuietOption = False) -> None:
    """Verify images, hashes, descriptions, log, tables and index; exit 1 where something is wrong."""
    with Catalogue.open(catalogue) as opened, progress(quiet) as bar:
        task = bar.add_task("checking", total=None)
        troubles = check_catalogue(opened, lambda done, total: bar.update(task, completed=done, total=total))
    for trouble in troubles:
        if format == "json":
            print_json(asdict(trouble))
        else:
            print(f"{trouble.kind}: {trouble.what}\n    what to do: {trouble.todo}")
    if troubles:
        raise typer.Exit(1)
    if not quiet:
        messages.print("all is well")


def backup(
    target: Annotated[Path, typer.Argument(metavar="TARGET", help="A folder that is not there yet.")],
    catalogue: CatalogueOption,
    quiet: QuietOption = False,
) -> None:
    """Make a consistent copy of the catalogue, also while others write to it."""
    with Catalogue.open(catalogue) as opened:
        count = copy_catalogue(opened, target)
    if not quiet:
        messages.print(f"{target}: a catalogue with {count} images", markup=False)
