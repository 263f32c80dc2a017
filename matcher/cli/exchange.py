"""`platekin export`, `import`, `backup`, `check`: the catalogue out to others and in again, copied, and examined."""

from __future__ import annotations

import tempfile
from dataclasses import asdict, replace
from pathlib import Path
from typing import Annotated, Literal

import typer

from matcher.catalogue import Catalogue
from matcher.catalogue.exchange import package
from matcher.catalogue.exchange.backup import backup as copy_catalogue
from matcher.catalogue.exchange.bag import export_bag, import_bag
from matcher.catalogue.exchange.bare import export_stripped
from matcher.catalogue.exchange.check import check as check_catalogue
from matcher.catalogue.exchange.mapping import Preview, mapped_table, parse_mapping, preview
from matcher.catalogue.records.enrol import enrol
from matcher.catalogue.records.files import ANYBODYS, write_whole
from matcher.cli.enrol import print_report
from matcher.cli.options import ByOption, CatalogueOption, FormatOption, QuietOption, actor
from matcher.cli.output import harmless, messages, print_json, print_table, progress, remark
from matcher.core.errors import BadTable, CatalogueError


def export(
    target: Annotated[Path, typer.Argument(metavar="TARGET", help="A folder or file that is not there yet.")],
    catalogue: CatalogueOption,
    form: Annotated[
        Literal["bag", "csv", "jsonl"],
        typer.Option("--as", help="bag: all of it with images and log; csv, jsonl: the records, one row an image."),
    ] = "bag",
    strip: Annotated[
        bool,
        typer.Option(
            "--strip",
            help="A folder with the table and its pictures, without what their files say of place, device and owner; "
            "it has no log, and is enrolled elsewhere.",
        ),
    ] = False,
    quiet: QuietOption = False,
) -> None:
    """Write the catalogue out: a bag can be imported again; a table can be enrolled anywhere."""
    with Catalogue.open(catalogue) as opened, progress(quiet) as bar:
        if strip:
            done = f"{export_stripped(opened, target)} images and their table written to {target}"
        elif form == "bag":
            task = bar.add_task("exporting", total=None)
            counts = export_bag(opened, target, lambda done, total: bar.update(task, completed=done, total=total))
            done = f"{counts['images']} images and {counts['tables']} files written to {target}"
        else:
            if target.exists():
                raise CatalogueError("target_exists", f"{target} is there already", "name one that is not there yet")
            with opened.reading() as connection:
                data = package.records_csv(connection) if form == "csv" else package.records_jsonl(connection)
            write_whole(target, data, mode=ANYBODYS)
            done = f"{target} written; its image paths are relative to {catalogue}"
    remark(done, quiet)


def import_(
    source: Annotated[Path, typer.Argument(metavar="SOURCE", help="A bag's folder, or a .csv or .jsonl table.")],
    catalogue: CatalogueOption,
    column: Annotated[
        list[str] | None, typer.Option("--map", metavar="THEIRS=OURS", help="What a column is to us; may be repeated.")
    ] = None,
    images: Annotated[
        Path | None, typer.Option(metavar="DIR", help="What image paths are relative to; the table's own folder.")
    ] = None,
    only_preview: Annotated[bool, typer.Option("--preview", help="Only show what would become of a table.")] = False,
    workers: Annotated[int | None, typer.Option(min=0, help="Processes; 0 works in this one.")] = None,
    by: ByOption = None,
    quiet: QuietOption = False,
) -> None:
    """Bring in an export of platekin, or a table of your own with its columns mapped to ours."""
    if source.is_dir():
        with Catalogue.open(catalogue, create=True) as opened, progress(quiet) as bar:
            task = bar.add_task("checking", total=None)
            done = import_bag(opened, source, lambda n, total: bar.update(task, completed=n, total=total))
        remark(f"{done.decisions} decisions brought in", quiet)
        return
    mapping = parse_mapping(column or ())
    if only_preview:
        _show(preview(source, mapping))
        return
    with tempfile.TemporaryDirectory() as scratch:
        table = Path(scratch) / f"{source.stem}.csv"
        table.write_bytes(mapped_table(source, mapping))
        try:
            report = enrol(table, catalogue, workers=workers, who=actor(by), images=images or source.parent)
        except BadTable as error:  # the person knows the table by its own name
            message = error.message.replace(str(table), str(source))
            raise BadTable(error.code, message, error.remedy) from None
    failed = tuple(replace(row, message=row.message.replace(str(table), str(source))) for row in report.failed)
    print_report(replace(report, failed=failed), quiet)
    if report.failed:
        raise typer.Exit(1)


def check(catalogue: CatalogueOption, format: FormatOption = "table", quiet: QuietOption = False) -> None:
    """Verify images, hashes, descriptions, log, tables and index; exit 1 where something is wrong."""
    with Catalogue.open(catalogue) as opened, progress(quiet) as bar:
        task = bar.add_task("checking", total=None)
        troubles = check_catalogue(opened, lambda done, total: bar.update(task, completed=done, total=total))
    for trouble in troubles:
        if format == "json":
            print_json(asdict(trouble))
        else:
            print(harmless(f"{trouble.kind}: {trouble.what}\n    what to do: {trouble.todo}"))
    if troubles:
        raise typer.Exit(1)
    remark("all is well", quiet)


def backup(
    target: Annotated[Path, typer.Argument(metavar="TARGET", help="A folder that is not there yet.")],
    catalogue: CatalogueOption,
    quiet: QuietOption = False,
) -> None:
    """Make a consistent copy of the catalogue, also while others write to it."""
    with Catalogue.open(catalogue) as opened:
        count = copy_catalogue(opened, target)
    remark(f"{target}: a catalogue with {count} images", quiet)


def _show(seen: Preview) -> None:
    kept = ((theirs, ours or "kept under its own name") for theirs, ours in seen.columns)
    print_table(("their column", "ours"), kept)
    print(f"\nthe first of {seen.total} rows:")
    names = list(seen.rows[0]) if seen.rows else []
    print_table(names, ([row[name] for name in names] for row in seen.rows))
    if seen.lacking:
        messages.print(
            f"nothing is mapped to {', '.join(seen.lacking)}: add --map THEIRS={seen.lacking[0]}", markup=False
        )
        raise typer.Exit(1)
