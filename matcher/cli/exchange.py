"""`platekin export` and `backup`: the catalogue out to others, and copied."""

from __future__ import annotations

import os
from mimetypes import guess_type
from pathlib import Path
from typing import Annotated, Literal

import typer

from matcher.catalogue import Catalogue
from matcher.catalogue.exchange import package
from matcher.catalogue.exchange.backup import backup as copy_catalogue
from matcher.catalogue.exchange.bag import bag_files, contents_of, export_bag
from matcher.catalogue.exchange.bare import export_stripped
from matcher.catalogue.exchange.zipped import zip_stream
from matcher.catalogue.records.files import ANYBODYS, write_whole
from matcher.catalogue.tables.targets import writing_out
from matcher.cli.options import CatalogueOption, QuietOption
from matcher.cli.output import counted, progress, remark
from matcher.core.errors import CatalogueError
from matcher.jobs.lot.store import FOLDER as LOTS

Form = Literal["bag", "zip", "csv", "jsonl"]
BY_SUFFIX: dict[str, Form] = {"": "bag", ".csv": "csv", ".jsonl": "jsonl", ".zip": "zip"}


def export(
    target: Annotated[
        Path,
        typer.Argument(
            metavar="TARGET", help="NAME for a folder, NAME.zip, NAME.csv or NAME.jsonl; one that is not there yet."
        ),
    ],
    catalogue: CatalogueOption,
    form: Annotated[
        Form | None,
        typer.Option(
            "--as",
            help="bag or zip: all of it, with pictures and log; csv or jsonl: the records; by the name's ending.",
        ),
    ] = None,
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
    """Export the catalogue. What is written can be enrolled where it lies."""
    _check_ending(target)
    kind = form or BY_SUFFIX.get(target.suffix.lower(), "bag")
    if form and BY_SUFFIX.get(target.suffix.lower(), form) not in (form, "bag"):
        why = f"{target}: the name says {target.suffix}, --as says {form}"
        raise CatalogueError("bad_target", why, "give the file the right ending, or leave --as out")
    if target.exists():
        raise CatalogueError("target_exists", f"{target} is there already", "name one that is not there yet")
    with Catalogue.open(catalogue) as opened, progress(quiet) as bar:
        if strip:
            done = f"{counted(export_stripped(opened, target), 'image')} and their table written to {target}"
        elif kind == "bag":
            task = bar.add_task("exporting", total=None)
            counts = export_bag(opened, target, lambda done, total: bar.update(task, completed=done, total=total))
            images, files = counted(counts["images"], "image"), counted(counts["tables"], "file")
            done = f"{images} and {files} written to {target}"
        elif kind == "zip":
            _write_zip(opened, target)
            done = f"{target} written: the whole catalogue, with images and log"
        else:
            _write_table(opened, target, kind)
            done = f"{target} written; its image paths lead to {catalogue}, so keep the two where they are"
    remark(done, quiet)


def _check_ending(target: Path) -> None:
    """Refuse an ending that belongs to files of another kind; a folder may be called what it likes: cards-2026.07."""
    if target.suffix.lower() not in BY_SUFFIX and guess_type(target.name)[0]:
        endings = "let the name end in .csv, .jsonl or .zip, or in nothing for a folder"
        raise CatalogueError("bad_target", f"{target}: unsupported file type", endings)


def _write_table(opened: Catalogue, target: Path, kind: Form) -> None:
    start = os.path.relpath(opened.folder.resolve(), target.parent.resolve())
    with opened.reading() as connection:
        data = (package.records_csv if kind == "csv" else package.records_jsonl)(connection, Path(start).as_posix())
    with writing_out(target):
        write_whole(target, data, mode=ANYBODYS)


def _write_zip(opened: Catalogue, target: Path) -> None:
    part = target.with_name(f"{target.name}.{os.getpid()}.part")
    try:
        with writing_out(target):
            target.parent.mkdir(parents=True, exist_ok=True)
            with part.open("wb") as stream:
                for piece in zip_stream(bag_files(opened, contents_of(opened))):
                    stream.write(piece)
            part.rename(target)
    finally:
        part.unlink(missing_ok=True)


def backup(
    target: Annotated[Path, typer.Argument(metavar="TARGET", help="A folder that is not there yet.")],
    catalogue: CatalogueOption,
    quiet: QuietOption = False,
) -> None:
    """Copy the catalogue consistently, also while others write to it."""
    with Catalogue.open(catalogue) as opened:
        count = copy_catalogue(opened, target)
        sent = sum(path.is_file() for path in (opened.folder / LOTS).glob("*/photos/*"))
    remark(f"{target}: a catalogue with {counted(count, 'image')}", quiet)
    if sent:  # scans of other lots lie where their owner has them
        lots = opened.folder / LOTS
        remark(f"not in it: {counted(sent, 'photo')} sent to the service as lots; copy them too: {lots}", quiet)
